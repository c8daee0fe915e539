"""A lease: one process at a time does a thing, and another takes over when that one is gone.

The holder renews it while it lives. A process that was stopped for longer than the lease, or whose clock ran away,
finds it taken when it goes on: whatever it is about to write is held against the lease within the same transaction
(``check``), so that nothing is ever written by two.
"""

from __future__ import annotations

import os
import socket
from datetime import timedelta
from typing import TYPE_CHECKING
from uuid import uuid4

import sqlalchemy as sa

from matewindow.errors import ConflictError
from matewindow.register.tables import leases

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.register.database import Database

LASTS = timedelta(seconds=90)


class LostError(ConflictError):
    """Another process does it now."""


def this_process() -> str:
    """A name for this process that no other has."""
    return f"{socket.gethostname()}:{os.getpid()}:{uuid4().hex[:8]}"


class Lease:
    """The lease of a name.

    Args:
        database: of the register.
        name: what it is for.
        holder: who asks (``this_process``).
        clock: gives the present, aware. A clock that is set forward may hand the lease over early, one that is set
            back is found out when the lease reaches further ahead than any could; in between it waits.
        lasts: how long it holds without being renewed.
    """

    def __init__(
        self, database: Database, name: str, holder: str, clock: Callable[[], datetime], lasts: timedelta = LASTS
    ) -> None:
        self._database, self._name, self._holder, self._clock = database, name, holder, clock
        self.lasts = lasts

    def take(self) -> bool:
        """Take or renew it; whether it is ours now."""
        now = self._clock()
        values = {"holder": self._holder, "until": now + self.lasts, "renewed_at": now}
        free = sa.or_(leases.c.holder == self._holder, leases.c.until <= now, leases.c.until > now + 2 * self.lasts)
        own = leases.c.name == self._name
        with self._database.write() as connection:
            if connection.execute(leases.update().where(own, free).values(values)).rowcount == 1:
                return True
            if connection.execute(sa.select(leases.c.name).where(own)).first() is not None:
                return False
            connection.execute(leases.insert().values(name=self._name, **values))
        return True

    def check(self, connection: sa.Connection) -> None:
        """Within a transaction that is about to write: nobody else has taken it.

        Raises:
            LostError: somebody has.
        """
        own = sa.and_(leases.c.name == self._name, leases.c.holder == self._holder)
        if connection.execute(sa.select(leases.c.name).where(own)).first() is None:
            raise LostError(f"another process does the work of the lease {self._name!r} now")

    def give_back(self) -> None:
        """Let others have it at once; nobody has it then."""
        own = sa.and_(leases.c.name == self._name, leases.c.holder == self._holder)
        with self._database.write() as connection:
            connection.execute(leases.delete().where(own))
