"""What people write, held against the fields of its kind, with all that is wrong told in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from matewindow.errors import RefusedError
from matewindow.register.records import KINDS
from matewindow.register.rows import WORDS, Row

if TYPE_CHECKING:
    from collections.abc import Mapping

_SAID = {
    "bool_type": "must be true or false",
    "dict_type": "must be names with numbers",
    "extra_forbidden": "is no field of a {word}",
    "finite_number": "must be a number",
    "float_type": "must be a number",
    "greater_than_equal": "must be at least {ge:g}",
    "int_type": "must be a whole number",
    "less_than_equal": "must be at most {le:g}",
    "literal_error": "must be {expected}",
    "missing": "is missing",
    "string_pattern_mismatch": "is no id",
    "string_too_long": "is longer than {max_length} characters",
    "string_too_short": "must not be empty",
    "string_type": "must be text",
    "string_unicode": "holds half of a character, which cannot be stored",
    "too_long": "has more than {max_length} entries",
}
"""What is wrong, by pydantic's type of error; its own words are made for programmers."""
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
    of, context = error["type"], error.get("ctx", {})
    if of in _SAID:
        return _SAID[of].format(word=WORDS[kind], **context)
    text: str = error["msg"].removeprefix("Value error, ")
    return text[:1].lower() + text[1:]


def _fix(kind: str, of: str) -> str:
    if of == "extra_forbidden":
        return f"The fields of a {WORDS[kind]} are {', '.join(KINDS[kind].model_fields)}."
    return "Look at the list for it." if of == "string_pattern_mismatch" else ""
