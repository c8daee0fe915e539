"""JSON as the service takes it: what RFC 8259 allows, less what its readers disagree on.

Source: RFC 8259 (grammar, UTF-8), RFC 7493 section 2 (I-JSON: no duplicate names, no lone surrogates, numbers that a
double holds exactly). NUL is refused since PostgreSQL cannot keep it in a text.
"""

from __future__ import annotations

import json
import math
import re
from itertools import accumulate
from typing import Any

from api.edge.problems import Problem

DEPTH_MAX = 32
VALUES_MAX = 50_000
"""Values and members in one body: a megabyte of nothing but brackets takes a fifth of a second to read."""
INTEGER_MAX = 2**53 - 1
"""Largest integer that every reader keeps exactly (RFC 7493, section 2.2)."""

# A text that is never closed is taken up to the end, so that the time stays linear in the length of the body.
_TEXT = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"?', re.DOTALL)
_SUSPECT = re.compile(rb"\\u(?:0000|[dD][89a-fA-F])")
_LONG_INTEGER = re.compile(rb"\d{16}")
_LARGE_NUMBER = re.compile(rb"[eE]\+?\d{3}|\d{300}")
_NO_BRACKETS = bytes(set(range(256)) - set(b"[]{}"))
_STEP = {ord("["): 1, ord("{"): 1, ord("]"): -1, ord("}"): -1}


def check_json(body: bytes, *, depth_max: int = DEPTH_MAX, values_max: int = VALUES_MAX) -> None:
    """See that a body is JSON that can be read by anybody and kept anywhere.

    Args:
        body: the whole body.
        depth_max: lists and objects within each other.
        values_max: entries of all lists and members of all objects together.

    Raises:
        Problem: ``malformed-json`` (400) where RFC 8259 is broken or the nesting is too deep; ``unusable-json`` (422)
            for a name twice in an object, NUL or a lone surrogate in a text, a number that would not be kept;
            ``content-too-large`` (413) for too many values.
    """
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise Problem("malformed-json", f"The body is not UTF-8: byte {fault.start} cannot be read.") from None
    if _too_deep(body, depth_max):
        raise Problem("malformed-json", f"Lists and objects are nested more than {depth_max} deep.")
    if _too_many(body, values_max):
        raise Problem("content-too-large", f"The body holds more than {values_max:,} values.", values_max=values_max)
    try:
        value = json.loads(
            text,
            object_pairs_hook=_object,
            parse_int=_integer if _LONG_INTEGER.search(body) else None,  # called for each number, which takes its time
            parse_float=_number if _LARGE_NUMBER.search(body) else None,
            parse_constant=_constant,
        )
    except json.JSONDecodeError as fault:
        where = f"line {fault.lineno}, column {fault.colno}"
        raise Problem("malformed-json", f"The body is not JSON: {fault.msg} at {where}.") from None
    if _SUSPECT.search(body):
        _check_texts(value)


def _too_many(body: bytes, values_max: int) -> bool:
    """Whether there are too many commas and opening brackets outside of texts; each value but the first has one."""
    if body.count(b",") + body.count(b"[") + body.count(b"{") <= values_max:
        return False
    bare = _TEXT.sub(b"", body)
    return bare.count(b",") + bare.count(b"[") + bare.count(b"{") > values_max


def _too_deep(body: bytes, depth_max: int) -> bool:
    """Whether brackets outside of texts are open more than so many times at once."""
    if body.count(b"[") + body.count(b"{") <= depth_max:
        return False
    brackets = _TEXT.sub(b"", body).translate(None, _NO_BRACKETS)
    return max(accumulate(map(_STEP.__getitem__, brackets)), default=0) > depth_max


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        twice = next(name for name, _ in pairs if name in seen or seen.add(name))  # type: ignore[func-returns-value]
        raise Problem("unusable-json", f"The name {twice[:80]!r} occurs more than once in one object.")
    return found


def _integer(text: str) -> int:
    if len(text) > 17 or abs(int(text)) > INTEGER_MAX:
        raise Problem("unusable-json", f"The number {text[:24]} is too large to be kept exactly.")
    return int(text)


def _number(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise Problem("unusable-json", f"The number {text[:24]} is too large to be kept.")
    return number


def _constant(text: str) -> float:
    raise Problem(
        "malformed-json",
        f"The body is not JSON: {text} is no JSON value.",
        fix="Leave out a value that is not known, or send null where that is allowed.",
    )


def _check_texts(value: object) -> None:
    """Look at every text and name for NUL and lone surrogates; without recursion."""
    rest: list[tuple[str, object]] = [("", value)]
    while rest:
        pointer, part = rest.pop()
        if isinstance(part, dict):
            for name, inner in part.items():
                _check_text(name, pointer)
                rest.append((f"{pointer}/{name[:80]}", inner))
        elif isinstance(part, list):
            rest.extend((f"{pointer}/{index}", inner) for index, inner in enumerate(part))
        elif isinstance(part, str):
            _check_text(part, pointer)


def _check_text(text: str, pointer: str) -> None:
    where = f"at {pointer}" if pointer else "at the top"
    if "\0" in text:
        raise Problem("unusable-json", f"The text {where} holds a NUL character.")
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise Problem("unusable-json", f"The text {where} holds half of a surrogate pair.") from None
