"""``matewindow serve``: the HTTP service; also ``python -m api.serve``."""

from __future__ import annotations

import ipaddress
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

import typer

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable
    from socket import socket

    from uvicorn import Config, Server

    from api.edge.stack import Edge
    from api.service import Service
    from matewindow.settings import Settings

PORT = 8377
SEND_EVERY_S = 2.0
PROCESSES = min(4, os.cpu_count() or 1)
"""They are started only when many sites are due, and end with the round."""
DEMO_REGISTER = "matewindow-demo.sqlite"
"""Where invented records go, in the folder that the demo is started in: never among the real ones."""


def serve(
    register: Annotated[
        str | None, typer.Option("--register", metavar="FILE", help="Register: a file, or a postgresql:// URL.")
    ] = None,
    weather: Annotated[
        str, typer.Option("--weather", metavar="FOLDER", help="Folder with weather files, or the word live.")
    ] = "live",
    demo: Annotated[
        bool, typer.Option("--demo", help="Invented weather, and a clock that starts on 1 June 2026 at 06:00 UTC.")
    ] = False,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 for any free one.")] = PORT,
    public_url: Annotated[
        str | None, typer.Option("--public-url", metavar="URL", help="Address under which others reach the service.")
    ] = None,
    name: Annotated[
        list[str] | None, typer.Option("--name", metavar="HOST", help="Host name that it goes by; may be repeated.")
    ] = None,
    origin: Annotated[
        list[str] | None,
        typer.Option("--origin", metavar="URL", help="Web page of another origin that may use it; may be repeated."),
    ] = None,
    proxy: Annotated[
        list[str] | None, typer.Option("--proxy", metavar="ADDRESS", help="Proxy in front of it; may be repeated.")
    ] = None,
    refresh: Annotated[
        bool,
        typer.Option(
            "--refresh/--no-refresh", help="Keep weather and outlooks fresh, do jobs and send messages by itself."
        ),
    ] = True,
    processes: Annotated[
        int,
        typer.Option(
            "--processes", min=1, max=64, help="Processes that work out the outlooks of many sites, and hindcasts."
        ),
    ] = PROCESSES,
) -> None:
    """Serve the register, its outlooks and feeds over HTTP, and keep them fresh."""
    from api.app import create_app
    from api.edge.logs import configure
    from api.edge.protocol import uvicorn_config
    from api.listening import ended_by_signal, listening
    from matewindow.register.soundness import check_sound
    from matewindow.settings import Settings

    settings = Settings.from_environment(os.environ)
    configure()
    edge = edge_of(host, public_url, name or [], origin or [], proxy or [])
    alone = is_loopback(host) and not (public_url or name or proxy)
    service = make_service(
        settings,
        register=register,
        weather=weather,
        demo=demo,
        open_door=alone,
        public_url=public_url,
        refresh=refresh,
        processes=processes,
    )
    try:
        check_sound(service.register.database)
        service.register.database.check_writable()
        if not alone and not service.access.any_token():
            raise RequestError(
                f"the service would listen on {host} for others than this machine, and nobody has a token",
                where="--host" if not is_loopback(host) else "--public-url, --name or --proxy",
                fix="Make one first with matewindow token new, or leave that out.",
            )
        root_path = urlsplit(public_url or "").path.rstrip("/")
        config = uvicorn_config(create_app(service, edge), host, port, base_url=public_url or "", root_path=root_path)
        with listening(host, port) as sockets, ended_by_signal():
            announcing(config).run(sockets)
    finally:
        service.register.database.close()


def announcing(config: Config) -> Server:
    """A server that says where it listens once it does, with the port that it was given."""
    from uvicorn import Server

    class Announcing(Server):
        async def startup(self, sockets: list[socket] | None = None) -> None:
            await super().startup(sockets)
            for server in self.servers:
                for each in server.sockets:
                    address, port = each.getsockname()[:2]
                    place = f"[{address}]" if ":" in address else address
                    typer.echo(f"matewindow: serving on http://{place}:{port}", err=True)

    return Announcing(config)


