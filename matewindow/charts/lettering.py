"""How wide a text is and where it may break, so that labels neither overlap nor leave the picture."""

from __future__ import annotations

import re

FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
"""vl-convert brings Liberation Sans along; Arial and Helvetica have its widths where an SVG is shown without it."""
SMALL_PX, TEXT_PX, TITLE_PX = 11, 12, 14
NO_BREAK = "\u00a0"

# Widths in shares of the type size, rounded up from the metrics of Helvetica (Adobe Core 14 font metrics; from memory).
_CLASSES = (
    ("ijl'|", 0.23),
    ("ftI.,:;!/ \u00a0·()[]", 0.30),
    ("r-", 0.34),
    ("cksvxyzJ", 0.50),
    ("wCDHNRUGOQ", 0.78),
    ("mM", 0.84),
)
_WIDTHS = {char: width for chars, width in _CLASSES for char in chars} | {"W": 0.95, "%": 0.89, "@": 1.02}
_LOWER, _UPPER = 0.56, 0.67
_BOLD = 1.07


def text_px(text: str, size_px: float, *, bold: bool = False) -> float:
    """Width of a text in px, a little too wide rather than too narrow."""
    shares = sum(_WIDTHS.get(c, _UPPER if c.isupper() or ord(c) > 0x24F else _LOWER) for c in text)
    return shares * size_px * (_BOLD if bold else 1.0)


def wrap(text: str, width_px: float, size_px: float, *, bold: bool = False) -> list[str]:
    """A text in lines that fit a width. A number stays with its unit; only a word wider than the line is cut."""
    lines: list[str] = []
    for word in _tied(text).split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_px(longer, size_px, bold=bold) <= width_px:
            lines[-1] = longer
        else:
            lines += _cut(word, width_px, size_px, bold=bold)
    return lines


def _tied(text: str) -> str:
    """The text with spaces that may not break: between a number and its unit or month, and inside a span of numbers."""
    return re.sub(r"(?<=\d) (?=%|h\b|[A-Z]|to \d)|(?<=\d to) (?=\d)", NO_BREAK, text)


def _cut(word: str, width_px: float, size_px: float, *, bold: bool) -> list[str]:
    pieces = [""]
    for char in word:
        if pieces[-1] and text_px(pieces[-1] + char, size_px, bold=bold) > width_px:
            pieces.append("")
        pieces[-1] += char
    return pieces
