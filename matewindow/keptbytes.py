"""Arrays and a head as bytes that tell whether they are whole: NumPy's ``.npz`` without pickle, then its SHA-256.

What is kept of weather between refreshes is written so (``keptpast``, ``keeping.packing``). Numbers come back exactly.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from contextlib import contextmanager
from dataclasses import fields
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.weather.entries import DamagedError
from matewindow.weather.normal import Provenance

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

HOURLY = ("temp_c", "wind_ms", "rain_mm", "ghi_wm2")
"""The hourly arrays of ``siteweather.SiteWeather``."""
_HEAD = "head"
_HASH_BYTES = hashlib.sha256().digest_size
_TIMES = ("run_time", "fetched_at")


def sealed(head: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """Pack arrays.

    Args:
        head: what else is to be kept with them, JSON-able.
        arrays: by name; none of them is called ``head``.
    """
    made = io.BytesIO()
    text = json.dumps(dict(head), allow_nan=False).encode()
    given: dict[str, Any] = {_HEAD: np.frombuffer(text, dtype=np.uint8), **arrays}
    np.savez_compressed(made, **given)
    data = made.getvalue()
    return data + hashlib.sha256(data).digest()


@contextmanager
def opened(data: bytes) -> Iterator[tuple[dict[str, Any], dict[str, NDArray[Any]]]]:
    """Unpack the head and the arrays; what does not fit together inside of the block is damage too.

    Raises:
        DamagedError: the bytes are not what was packed.
    """
    if hashlib.sha256(data[:-_HASH_BYTES]).digest() != data[-_HASH_BYTES:]:
        raise DamagedError("the hash does not fit")
    try:
        with np.load(io.BytesIO(data[:-_HASH_BYTES]), allow_pickle=False) as packed:
            arrays = {name: packed[name] for name in packed.files}
        yield json.loads(arrays.pop(_HEAD).tobytes()), arrays
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile) as error:
        raise DamagedError(f"it is no kept weather ({type(error).__name__})") from None


def provenance_as_data(provenance: Provenance) -> dict[str, Any]:
    """For a head."""
    return {f.name: _plain(getattr(provenance, f.name)) for f in fields(Provenance)}


def provenance_of(data: Mapping[str, Any]) -> Provenance:
    """From a head."""
    times = {name: datetime.fromisoformat(data[name]) for name in _TIMES if data[name] is not None}
    return Provenance(**{**data, **times, "notes": tuple(data["notes"])})


def _plain(value: Any) -> Any:  # noqa: ANN401  whatever a provenance holds
    return value.isoformat() if isinstance(value, datetime) else value
