"""Text that people typed, made fit for formats in which control characters break lines or hide what follows."""

from __future__ import annotations

import re

_BREAKS = re.compile("\r\n|[\r\x0c\x85\u2028\u2029]")
_CONTROL = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f]")
_SURROGATE = re.compile("[\ud800-\udfff]")
# Overrides and isolates run on until they are closed: one left open in a batch's name would turn the rest of the
# line around. Plain marks (U+200E, U+200F, U+061C) act on the spot and stay. A byte order mark nobody sees, and readers
# drop it.
_UNWANTED = re.compile("[\u202a-\u202e\u2066-\u2069\ufeff]")
_SPACES = re.compile(r"\s+")


def clean(text: str) -> str:
    r"""Text without control characters but the line feed, every kind of line break made one, in valid Unicode.

    Half a surrogate pair, which cannot be written in UTF-8, becomes the replacement character. Doing it twice changes
    nothing more.

    >>> clean("one\r\ntwo\x00\x0b")
    'one\ntwo'
    """
    if text.isascii() and text.isprintable():
        return text
    text = _CONTROL.sub("", _BREAKS.sub("\n", text).replace("\t", " "))
    return text if text.isascii() else _UNWANTED.sub("", _SURROGATE.sub("\ufffd", text))


def one_line(text: str) -> str:
    r"""The same on one line, runs of white space made one space.

    >>> one_line(" Batch\t3\n")
    'Batch 3'
    """
    return _SPACES.sub(" ", clean(text)).strip()


def shortened(text: str, length: int) -> str:
    """Text of at most so many characters, an ellipsis in the place of what was cut.

    >>> shortened("Batch three", 6)
    'Batch…'
    """
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"
