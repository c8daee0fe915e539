"""Whether a source may be called now: the weighted budget of Open-Meteo, and cool-downs of any source.

Both are shared by all processes of this machine that use one store folder, in one SQLite file. Every change is one
transaction, so a process that is killed leaves either none of it or all of it.

Open-Meteo (its pricing page and server code, 2026) allows 600 calls a minute, 5,000 an hour and 10,000 a day for
each address, counted from the full minute, the full hour and 00:00 UTC. A call for one place weighs
``max(1, V/10, V/10 · days/14)``, V being variables x members x models. A call is entered before it is made, with
its full weight. If the source refuses it, the entry is lowered to 1, which is what the service then counts; if the
process dies, the entry stays: the service may have counted it. There is no counter to reset or to repair: what is
used is the sum over the entries since the period began.

A cool-down: a source that answers 429, or whose requests fail three times in a row, is left alone for a while.
"""

from __future__ import annotations

import logging
import sqlite3
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, StoreError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

_log = logging.getLogger(__name__)

_DAY_S = 86400.0
_BUSY_S = 10.0
_TABLES = """
create table if not exists call (id integer primary key autoincrement, at_s real not null, weight real not null);
create index if not exists call_at on call (at_s);
create table if not exists cooldown
    (name text primary key, failures integer not null, failed_s real not null, until_s real not null,
     reason text not null);
"""


@dataclass(frozen=True)
class Period:
    """A period over which calls are counted, and how many it allows."""

    name: str
    length_s: float
    limit: float


OPEN_METEO_PERIODS = (
    Period("minute", 60.0, 600.0),
    Period("hour", 3600.0, 5000.0),
    Period("day", _DAY_S, 10000.0),
)


@dataclass(frozen=True)
class PeriodState:
    """What is used of one period, in weighted calls, and when the next one begins (UTC)."""

    name: str
    used: float
    limit: float
    resets_at: datetime


@dataclass(frozen=True)
class Rest:
    """A source is left alone until then (UTC), for this reason."""

    until: datetime
    reason: str


def open_meteo_weight(variables: int, *, days: float, members: int = 1, models: int = 1, locations: int = 1) -> float:
    """Weight of a call in units of the budget.

    Args:
        variables: number of hourly variables.
        days: days from the first to the last hour, all ranges together. [d]
        members: members of the ensemble, the control included.
        models: number of models.
        locations: number of places.

    Source:
        Open-Meteo pricing page and server code: ``max(1, V/10, V/10 · days/14)`` a place.
    """
    tens = variables * members * models / 10.0
    return locations * max(1.0, tens, tens * days / 14.0)


