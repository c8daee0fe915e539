"""Answers of Open-Meteo for several places, or for several ranges of dates of one place: JSON lists, taken apart.

From the service's source code (2026): places come in the order asked, and from the second on they bear their number
(``location_id``, counted from 0). One place with several ranges of dates comes as one object a range, all with the
same number and position.
"""

from __future__ import annotations

import json
import re
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

from matewindow.weather.files import fault

if TYPE_CHECKING:
    from collections.abc import Sequence

ANSWER = "Open-Meteo answer"
"""What an answer without a file is called in errors."""
_BETWEEN = re.compile(r"\s*([,\]])\s*")
_PLACE = ("location_id", "latitude", "longitude", "elevation")


def listed(answer: object) -> list[object]:
    """The objects of an answer, whether it is a list or for one place."""
    return answer if isinstance(answer, list) else [answer]


def split_places(text: str) -> list[str]:
    """The answer for each place, as it was received, out of one for any number of places.

    Args:
        text: the answer, JSON.

    Raises:
        WeatherFileError: it is no whole JSON.
    """
    text = text.removeprefix("\ufeff").strip()
    if not text.startswith("["):
        return [text]
    decoder, parts = json.JSONDecoder(), []
    rest = text[1:].lstrip()
    at, closed = len(text) - len(rest), rest.startswith("]")
    try:
        while not closed:
            _, end = decoder.raw_decode(text, at)
            parts.append(text[at:end])
            mark = _BETWEEN.match(text, end)
            if mark is None:
                raise fault("it is no whole JSON document", ANSWER)
            at, closed = mark.end(), mark[1] == "]"
    except (ValueError, RecursionError):
        raise fault("it is no whole JSON document", ANSWER) from None
    return parts


def by_place(answers: Sequence[object]) -> list[list[object]]:
    """The objects of each place, in order: neighbours with the same number and position, if their days are apart."""
    together = [list(of) for _, of in groupby(answers, key=_place)]
    return [part for of in together for part in ([of] if _apart(of) else [[answer] for answer in of])]


def _place(answer: object) -> str:
    return repr([answer.get(name) for name in _PLACE]) if isinstance(answer, dict) else f"none, {id(answer)}"


def _apart(answers: list[object]) -> bool:
    """Whether no two answers share days; their times are all numbers, or all texts, which sort like numbers."""
    spans = [_span(answer) for answer in answers]
    for kind in (int, str):
        known = sorted(s for s in spans if s is not None and type(s[0]) is type(s[1]) is kind)
        if len(known) == len(answers):
            return all(before[1] < after[0] for before, after in pairwise(known))
    return len(answers) == 1


def _span(answer: object) -> tuple[Any, Any] | None:
    """First and last time stamp of an answer, as they stand there."""
    hourly = answer.get("hourly") if isinstance(answer, dict) else None
    stamps = hourly.get("time") if isinstance(hourly, dict) else None
    return (stamps[0], stamps[-1]) if isinstance(stamps, list) and stamps else None
