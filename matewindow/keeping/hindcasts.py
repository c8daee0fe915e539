"""Hindcasts as jobs: one at a time, in processes of their own, beside the refreshes and not in their way.

What judges the seasons is passed in: it stands on this package, not under it. Seasons that are done are kept in a
folder of the job, on the machine that runs it, until it ends: where its runner is killed or stopped, whoever takes the
job over on the same machine goes on from them, as long as the weather and the parameters are still the same.
"""

from __future__ import annotations

import logging
import shutil
import time
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Protocol

from matewindow.errors import BusyError, InputError, UnavailableError
from matewindow.keeping import siterecords
from matewindow.keeping.jobs import HINDCAST, Ended, StoppedError, run_next
from matewindow.keeping.refresh import CancelledError
from matewindow.register.life import site_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date
    from pathlib import Path

    from matewindow.keeping.jobs import Jobs, OnStep
    from matewindow.keeping.refresh import Guard
    from matewindow.keeping.siterecords import MadeRecord
    from matewindow.keeping.weather import PastRuns, WeatherDesk
    from matewindow.learning.artefacts import InUse
    from matewindow.learning.inuse import Models
    from matewindow.register.register import Register
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

_log = logging.getLogger(__name__)
LEFT_BEHIND_S = 7 * 86400.0
"""Seasons of a job that nobody has gone on with for so long are dropped. [s]"""


@dataclass(frozen=True)
class Wanted:
    """What a record is made from.

    Attributes:
        site: as it is now.
        past: its past years as they are held.
        runs: its stored forecasts.
        using: parameters and models in use, with its thresholds.
        asked: season bounds, by ``siterecords.BOUNDS``.
        made_on: civil day of the site.
        keep: folder for seasons that are done; None keeps none.
    """

    site: Site
    past: SiteWeather | None
    runs: PastRuns
    using: InUse
    asked: Mapping[str, Any]
    made_on: date
    keep: Path | None


class Maker(Protocol):
    """Makes a record; tells of every season, and asks every second or so whether it is still wanted.

    Raises:
        RequestError: the site's weather covers too few seasons.
    """

    def __call__(self, wanted: Wanted, on_season: OnStep, still: Callable[[], None]) -> MadeRecord:
        """Make one; what the two calls raise breaks it off."""


class Hindcasts:
    """Runs the hindcasts that were asked for.

    Args:
        register: has the sites, and takes the records.
        desk: the weather.
        models: parameters in use.
        jobs: on record.
        make: makes a record.
        keep: folder for seasons that are done, also of other registers; None keeps none.
    """

    def __init__(
        self,
        register: Register,
        desk: WeatherDesk,
        models: Models,
        jobs: Jobs,
        make: Maker,
        keep: Path | None = None,
    ) -> None:
        self._register, self._desk, self._models, self._jobs = register, desk, models, jobs
        self._make, self._keep = make, keep

    def any_ready(self) -> bool:
        """Whether one waits, or was left behind by a runner that is gone."""
        return self._jobs.any_ready(HINDCAST)

    def run_one(self, holder: str, stopping: Callable[[], bool] = lambda: False) -> bool:
        """Run the next one, if there is one; whether there was.

        Args:
            holder: who runs it.
            stopping: whether this process is about to end; then the job waits again, for another one.
        """

        def work(job: Mapping[str, Any], step: OnStep, guard: Guard) -> Ended:
            def still() -> None:
                if stopping():
                    raise StoppedError
                with self._register.database.read() as connection:
                    guard(connection)

            def on_season(done: int, wanted: int) -> None:
                if stopping():
                    raise StoppedError
                step(done, wanted)

            return self._run(job, on_season, still, guard)

        return run_next(self._jobs, holder, HINDCAST, work)

    def _run(
        self,
        job: Mapping[str, Any],
        on_season: OnStep,
        still: Callable[[], None],
        guard: Guard,
    ) -> Ended:
        site_id, asked = job["site_id"], siterecords.bounds_of(job["asked"])
        row = self._register.get("site", site_id)
        site = site_of(row)
        keep = self._room(job["id"])
        try:
            held = self._desk.held(site_id, site)
            runs, using = self._desk.past_runs(site_id, held), self._models.at(site)
            today = self._register.now().astimezone(site.zone).date()
            wanted = Wanted(site, held.sources.past, runs, using, asked, today, keep)
            made = self._make(wanted, on_season, still)
            with self._register.database.write() as connection:
                guard(connection)
                siterecords.put(connection, site_id, row["version"], asked, made, self._register.now())
        except (StoppedError, BusyError, UnavailableError):  # it will be gone on with
            raise
        except CancelledError:
            if self._jobs.get(job["id"])["cancel_asked"]:  # else another runner goes on from what is there
                self._drop(keep)
            raise
        except Exception as fault:
            self._drop(keep)
            if isinstance(fault, InputError):
                return Ended("failed", _said(fault))
            raise
        self._drop(keep)
        return Ended("done", made.said)

    # --- seasons that are done ------------------------------------------------------------------------------------

    def _room(self, job_id: str) -> Path | None:
        """The folder of a job; None where none can be made: then it is begun anew whenever it is broken off."""
        if self._keep is None:
            return None
        folder = self._keep / job_id
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for other in self._keep.iterdir():
                if other != folder and time.time() - other.stat().st_mtime > LEFT_BEHIND_S:
                    self._drop(other)
        except OSError as fault:
            _log.warning("seasons of a hindcast are not kept: %s", fault)
            return None
        return folder

    @staticmethod
    def _drop(folder: Path | None) -> None:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)


def _said(fault: InputError) -> str:
    """An error in words, with no more of a file than its name: where it lies is nobody's business."""
    where = PurePath(fault.where).name if "/" in fault.where else fault.where
    return str(type(fault)(fault.what, where=where, fix=fault.fix))
