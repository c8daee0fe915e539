"""What people write, held against the fields of its kind, with all that is wrong told in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from matewindow.errors import RefusedError
from matewindow.register.records import KINDS
from matewindow.register.rows import WORDS, Row
from matewindow.wrongvalues import in_words

if TYPE_CHECKING:
    from collections.abc import Mapping

_LONGEST_NAME = 64


def checked(kind: str, given: Mapping[str, Any]) -> Row:
    """Fields of a record with their defaults, each of the right type and within its range.

    Raises:
        RefusedError: all that is wrong, by field.
    """
    try:
        return KINDS[kind].model_validate(dict(given)).model_dump()
    except ValidationError as fault:
        errors = fault.errors(include_url=False, include_input=False)
        raise RefusedError([(_field(kind, e["loc"]), _what(kind, e), _fix(kind, e["type"])) for e in errors]) from None


def _field(kind: str, place: tuple[int | str, ...]) -> str:
    return ".".join(str(p)[:_LONGEST_NAME] for p in place if p != "[key]") or kind


def _what(kind: str, error: Mapping[str, Any]) -> str:
    field = f"is no field of a {WORDS[kind]}"
    return in_words(error, {"extra_forbidden": field, "string_pattern_mismatch": "is no id"})


def _fix(kind: str, of: str) -> str:
    if of == "extra_forbidden":
        return f"The fields of a {WORDS[kind]} are {', '.join(KINDS[kind].model_fields)}."
    return "Look at the list for it." if of == "string_pattern_mismatch" else ""