class Ledger:
    """The SQLite file behind budgets and cool-downs.

    Args:
        folder: folder of the weather store; it must exist.
        now: clock, aware UTC.
    """

    def __init__(self, folder: Path, *, now: Callable[[], datetime]) -> None:
        self.path = folder / "calls.sqlite"
        self._now = now

    def now_s(self) -> float:
        """Seconds since 1970."""
        return self._now().timestamp()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A connection inside one immediate transaction: committed at the end, undone on an error.

        Raises:
            StoreError: the file cannot be used. A damaged one is set aside, and counting begins anew.
        """
        connection = self._open()
        try:
            connection.execute("begin immediate")
            yield connection
            connection.execute("commit")
        except sqlite3.OperationalError as error:
            raise self._unusable(error) from None
        except sqlite3.DatabaseError as error:
            connection.close()
            self._set_aside(error)
            raise self._unusable(error) from None
        finally:
            connection.close()  # undoes what was not committed

    def _open(self) -> sqlite3.Connection:
        try:
            try:
                return self._connected()
            except sqlite3.OperationalError:
                raise
            except sqlite3.DatabaseError as error:  # "file is not a database", "disk image is malformed"
                self._set_aside(error)
                return self._connected()
        except sqlite3.Error as error:
            raise self._unusable(error) from None

    def _connected(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
        try:
            connection.execute("pragma synchronous = full")
            connection.executescript(_TABLES)
        except sqlite3.Error:
            connection.close()
            raise
        return connection

    def _set_aside(self, error: sqlite3.Error) -> None:
        """Move a damaged file away, with its journal, which must not be played into the new file."""
        aside = self.path.with_name(f"calls.damaged-{self._now():%Y%m%dT%H%M%SZ}.sqlite")
        _log.warning("%s is damaged (%s): set aside as %s, counting begins anew", self.path, error, aside.name)
        for suffix in ("-journal", ""):
            with suppress(FileNotFoundError):  # another process was faster
                self.path.with_name(self.path.name + suffix).replace(aside.with_name(aside.name + suffix))

    def _unusable(self, error: sqlite3.Error) -> StoreError:
        fix = "See whether the disk is full or read-only; the file may be deleted, only the count of calls is lost."
        return StoreError(f"the count of calls cannot be kept ({error})", where=str(self.path), fix=fix)


class Budget:
    """Weighted calls to Open-Meteo, counted over the machine.

    Args:
        ledger: the file they are counted in.
        periods: how many each period allows.
    """

    def __init__(self, ledger: Ledger, periods: tuple[Period, ...] = OPEN_METEO_PERIODS) -> None:
        self._ledger = ledger
        self._periods = periods

    def reserve(self, weight: float) -> int:
        """Enter a call before it is made.

        Args:
            weight: from ``open_meteo_weight``.

        Returns:
            The number of the entry, for ``settle``.

        Raises:
            SourceError: a period has no room left; it says when there is. Or no period ever has so much room.
            StoreError: the count cannot be kept.
        """
        smallest = min(self._periods, key=lambda p: p.limit)
        if weight > smallest.limit:
            raise SourceError(
                "Open-Meteo",
                f"the request weighs {weight:.0f} calls and only {smallest.limit:.0f} are free in a {smallest.name}; "
                "ask for fewer years, members or variables at a time",
            )
        with self._ledger.transaction() as connection:
            now_s = self._forget(connection)
            full = [p for p in self._periods if self._used(connection, p, now_s) + weight > p.limit + 1e-9]
            if not full:
                row = connection.execute("insert into call (at_s, weight) values (?, ?)", (now_s, weight))
                assert row.lastrowid is not None
                return row.lastrowid
            longest = max(full, key=lambda p: p.length_s)
        raise SourceError(
            "Open-Meteo",
            f"this request weighs {weight:.0f} calls, and so many are not left of the {longest.limit:.0f} that are "
            f"free in a {longest.name}",
            retry_after=_end(longest, now_s),
        )

    def settle(self, number: int, weight: float) -> None:
        """Set what an entered call really cost. Doing it twice, or for a forgotten entry, changes nothing more."""
        with self._ledger.transaction() as connection:
            connection.execute("update call set weight = ? where id = ?", (weight, number))

    def state(self) -> tuple[PeriodState, ...]:
        """What is used of each period, shortest first."""
        with self._ledger.transaction() as connection:
            now_s = self._ledger.now_s()
            return tuple(
                PeriodState(p.name, self._used(connection, p, now_s), p.limit, _end(p, now_s)) for p in self._periods
            )

    def _forget(self, connection: sqlite3.Connection) -> float:
        """Drop entries that count no longer, or that were made while the clock was a day or more ahead."""
        now_s = self._ledger.now_s()
        longest = max(self._periods, key=lambda p: p.length_s)
        since_s = now_s - now_s % longest.length_s
        connection.execute("delete from call where at_s < ? or at_s > ?", (since_s, now_s + _DAY_S))
        return now_s

    @staticmethod
    def _used(connection: sqlite3.Connection, period: Period, now_s: float) -> float:
        """Entries since the period began. Those ahead of a clock that was set back count too: better too many."""
        bounds = (now_s - now_s % period.length_s, now_s + _DAY_S)
        row = connection.execute("select total(weight) from call where at_s >= ? and at_s <= ?", bounds).fetchone()
        return float(row[0])


def _end(period: Period, now_s: float) -> datetime:
    return datetime.fromtimestamp(now_s - now_s % period.length_s + period.length_s, UTC)


class CoolDowns:
    """Which sources are left alone, and until when.

    Args:
        ledger: the file it is kept in.
    """

    AFTER = 3
    """Requests that fail in a row before a source is left alone."""
    FIRST = timedelta(minutes=1)
    """Length of the first rest; each further failure doubles it."""
    LONGEST = timedelta(hours=24)
    """No rest is longer, whatever a source asks for."""
    FORGOTTEN = timedelta(hours=6)
    """Failures so long ago are no row any more."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def resting(self, *names: str) -> Rest | None:
        """The longest rest in force for any of these names, if there is one.

        A rest that ends later than the longest possible was written under a wrong clock and does not count.
        """
        with self._ledger.transaction() as connection:
            now_s = self._ledger.now_s()
            marks = ",".join("?" * len(names))
            row = connection.execute(
                f"select until_s, reason from cooldown where name in ({marks}) and until_s > ? and until_s <= ? "  # noqa: S608 - only question marks
                "order by until_s desc",
                (*names, now_s, now_s + self.LONGEST.total_seconds()),
            ).fetchone()
        return None if row is None else Rest(datetime.fromtimestamp(row[0], UTC), row[1])

    def rest(self, name: str, length: timedelta, reason: str) -> Rest:
        """Leave a source alone from now on, at least so long as it is already."""
        with self._ledger.transaction() as connection:
            return self._write(connection, name, self._failures(connection, name) + 1, length, reason)

    def failed(self, name: str, reason: str, *, longest: timedelta) -> Rest | None:
        """Count a failed request; from the third in a row on the source rests, one minute at first.

        Args:
            name: of the source or the host.
            reason: kept and shown, so free of secrets.
            longest: the rest does not grow beyond this.
        """
        with self._ledger.transaction() as connection:
            failures = self._failures(connection, name) + 1
            doublings = min(failures - self.AFTER, 30)
            length = min(self.FIRST * 2**doublings, longest) if doublings >= 0 else timedelta(0)
            rest = self._write(connection, name, failures, length, reason)
        return rest if length else None

    def succeeded(self, name: str) -> None:
        """Forget the failures of a source: it answered."""
        with self._ledger.transaction() as connection:
            connection.execute("delete from cooldown where name = ?", (name,))

    def _failures(self, connection: sqlite3.Connection, name: str) -> int:
        oldest_s = self._ledger.now_s() - self.FORGOTTEN.total_seconds()
        row = connection.execute(
            "select failures from cooldown where name = ? and max(failed_s, until_s) >= ?", (name, oldest_s)
        ).fetchone()
        return 0 if row is None else int(row[0])

    def _write(self, connection: sqlite3.Connection, name: str, failures: int, length: timedelta, reason: str) -> Rest:
        now_s = self._ledger.now_s()
        latest_s = now_s + self.LONGEST.total_seconds()
        row = connection.execute("select until_s from cooldown where name = ?", (name,)).fetchone()
        already_s = row[0] if row is not None and row[0] <= latest_s else 0.0
        until_s = max(already_s, min(now_s + length.total_seconds(), latest_s))
        connection.execute(
            "insert or replace into cooldown (name, failures, failed_s, until_s, reason) values (?, ?, ?, ?, ?)",
            (name, failures, now_s, until_s, reason),
        )
        return Rest(datetime.fromtimestamp(until_s, UTC), reason)
