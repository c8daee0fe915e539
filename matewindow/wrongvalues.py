"""What is wrong with a value, in words for people: pydantic's own are made for programmers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

_OBJECT = "must be an object with names and values"
_SAID = {
    "bool_type": "must be true or false",
    "dict_type": "must be names with numbers",
    "extra_forbidden": "is not known here",
    "finite_number": "must be a number",
    "float_type": "must be a number",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "int_type": "must be a whole number",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "list_type": "must be a list",
    "literal_error": "must be {expected}",
    "missing": "is missing",
    "model_attributes_type": _OBJECT,
    "model_type": _OBJECT,
    "string_pattern_mismatch": "is not written like {pattern}",
    "string_too_long": "is longer than {max_length} characters",
    "string_too_short": "must have at least {min_length} characters",
    "string_type": "must be text",
    "string_unicode": "holds half of a character, which cannot be stored",
    "too_long": "has more than {max_length} entries",
    "too_short": "has fewer than {min_length} entries",
}
"""By pydantic's type of error."""
_LONGEST_LIST = 200


def in_words(error: Mapping[str, Any], instead: Mapping[str, str] | None = None) -> str:
    """What is wrong; never the value itself.

    Args:
        error: of ``ValidationError.errors()``; without a type it has its own words.
        instead: other words for some types of error.
    """
    of, context = error.get("type", ""), error.get("ctx", {})
    said = {**_SAID, **(instead or {})}
    if of in {"string_too_short", "too_short"} and context.get("min_length") == 1:
        return "must not be empty"
    if of == "literal_error" and len(context["expected"]) > _LONGEST_LIST:
        return "is none of the words that the description of the interface names"
    if of in said:
        return said[of].format(**{name: f"{v:g}" if isinstance(v, float) else v for name, v in context.items()})
    text = str(error["msg"]).removeprefix("Value error, ")
    return text[:1].lower() + text[1:]
