"""Reading files and answers: what the readers of all sources have in common.

Everything raises ``WeatherFileError`` and nothing else, whatever stands in a file.
"""

from __future__ import annotations

import json
import re
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather.normal import REQUIRED, VARIABLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

AGAIN = "Fetch it again."

_TIME = re.compile(r"(\d{4})-\d\d-\d\dT\d\d:\d\d:\d\d(?:Z|[+-]\d\d:\d\d)", re.ASCII)
_YEARS = (1900, 2200)


# --- files ---------------------------------------------------------------------------------------------


def read_bytes(path: str | Path) -> bytes:
    """Read a whole weather file.

    Raises:
        WeatherFileError: the file is absent, no file or unreadable.
    """
    try:
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise WeatherFileError("there is no such file", where=str(path), fix="Check the name and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise WeatherFileError(
            f"it cannot be read ({reason})", where=str(path), fix="Give a file that can be opened."
        ) from None


def read_text(path: str | Path, *, encodings: Sequence[str] = ("utf-8-sig",)) -> str:
    """Read a whole weather file as text.

    Args:
        path: the file.
        encodings: tried in this order.

    Raises:
        WeatherFileError: the file is absent, no file, unreadable, or in none of the encodings.
    """
    raw = read_bytes(path)
    for encoding in encodings:
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise WeatherFileError(
        "it is no UTF-8 text", where=str(path), fix="Fetch it again, or save it as plain text in UTF-8."
    )


# --- errors --------------------------------------------------------------------------------------------


def fault(what: str, where: str, fix: str = AGAIN) -> WeatherFileError:
    """An error on an answer that is not as it should be."""
    return WeatherFileError(what, where=where, fix=fix)


def impossible(value: str, name: str, where: str, fix: str = AGAIN) -> WeatherFileError:
    """An error on a value that no weather can have, for a column of the normal form."""
    variable = VARIABLES[name]
    limits = f"{variable.low:g} to {variable.high:g} {variable.unit}"
    return fault(f"{value[:60]} is impossible (allowed {limits})", where, fix)


def shown(value: object) -> str:
    """A JSON value in few words, for an error."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:40]}…"


# --- values --------------------------------------------------------------------------------------------


def first_impossible(name: str, values: Floats) -> int | None:
    """Index of the first value that no weather can have, or None. NaN is missing, hence possible.

    Readers ask before they average the two ends of an hour, so that the error can name the row of the file.

    Args:
        name: column of the normal form.
        values: in its unit, shape (n,).
    """
    variable = VARIABLES[name]
    low = -20.0 if name == "ghi_wm2" else variable.low  # night offsets of pyranometers, clipped in make_weather
    wrong = np.flatnonzero((values < low) | (values > variable.high))
    return int(wrong[0]) if len(wrong) else None


def is_number(value: object) -> bool:
    """Whether a JSON value is a number: True and False are integers to Python, but none here."""
    return type(value) in (int, float)


def number(value: object, where: str) -> float:
    """Give a JSON number as float, NaN for null.

    Raises:
        WeatherFileError: it is no number.
    """
    if value is None:
        return np.nan
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            raise fault("it is a number of hundreds of digits", where) from None
    raise fault(f"{shown(value)} is no number", where)


def moment(text: object, where: str) -> datetime:
    """Give a time like 2026-06-01T12:00:00Z (or with an offset for the Z) as aware datetime, UTC.

    Raises:
        WeatherFileError: another form, no such date, or none of these centuries.
    """
    form = _TIME.fullmatch(text) if isinstance(text, str) else None
    if isinstance(text, str) and form and _YEARS[0] <= int(form[1]) < _YEARS[1]:
        with suppress(ValueError):
            return datetime.fromisoformat(text).astimezone(UTC)
    raise fault(f"{shown(text)} is no time like 2026-06-01T12:00:00Z", where)


# --- JSON ----------------------------------------------------------------------------------------------


def json_document(text: str, where: str) -> object:
    """Read the JSON that an answer consists of.

    Raises:
        WeatherFileError: nothing, a web page, or broken JSON.
    """
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise fault("it is empty", where)
    if text.lstrip().startswith("<"):
        raise fault("it is a web page, not weather data", where, f"{AGAIN} The service may be down.")
    try:
        document: object = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        what = f"it is no whole JSON document ({str(error).rstrip('.')})"
        raise fault(what, where, f"{AGAIN} The download may have broken off.") from None
    return document


def json_object(text: str, where: str) -> dict[str, Any]:
    """Read the JSON object that an answer consists of.

    Raises:
        WeatherFileError: nothing, a web page, broken JSON, or JSON that is no object.
    """
    answer = json_document(text, where)
    if not isinstance(answer, dict):
        raise fault("it is JSON, but no answer of the service", where)
    return answer


def block(inside: dict[str, Any], name: str, where: str, fix: str = AGAIN) -> dict[str, Any]:
    """Give an object inside another one.

    Raises:
        WeatherFileError: there is none of that name.
    """
    found = inside.get(name)
    if not isinstance(found, dict):
        raise fault(f'there is no "{name}" block in it', where, fix)
    return found


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number; a missing value is null")


# --- hours ---------------------------------------------------------------------------------------------


def trimmed(hours: Times, records: dict[str, Floats], where: str) -> tuple[Times, dict[str, Floats]]:
    """Cut off hours at both ends that lack temperature or wind in every member.

    Args:
        hours: starts of the hours, shape (n_hours,).
        records: column of the normal form -> values, shape (n_members, n_hours).
        where: what is read, for the error.

    Raises:
        WeatherFileError: no hour has both.
    """
    known = [np.isfinite(records[name]).any(axis=0) for name in REQUIRED]
    usable = np.flatnonzero(np.logical_and.reduce(known))
    if len(usable) == 0:
        raise fault("no hour in it has both temperature and wind", where)
    kept = slice(usable[0], usable[-1] + 1)
    return hours[kept], {name: values[..., kept] for name, values in records.items()}
