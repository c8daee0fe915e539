"""Weather in normal form as a file: NumPy's ``.npz`` with the provenance as JSON inside, no pickle.

Arrays: ``first_hour`` (seconds since 1970, UTC) and one float64 array (n_members, n_hours) a variable, NaN where
missing. The numbers come back exactly.
"""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import fields
from datetime import datetime
from typing import Any

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather.entries import DamagedError, sha256
from matewindow.weather.normal import HOUR, VARIABLES, Provenance, Weather, make_weather

_TIMES = frozenset({"run_time", "fetched_at"})


def to_bytes(weather: Weather) -> bytes:
    """Pack weather in normal form.

    Raises:
        WeatherFileError: it would not pass the checks of the normal form when it is read back.
    """
    columns: dict[str, Any] = {name: v for name in VARIABLES if (v := weather.values(name)) is not None}
    make_weather(weather.times, columns, weather.provenance)
    first = weather.times[0].astype("datetime64[s]").astype(np.int64)
    text = json.dumps({f.name: _plain(getattr(weather.provenance, f.name)) for f in fields(Provenance)})
    provenance = np.frombuffer(text.encode(), dtype=np.uint8)
    packed = io.BytesIO()
    np.savez_compressed(packed, first_hour=first, provenance=provenance, **columns)
    return packed.getvalue()


def from_bytes(data: bytes, *, sha256_start: str) -> Weather:
    """Unpack weather in normal form.

    Args:
        data: from ``to_bytes``.
        sha256_start: beginning of the hash that the data must have, in hex.

    Raises:
        DamagedError: the hash does not fit, or it is no such file.
    """
    if not sha256_start or not sha256(data).startswith(sha256_start):
        raise DamagedError("the hash does not fit")
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            columns = {name: arrays[name] for name in VARIABLES if name in arrays}
            provenance = _provenance(json.loads(arrays["provenance"].tobytes()))
            first = arrays["first_hour"].astype("datetime64[s]")
        n_hours = next(iter(columns.values())).shape[-1]
        return make_weather(first + np.arange(n_hours) * HOUR, columns, provenance)
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile, StopIteration) as error:
        raise DamagedError(f"it is no weather in normal form ({type(error).__name__})") from None
    except WeatherFileError as error:
        raise DamagedError(str(error)) from None


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever a provenance holds
    return value.isoformat() if isinstance(value, datetime) else value


def _provenance(values: dict[str, Any]) -> Provenance:
    for name in _TIMES:
        if values[name] is not None:
            values[name] = datetime.fromisoformat(values[name])
    values["notes"] = tuple(values["notes"])
    return Provenance(**values)
