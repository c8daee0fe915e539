"""What grows in the register by the service's own work, and what is dropped of it when.

- Issued outlooks are never dropped: what was said is held against what became of the queens. They are what grows most:
  5 kB each, up to eight a batch and day with live weather (one with each new forecast, while the batch is under way).
  The summary that warnings are judged by, another 7 kB, is only kept with the last outlook of a batch.
- Warnings are never dropped; there are few. One that still stands for a batch that was deleted or ended is closed.
- Jobs that ended are dropped after 30 days, and the oldest ones beyond a thousand.
- Dates in calendars are forgotten 500 days after the graft: no calendar shows them any more, and none can come back.
- Weather of sites that were deleted is dropped; that of the others, up to a megabyte a site, is replaced.
- So are hindcasts: the latest of each site and season bounds is kept, of six bounds at most (``siterecords``).
- Events and deliveries are the sender's to drop, answers to repeated requests the register's.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.keeping.issuing import close_batches
from matewindow.register.tables import batches, calendar_stamps, site_past, site_records, site_weather, sites, warnings
from matewindow.weather.store import WeatherStore

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.keeping.jobs import Jobs
    from matewindow.register.database import Database
    from matewindow.settings import Settings

DATES_KEPT_FOR = timedelta(days=500)
"""A season after the graft, and 400 days in which the number of changes must be remembered (``feeds.stamps``)."""


class Tidying:
    """Drops what is old.

    Args:
        database: of the register.
        jobs: on record.
        clock: gives the present, aware.
        settings: where the store of fetched weather lies; None = there is none.
    """

    def __init__(
        self, database: Database, jobs: Jobs, clock: Callable[[], datetime], settings: Settings | None = None
    ) -> None:
        self._database, self._jobs, self._clock, self._settings = database, jobs, clock, settings

    def __call__(self) -> None:
        """Drop all that is old, also in the store of weather where that is larger than it should be.

        Raises:
            RegisterError, StoreError: the register or the store cannot be written.
        """
        self._jobs.prune()
        old = sa.select(batches.c.id).where(batches.c.grafted_on < (self._clock() - DATES_KEPT_FOR).date())
        gone = sa.select(sites.c.id).where(sites.c.deleted_at.is_not(None))
        now = self._clock()
        with self._database.write() as connection:
            close_batches(connection, list(connection.execute(_warned_and_gone()).scalars()), now)
            connection.execute(calendar_stamps.delete().where(calendar_stamps.c.batch_id.in_(old)))
            for table in (site_weather, site_past, site_records):
                connection.execute(table.delete().where(table.c.site_id.in_(gone)))
        if self._settings is not None:
            WeatherStore.at_home(self._settings).sweep()


def _warned_and_gone() -> sa.Select[Any]:
    """Batches that are gone and of which a warning still stands: their site may be gone too, and is not refreshed."""
    gone = sa.or_(batches.c.deleted_at.is_not(None), batches.c.ended_on.is_not(None))
    standing = sa.and_(warnings.c.batch_id == batches.c.id, warnings.c.cleared_at.is_(None))
    return sa.select(batches.c.id).where(gone, sa.exists().where(standing)).order_by(batches.c.id)
