"""The errors that a user can meet, and nothing else.

::

    MatewindowError
    ├── InputError            what was given cannot be used; the text says what, where and what to do
    │   ├── SiteFileError     a site file
    │   ├── ParameterError    the name or value of a biology parameter or flight threshold
    │   ├── WeatherFileError  a weather file: names the file, the column and the row
    │   ├── RequestError      a date, count or option that makes no sense for this site and weather
    │   ├── RefusedError      a record that cannot be: all that is wrong with it, by field
    │   └── OutboundRefusedError  an address to call that is malformed or leads where the program must not go
    ├── OutboundFailedError   an address that may be called gave no whole answer: which host and why
    ├── SourceError           a weather source gave nothing that can be used: which, why, from when to ask again
    ├── StoreError            the store of fetched weather on this machine cannot be read or written
    └── RegisterError         the register did not do what was asked
        ├── NotThereError     no such site, batch, ... in it
        │   └── UnknownReferenceError  a record names another one that is not there: by which field
        ├── ConflictError     somebody else has changed it meanwhile, or other records stand on it
        ├── BusyError         another process is writing: try again soon
        └── UnavailableError  the database cannot be reached, read or written

The command line turns every ``MatewindowError`` into one message and exit code 2; the service will turn it into
a problem response. Anything else that is raised is a fault of ours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


class MatewindowError(Exception):
    """Base of all errors that are meant for a person to read."""


class InputError(MatewindowError):
    """Something given by the user cannot be used.

    Args:
        what: what is wrong, with the offending value.
        where: file, column, row or option it was found in.
        fix: what to do instead, as a full sentence.
    """

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        self.what = what
        self.where = where
        self.fix = fix
        text = f"{where}: {what}" if where else what
        text = text if text.endswith((".", "!", "?")) else text + "."
        super().__init__(f"{text} {fix}".strip())


class SiteFileError(InputError):
    """A site file is missing, malformed or describes an impossible place."""


class ParameterError(InputError):
    """A parameter name is unknown or its value lies outside the range that the literature supports."""


class WeatherFileError(InputError):
    """A weather file is missing, malformed, in the wrong units or for another place."""


class RequestError(InputError):
    """What was asked for cannot be answered with this site and this weather."""


class RefusedError(InputError):
    """A record that cannot be: all that is wrong with it.

    Args:
        refusals: field, what is wrong, and what to do instead (may be empty), for each.
    """

    def __init__(self, refusals: list[tuple[str, str, str]]) -> None:
        self.refusals = refusals
        field, what, fix = refusals[0]
        more = len(refusals) - 1
        rest = (
            ""
            if not more
            else f" (and {more} more thing{'' if more == 1 else 's'}: "
            + "; ".join(f"{f}: {w}" for f, w, _ in refusals[1:4])
            + ("…)" if more > 3 else ")")
        )
        super().__init__(what + rest, where=field, fix=fix)


class OutboundRefusedError(InputError):
    """An address that someone gave to be called is malformed or leads where the program must not go.

    Nothing has been sent. The text names the host as it was given, and neither the path, which may hold a secret, nor
    what the name resolves to, which would tell a stranger about the network inside.
    """


class OutboundFailedError(MatewindowError):
    """An address that may be called could not be reached, or gave no whole answer within the limits.

    Args:
        host: as it was given; path and query, which may hold a secret, stay out.
        reason: what happened, without a full stop.
    """

    def __init__(self, host: str, reason: str) -> None:
        self.host = host
        self.reason = reason
        super().__init__(f"{host}: {reason}.")


class SourceError(MatewindowError):
    """A weather source could not be asked, or gave nothing that can be used.

    The text never holds a key or a password: whoever raises this writes the reason in words of our own.

    Args:
        source: name of the source as people know it.
        reason: what happened, without a full stop.
        retry_after: aware UTC time before which the source is not asked again, if that is known.
    """

    def __init__(self, source: str, reason: str, *, retry_after: datetime | None = None) -> None:
        self.source = source
        self.reason = reason
        self.retry_after = retry_after
        text = f"{source} gave no weather: {reason}."
        if retry_after is not None:
            text += f" It will be asked again from {retry_after:%Y-%m-%d %H:%M} UTC on."
        super().__init__(text)


class StoreError(MatewindowError):
    """The store of fetched weather cannot be read or written.

    Args:
        what: what went wrong.
        where: the file or folder.
        fix: what to do, as a full sentence.
    """

    def __init__(self, what: str, *, where: str, fix: str) -> None:
        self.what = what
        self.where = where
        self.fix = fix
        super().__init__(f"{where}: {what}. {fix}")


class RegisterError(MatewindowError):
    """The register did not do what was asked; nothing of it was written.

    Args:
        what: what went wrong.
        fix: what to do, as a full sentence.
    """

    def __init__(self, what: str, *, fix: str = "") -> None:
        self.what = what
        self.fix = fix
        text = what if what.endswith((".", "!", "?")) else what + "."
        super().__init__(f"{text} {fix}".strip())


class NotThereError(RegisterError):
    """There is no such thing in the register, or it was deleted."""


class UnknownReferenceError(NotThereError):
    """What was given names a thing that is not in the register, or was deleted.

    Args:
        what: what is missing.
        field: that names it, such as ``site_id``.
        fix: what to do, as a full sentence.
    """

    def __init__(self, what: str, *, field: str, fix: str = "") -> None:
        self.field = field
        super().__init__(what, fix=fix)


class ConflictError(RegisterError):
    """Somebody else has changed the thing meanwhile, or other records stand on it."""


class StaleError(ConflictError):
    """The change was made to another version than the one that is stored."""


class BusyError(RegisterError):
    """Another process is writing to the register and did not finish in time."""


class UnavailableError(RegisterError):
    """The database cannot be reached, read or written; ``full`` tells a full disk."""

    def __init__(self, what: str, *, fix: str = "", full: bool = False) -> None:
        self.full = full
        super().__init__(what, fix=fix)