def make_service(
    settings: Settings,
    *,
    register: str | None = None,
    weather: str = "live",
    demo: bool = False,
    open_door: bool = True,
    public_url: str | None = None,
    refresh: bool = False,
    processes: int = 1,
    clock: Callable[[], datetime] | None = None,
) -> Service:
    """The parts of a service, from its settings and options.

    Args:
        settings: of the process.
        register: a file or URL instead of the setting's; the demo has a file of its own.
        weather: ``live``, or a folder with weather files.
        demo: invented weather, with a clock that starts when it was made for.
        open_door: requests without a token may do everything.
        public_url: address under which others reach it.
        refresh: keep weather and outlooks fresh, do jobs and send messages.
        processes: in so many the outlooks of many sites are worked out.
        clock: gives the present, aware; None = the real one, or the demo's.

    Raises:
        ModelError: a model in use is gone, damaged, or does not fit the parameters any more; the demo uses none.
    """
    from dataclasses import replace

    from api.hindcasting import kept_seasons, maker
    from api.service import Service
    from matewindow.artefacts import data_folder
    from matewindow.biology import load_biology
    from matewindow.keeping.hindcasts import Hindcasts
    from matewindow.keeping.jobs import Jobs
    from matewindow.keeping.judging import Judging
    from matewindow.keeping.leases import Lease, this_process
    from matewindow.keeping.livedesk import LiveDesk
    from matewindow.keeping.outlooks import Keeper
    from matewindow.keeping.refresh import Refresher
    from matewindow.keeping.schedule import Schedule
    from matewindow.keeping.state import LEASE
    from matewindow.keeping.tidying import Tidying
    from matewindow.keeping.weather import FolderDesk, WeatherDesk
    from matewindow.learning.inuse import Models, shelf_of
    from matewindow.outbound import Guard
    from matewindow.register.access import Access
    from matewindow.register.database import Database, url_of
    from matewindow.register.register import Register
    from matewindow.webhooks.sender import Sender

    if register is None and demo and settings.register is None:
        register = DEMO_REGISTER
    if register is not None:
        settings = replace(settings, register=register)
    biology = load_biology(settings.models_folder)
    models = Models(biology, None if demo else shelf_of(settings))
    clock = clock or (demo_clock() if demo else now)
    records = Register(Database(url_of(settings)), biology, clock)
    desk: WeatherDesk
    if demo:
        desk = FolderDesk(data_folder("sample_weather", settings.sample_weather_folder), biology)
    elif weather == "live":
        desk = LiveDesk(settings, biology, records.database)
    else:
        desk = FolderDesk(Path(weather), biology)
    keeper, jobs = Keeper(records, desk, Judging(biology, clock), models), Jobs(records.database, clock)
    guard = Guard(settings.outbound_networks, ca_bundle=settings.ca_bundle)
    schedule, me = None, this_process()
    if refresh:
        send = Sender(records.database, guard, clock).run_once
        lease = Lease(records.database, LEASE, me, clock)
        tidy = Tidying(records.database, jobs, clock, settings if isinstance(desk, LiveDesk) else None)
        refresher = Refresher(keeper, processes=processes)
        invented = ("Invented weather.",) if demo else ()
        hindcasts = Hindcasts(records, desk, models, jobs, maker(processes, invented), kept_seasons())
        schedule = Schedule(refresher, jobs, lease, me, {"deliveries": (send, SEND_EVERY_S)}, tidy, hindcasts)
    return Service(
        records,
        Access(records.database, clock),
        keeper,
        desk,
        models,
        clock,
        jobs,
        schedule,
        open_door=open_door,
        public_url=(public_url or "").rstrip("/"),
        guard=guard,
    )


def now() -> datetime:
    """The present."""
    return datetime.now(UTC)


def demo_clock() -> Callable[[], datetime]:
    """A clock that starts when the invented weather begins to forecast."""
    from matewindow.demo import NOW

    shift: timedelta = NOW - now()
    return lambda: now() + shift


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def edge_of(host: str, public_url: str | None, names: list[str], origins: list[str], proxies: list[str]) -> Edge:
    """The edge around the application.

    Raises:
        RequestError: an address that is none.
    """
    from starlette.routing import Route

    from api.edge.origin import LOOPBACK
    from api.edge.problems import problem_page
    from api.edge.stack import Edge, guard

    hosts = [*LOOPBACK, *names]
    if not is_loopback(host) and host not in {"0.0.0.0", "::"}:  # noqa: S104  compared, not bound
        hosts.append(host)
    try:
        if public_url:
            hosts.append(_host_of(public_url))
        edge = Edge(
            base_url=public_url,
            hosts=tuple(dict.fromkeys(hosts)),
            origins=tuple(origins),
            proxies=tuple(proxies),
            hsts=bool(public_url and public_url.startswith("https://")),
            quiet=("/v1/ready",),
        )
        guard(Route("/", problem_page), edge)  # sees that every address in it is one
    except ValueError as fault:
        raise RequestError(
            str(fault), where="serve", fix="Look at --name, --origin, --proxy and --public-url."
        ) from fault
    return edge


def _host_of(public_url: str) -> str:
    """The host of an address under which others reach the service.

    Raises:
        ValueError: it is no such address.
    """
    parts = urlsplit(public_url)
    if (
        parts.scheme not in {"http", "https"}
        or not parts.hostname
        or parts.query
        or parts.fragment
        or "@" in parts.netloc
    ):
        raise ValueError(f"a public address is written like https://bees.example.org, got {public_url!r}")
    return parts.hostname


if __name__ == "__main__":
    typer.run(serve)
