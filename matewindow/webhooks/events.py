"""What a webhook says: a JSON body with type, time and data, of fewer than 20,000 bytes.

The same event always gives the same bytes: keys of ``data`` in order of their code points, no spaces, UTF-8. They are
made once and stored, since what is signed must be what is sent.

Source:
    Standard Webhooks 1.0.0, "Payload structure", "Payload size" and "Event types"; RFC 8259 (JSON); RFC 7493, section
    2.2 (whole numbers that every reader keeps).
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import TYPE_CHECKING, Any

from matewindow.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

MAX_BYTES = 20_000
"""A body has fewer bytes than this."""
LEFT_OUT = "left_out"
"""Key of ``data`` that tells by how many entries each list, and by how many characters each text was shortened."""
_TYPE = re.compile(r"[A-Za-z0-9_]+(?:\.[A-Za-z0-9_]+)*")
_LARGEST_WHOLE = 2**53 - 1
_LONGEST_ID = 64


@dataclass(frozen=True)
class Event:
    """Something that happened.

    Args:
        type: dotted, such as ``batch.emerged``; says what ``data`` looks like.
        at: when it happened, aware; an attempt to tell of it has a time of its own.
        data: JSON-able; None is what is not known.

    Raises:
        ValueError: a type or value that the standard or JSON does not have. A fault of the program, not of a user.
    """

    type: str
    at: datetime
    data: dict[str, Any] = field(repr=False)

    def __post_init__(self) -> None:
        """Refuse what no reader could make sense of."""
        if not _TYPE.fullmatch(self.type):
            raise ValueError(f"{self.type!r} is no event type: identifiers of letters, digits and _ with dots between")
        if self.at.utcoffset() is None:
            raise ValueError(f"the time of {self.type} must be aware")
        _check(self.data, "data")


def body(event: Event, *, shorten: Sequence[str] = ()) -> bytes:
    """The bytes that tell of an event.

    An event that is too large loses entries from the end of the lists, or characters from the end of the texts, that
    are named in ``shorten``: as many as needed from the first, then from the second. ``data.left_out`` says how many
    of each are missing, so that a short list or text never passes for a whole one.

    Args:
        event: what happened.
        shorten: keys of ``data`` whose lists or texts may be shortened, the least important first.

    Raises:
        InputError: it is too large all the same.
        ValueError: there is no such list or text, or the event has a ``left_out`` of its own.
    """
    if shorten and LEFT_OUT in event.data:
        raise ValueError(f"{event.type} has data of its own under {LEFT_OUT!r}")
    whole = _bytes(event)
    for key in shorten:
        if len(whole) >= MAX_BYTES:
            event = _shortened(event, key)
            whole = _bytes(event)
    if len(whole) >= MAX_BYTES:
        raise InputError(
            f"the event takes {len(whole):,} bytes, and a message has fewer than {MAX_BYTES:,}",
            where=event.type,
            fix="Give ids in place of whole records, or shorten notes.",
        )
    return whole


def fitting_body(event: Event) -> bytes:
    """The bytes that tell of an event, whatever it holds: what there is no room for is left out, and told to be.

    Lists are shortened before texts, the larger before the smaller. Where that is not enough, ids and version are
    all that is told, and ``data.left_out.fields`` says how many fields are missing: who receives it can read the rest.
    """
    whole = _bytes(event)
    if len(whole) < MAX_BYTES:
        return whole
    large = sorted(event.data, key=lambda key: len(_encoded(event.data[key])), reverse=True)
    lists = [key for key in large if isinstance(event.data[key], list)]
    texts = [key for key in large if isinstance(event.data[key], str) and not _names(key)]
    try:
        return body(event, shorten=[] if LEFT_OUT in event.data else [*lists, *texts])
    except InputError:
        kept = {key: event.data[key] for key in large if _names(key) and len(_encoded(event.data[key])) <= _LONGEST_ID}
        return body(replace(event, data={**kept, LEFT_OUT: {"fields": len(event.data) - len(kept)}}))


def _names(key: str) -> bool:
    """Whether a field names a record or its version."""
    return key in {"id", "version"} or key.endswith("_id")


def _shortened(event: Event, key: str) -> Event:
    """The event with as much of one list or text as there is room for; nothing of it if there is no room at all."""
    entries = event.data.get(key)
    if not isinstance(entries, (list, str)):
        raise ValueError(f"{event.type} has no list or text {key!r} that could be shortened")  # noqa: TRY004 - a wrong name, mostly
    if not entries:
        return event
    fits, too_many = 0, len(entries)
    while too_many - fits > 1:
        half = (fits + too_many) // 2
        if len(_bytes(_first(event, key, entries, half))) < MAX_BYTES:
            fits = half
        else:
            too_many = half
    return _first(event, key, entries, fits)


def _first(event: Event, key: str, entries: list[Any] | str, n: int) -> Event:
    left_out = {**event.data.get(LEFT_OUT, {}), key: len(entries) - n}
    return replace(event, data={**event.data, key: entries[:n], LEFT_OUT: left_out})


def _bytes(event: Event) -> bytes:
    at = event.at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    return f'{{"type":"{event.type}","timestamp":"{at}","data":{_encoded(event.data)}}}'.encode()


def _encoded(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"), sort_keys=True)


def _check(value: object, where: str) -> None:
    """Refuse what JSON does not have or a reader would read as something else."""
    if isinstance(value, dict):
        for key, inner in value.items():
            _check_text(key, f"a key of {where}")
            _check(inner, f"{where}.{key}")
    elif isinstance(value, (list, tuple)):
        for i, inner in enumerate(value):
            _check(inner, f"{where}[{i}]")
    elif isinstance(value, (int, float)):
        _check_number(value, where)
    elif value is not None:
        _check_text(value, where)


def _check_number(value: float, where: str) -> None:
    if isinstance(value, int):
        if abs(value) > _LARGEST_WHOLE:
            raise ValueError(f"{where} is larger than readers keep exactly: write it as text")
    elif not math.isfinite(value):
        raise ValueError(f"{where} is {value}: what is not known is None")


def _check_text(value: object, where: str) -> None:
    if not isinstance(value, str):
        raise ValueError(f"{where} is of type {type(value).__name__}, which JSON does not have here")  # noqa: TRY004 - one kind for all that JSON lacks
    if any("\ud800" <= c <= "\udfff" for c in value):
        raise ValueError(f"{where} holds half a character, which UTF-8 cannot carry")
