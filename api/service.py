"""What the routes work with, made once when the service starts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from starlette.requests import Request  # noqa: TC002  FastAPI reads annotations at run time

from matewindow.outbound import Guard

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.keeping.jobs import Jobs
    from matewindow.keeping.outlooks import Keeper
    from matewindow.keeping.schedule import Schedule
    from matewindow.keeping.weather import WeatherDesk
    from matewindow.learning.inuse import Models
    from matewindow.register.access import Access
    from matewindow.register.register import Register


@dataclass(frozen=True)
class Service:
    """The parts of a running service.

    Attributes:
        register: the producer's records.
        access: tokens and feed tokens.
        keeper: outlooks of the records' batches.
        desk: the weather.
        models: parameters and models in use.
        clock: gives the present, aware.
        jobs: long work on record.
        schedule: the service's own work; None = nobody does it here.
        open_door: requests without a token may do everything: only where the service listens on loopback alone.
        public_url: address under which others reach the service, without a slash at its end; empty = not told.
        guard: knows where webhooks may go; as it is made here, to the public internet only.
    """

    register: Register
    access: Access
    keeper: Keeper
    desk: WeatherDesk
    models: Models
    clock: Callable[[], datetime]
    jobs: Jobs
    schedule: Schedule | None = None
    open_door: bool = False
    public_url: str = ""
    guard: Guard = field(default_factory=Guard)


def service_of(request: Request) -> Service:
    """The service that a request came to."""
    service: Service = request.app.state.service
    return service
