"""The errors that a user can meet, and nothing else.

::

    MatewindowError
    ├── InputError            what was given cannot be used; the text says what, where and what to do
    │   ├── SiteFileError     a site file
    │   ├── ParameterError    the name or value of a biology parameter or flight threshold
    │   ├── WeatherFileError  a weather file: names the file, the column and the row
    │   └── RequestError      a date, count or option that makes no sense for this site and weather
    ├── SourceError           a weather source gave nothing that can be used: which, why, from when to ask again
    └── StoreError            the store of fetched weather on this machine cannot be read or written

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
