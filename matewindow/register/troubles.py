"""What a database says went wrong, as an error for a person: told by the driver's codes, never by its wording."""

from __future__ import annotations

import sqlite3

import sqlalchemy as sa

from matewindow.errors import BusyError, ConflictError, UnavailableError

_SQLITE_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_SQLITE_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_SQLITE_OUTSIDE = {
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_NOLFS,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_PROTOCOL,
}
"""Primary result codes for what the machine does to us; all others tell a fault of ours."""
_SQLITE_STANDS_IN_THE_WAY = {
    sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY,
    sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY,
    sqlite3.SQLITE_CONSTRAINT_UNIQUE,
}

_POSTGRES_BUSY = {"55P03", "40001", "40P01"}
"""Lock not available, serialisation failure, deadlock."""
_POSTGRES_FULL = {"53100"}
_POSTGRES_DAMAGED = {"XX001", "XX002"}
_POSTGRES_OUTSIDE = ("08", "25P03", "25006", "28", "3D", "53", "57", "58")
"""Beginnings of the states for a connection lost or refused, a server that stops, lacks something or only reads."""
_POSTGRES_STANDS_IN_THE_WAY = {"23503", "23505"}
"""Foreign key and unique key. Source of these codes: PostgreSQL 18 documentation, appendix A."""


def as_trouble(fault: sa.exc.DBAPIError, address: str) -> Exception:
    """An error for a person; the fault itself where it is one of ours.

    Args:
        fault: as SQLAlchemy raised it.
        address: where the register lies, without a password.
    """
    code = _Code(fault)
    if code.stands_in_the_way:
        return ConflictError("the register refused it: another record stands in the way")
    if code.busy:
        return busy()
    if code.full:
        return UnavailableError(
            "there is no room left for the register: the disk is full",
            fix="Free some space; nothing that was acknowledged is lost.",
            full=True,
        )
    if code.damaged:
        return damaged(address, first_line(str(fault.orig)))
    return _out_of_reach(code, fault, address) if code.readonly or code.outside else fault


def _out_of_reach(code: _Code, fault: sa.exc.DBAPIError, address: str) -> UnavailableError:
    if code.readonly:
        return UnavailableError(
            f"the register at {address} cannot be written by who runs this ({first_line(str(fault.orig))})",
            fix="Give the file and its folder to that user, or set MATEWINDOW_REGISTER to a file in another folder.",
        )
    return UnavailableError(
        f"the register at {address} cannot be used just now ({first_line(str(fault.orig))})",
        fix="It will be tried again with the next request; matewindow doctor says more.",
    )


def as_damage(fault: sa.exc.DBAPIError, address: str) -> Exception:
    """The same where the statement is known to be good: if it cannot be run, the tables are not what was made."""
    trouble = as_trouble(fault, address)
    return damaged(address, first_line(str(fault.orig))) if trouble is fault else trouble


def busy() -> BusyError:
    """Somebody else holds the write lock, or all connections are in use."""
    return BusyError("the register is in use by another process or request", fix="Try again in a few seconds.")


def damaged(address: str, how: str) -> UnavailableError:
    """What is stored is not what was written."""
    return UnavailableError(
        f"the register at {address} is damaged ({how})",
        fix="Leave it as it is and bring back the last backup with matewindow restore.",
    )


class _Code:
    """The driver's code of a fault, sorted."""

    def __init__(self, fault: sa.exc.DBAPIError) -> None:
        cause = fault.orig
        extended = getattr(cause, "sqlite_errorcode", None)
        if extended is not None or isinstance(cause, sqlite3.Error):
            primary = (extended or 0) & 0xFF
            self.stands_in_the_way = extended in _SQLITE_STANDS_IN_THE_WAY
            self.busy = primary in _SQLITE_BUSY
            self.full = primary == sqlite3.SQLITE_FULL
            # Python's own driver gives no code to a text that is no UTF-8 any more
            undecodable = extended is None and isinstance(cause, sqlite3.OperationalError)
            self.damaged = primary in _SQLITE_DAMAGED or undecodable
            self.readonly = primary == sqlite3.SQLITE_READONLY
            self.outside = primary in _SQLITE_OUTSIDE
        else:
            state = getattr(cause, "sqlstate", None) or ""
            self.stands_in_the_way = state in _POSTGRES_STANDS_IN_THE_WAY
            self.busy = state in _POSTGRES_BUSY
            self.full = state in _POSTGRES_FULL
            self.damaged = state in _POSTGRES_DAMAGED
            self.readonly = False
            # a connection that could not be made, or broke without a word, has no state
            unsaid = not state and isinstance(fault, (sa.exc.OperationalError, sa.exc.InterfaceError))
            self.outside = state.startswith(_POSTGRES_OUTSIDE) or fault.connection_invalidated or unsaid


def first_line(text: str) -> str:
    """The first line of a driver's message: what follows may name statements and values."""
    return text.splitlines()[0][:200] if text else "no reason given"
