"""The application: one site and one weather folder, served read-only.

The register of many sites and batches, tokens, calendars and warnings belong to a later landing; what is here
answers the same questions as the command line, with the same numbers.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path  # noqa: TC003  FastAPI reads annotations at run time
from threading import Lock
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import AfterValidator
from starlette.exceptions import HTTPException

from matewindow import __version__
from matewindow.biology import load_biology
from matewindow.dates import in_reach
from matewindow.errors import MatewindowError
from matewindow.graft import graft_decision
from matewindow.hours import hourly_outlook
from matewindow.limits import Limits
from matewindow.outlook import batch_outlook
from matewindow.reporting import graft_report, hours_report, sources_report, window_report
from matewindow.settings import Settings
from matewindow.site import read_site
from matewindow.sources import load_sources, site_biology
from matewindow.timeline import Batch, checks_from_text, graft_time
from matewindow.weather.folder import FILES

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site

Day = Annotated[date, AfterValidator(in_reach)]
Moment = Annotated[datetime, AfterValidator(lambda moment: in_reach(moment.date(), "now") and moment)]
Now = Annotated[Moment | None, Query(description="Take this as the present; with an offset.")]


@dataclass(frozen=True)
class Loaded:
    """A site with its weather as they were read from disk."""

    stamp: tuple[tuple[str, int], ...]
    site: Site
    sources: Sources
    biology: Biology


class Desk:
    """Keeps the site and its weather in memory and reads them anew when a file has changed."""

    def __init__(self, site_file: Path, weather: Path, settings: Settings) -> None:
        self.site_file, self.weather, self.settings = site_file, weather, settings
        self._lock = Lock()
        self._loaded: Loaded | None = None

    def __call__(self) -> Loaded:
        """The site and its weather as they are now."""
        files = [self.site_file, *(self.weather / name for name in FILES)]
        stamp = tuple((str(f), f.stat().st_mtime_ns) for f in files if f.exists())
        with self._lock:
            if self._loaded is None or self._loaded.stamp != stamp:
                site = read_site(self.site_file)
                biology = site_biology(site, load_biology(self.settings.models_folder))
                self._loaded = Loaded(stamp, site, load_sources(self.weather, site, biology), biology)
            return self._loaded


def create_app(
    site_file: Path,
    weather: Path,
    settings: Settings | None = None,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> FastAPI:
    """Build the service for one site and its weather folder.

    Args:
        site_file: site file (TOML).
        weather: folder with weather files; read again when they change.
        settings: of the process.
        clock: gives the present, aware.
    """
    app = FastAPI(title="matewindow", version=__version__, summary="Odds of well mated queens from real weather.")
    desk = Desk(site_file, weather, settings or Settings())
    app.add_exception_handler(MatewindowError, _for_a_person)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _our_fault)

    @app.get("/v1/health", summary="Whether the site and its weather can be read, and what they stand on")
    def health() -> Response:
        at = desk()
        return _json({"status": "ok", "site": at.site.name, "sources": sources_report(at.sources)})

    @app.get("/v1/graft-days", summary="On which days to graft, with the odds for each")
    def graft_days(
        from_: Annotated[Day, Query(alias="from", description="First candidate day.")],
        days: Annotated[int, Query(description="Number of candidate days.")] = 7,
        grafts: Annotated[int, Query(description="Larvae grafted.")] = 20,
        by: Annotated[Day | None, Query(description="Day by which queens should be in lay.")] = None,
        builder_free_from: Day | None = None,
        nucs_free_from: Day | None = None,
        now: Now = None,
    ) -> Response:
        at = desk()
        limits = Limits(builder_free_from=builder_free_from, nucs_free_from=nucs_free_from)
        decision = graft_decision(
            at.site,
            at.sources,
            from_,
            days,
            _aware(now, at.site) or clock(),
            at.biology,
            n_grafts=grafts,
            by=by,
            limits=limits,
        )
        return _json(graft_report(decision, at.sources, at.biology))

    @app.get("/v1/window", summary="A batch's mating window: flight hours, odds, dates and work")
    def window(
        graft: Annotated[Day, Query(description="Day of the graft.")],
        emerged: Annotated[Day | None, Query(description="Day on which virgins were found emerged.")] = None,
        check: Annotated[list[str] | None, Query(description="DATE:eggs, DATE:virgin or DATE:nothing.")] = None,
        now: Now = None,
    ) -> Response:
        at = desk()
        batch = Batch(graft_time(graft, at.site), emerged=emerged, checks=checks_from_text(check or []))
        outlook = batch_outlook(batch, at.site, at.sources, _aware(now, at.site) or clock(), at.biology)
        return _json(window_report(outlook, at.site, at.sources, at.biology))

    @app.get("/v1/hours", summary="Hour by hour, with what spoiled each")
    def hours(
        from_: Annotated[Day | None, Query(alias="from", description="First day; today if not given.")] = None,
        days: Annotated[int | None, Query(description="Number of days.")] = None,
        now: Now = None,
    ) -> Response:
        at = desk()
        present = _aware(now, at.site) or clock()
        found = hourly_outlook(at.site, at.sources, from_, days, present, at.biology)
        return _json(hours_report(found, at.site, present, at.sources, at.biology))

    return app


def _aware(now: datetime | None, site: Site) -> datetime | None:
    """The time asked for; without an offset it is the site's civil time, as on the command line."""
    return now.replace(tzinfo=site.zone) if now is not None and now.tzinfo is None else now


def _json(body: dict[str, Any], status: int = 200, media: str = "application/json") -> Response:
    text = json.dumps(body, ensure_ascii=False, allow_nan=False)
    return Response(text, status, media_type=media, headers={"Cache-Control": "no-cache"})


def _problem(status: int, title: str, detail: str) -> Response:
    """A problem by RFC 9457."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail}
    return _json(body, status, "application/problem+json")


def _for_a_person(request: Request, fault: Exception) -> Response:  # noqa: ARG001
    return _problem(422, "Unprocessable Content", str(fault))


def _malformed(request: Request, fault: Exception) -> Response:  # noqa: ARG001
    assert isinstance(fault, RequestValidationError)
    wrong = "; ".join(f"{'.'.join(str(part) for part in e['loc'])}: {e['msg']}" for e in fault.errors())
    return _problem(422, "Unprocessable Content", wrong)


def _http(request: Request, fault: Exception) -> Response:  # noqa: ARG001
    assert isinstance(fault, HTTPException)
    return _problem(fault.status_code, str(fault.detail), "See /docs for what there is.")


def _our_fault(request: Request, fault: Exception) -> Response:  # noqa: ARG001
    return _problem(500, "Internal Server Error", "A fault of ours; the log of the service has it.")
