"""The record told: one page of HTML that stands by itself, plain data, and a short text.

All three hold the same numbers.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.charts.files import render_svg
from matewindow.charts.lettering import NO_BREAK
from matewindow.verification import pictures, tables
from matewindow.verification.judging import Judgement, judgement
from matewindow.verification.plain import record_data
from matewindow.words import day_month

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import altair as alt

    from matewindow.verification.records import GroupRecord, Record
    from matewindow.verification.tables import Table

TITLE = "The record of the odds"
_TEMPLATE = "page.html.j2"
_LINE = 100
TERMS = {
    "Case": "One set of odds as it was given, held against what came.",
    "Usual": "The odds from past years alone, for the same site and date: what any forecast must beat.",
    "Persistence": "The usual, moved by as much as the last days departed from it: the next thing to beat.",
    "Brier score": "Mean squared distance between the odds and what happened: 0 is perfect, 0.25 a shrug.",
    "Skill": "The share of the reference's error that the odds take away: 0 % is no better, below 0 % is worse.",
    "Log score": "Like the Brier score, but harsh on odds that were sure and wrong. Odds count as 1 to 99 %. Its unit "
    "is the nat: 0.01 less means that what came true had been given a probability about 1 % higher.",
    "Hours, CRPS": "Continuous ranked probability score: mean distance between the hours forecast and those that came, "
    "less what the spread of the forecast earns.",
    "Hours, RPS": "Ranked probability score: the Brier score of “at most so many hours”, added up over classes of "
    "hours, whose edges stand beside it.",
    "First egg": "The Brier score of “in lay by that day”, added up over the days until a nuc is given up. Never "
    "laying is later than all of them.",
    "First egg, log": "The log score of the span between the last look without eggs and the first with them.",
    "5 to 95 %": "How far a figure moves if whole seasons (or sites) are drawn again. It misses about once in ten.",
    "Grey, chance allows": "Where what came true would lie in 9 of 10 records if the odds meant what they say. Days of "
    "one season share their weather and are drawn together.",
    "Off the mark, told apart, uncertainty": "What the Brier score comes of: how far odds lie from what came true "
    "after them (small is good), how far they tell good from bad (large is good), and how open the outcome is at all. "
    "By tenths: odds sorted into tenths. Corrected for bias: without what few cases add. Pooled: without tenths.",
    "Place": "Where the hours that came lie among those thought possible, from the lowest to the highest. Each place "
    "should come equally often.",
    "Hits, false alarms": "Of the cases that came true, and of those that did not, the share with odds as high as "
    "that. The area under the curve is 0.5 for odds that tell nothing apart and 1 for odds that tell all.",
    "Cost ÷ gain": "What a nuc costs over what a queen that comes good is worth. Acting pays where odds are higher. "
    "Best threshold: the value if one had known from which odds on acting paid.",
}

_TERMS_OF_TEXT = ("Case", "Usual", "Persistence", "Skill", "5 to 95 %")
"""Those that the plain text speaks of: it has no other scores."""


@dataclass(frozen=True)
class Figure:
    """A picture with its table: SVG for the page, and the same in words for those who do not see it."""

    svg: str
    label: str
    table: Table


@dataclass(frozen=True)
class Section:
    """Something else that belongs into a report.

    Attributes:
        key: its name in the data, and on the page.
        title: heading.
        about: what it is about, in a sentence.
        sentences: what there is to say, the answer first.
        tables: with the figures.
        data: the same as plain data.
    """

    key: str
    title: str
    about: str
    sentences: Sequence[str]
    tables: Sequence[Table]
    data: dict[str, Any]


def report_data(
    records: Sequence[Record], *, made_on: date | None = None, sections: Sequence[Section] = ()
) -> dict[str, Any]:
    """Records as plain data that JSON can hold.

    Args:
        records: of one product each.
        made_on: day to be named; None for none.
        sections: what else belongs into the report, each under its own key.
    """
    return {
        "title": TITLE,
        "made_on": None if made_on is None else made_on.isoformat(),
        "products": [record_data(record) for record in records],
        **{section.key: section.data for section in sections},
        "terms": TERMS,
    }


def report_text(
    records: Sequence[Record],
    *,
    made_on: date | None = None,
    sections: Sequence[Section] = (),
    width: int = _LINE,
) -> str:
    """Records as plain text: the judgement in words, and one table of scores for each product.

    Args:
        records: of one product each.
        made_on: day to be named; None for none.
        sections: what else belongs into the report.
        width: of a line of words, in characters.
    """
    wrapped = partial(_wrapped, width=width)
    lines = [TITLE if made_on is None else f"{TITLE}, {made_on.isoformat()}"]
    for record in records:
        words = judgement(record)
        lines += ["", record.product.upper(), *wrapped(f"Odds that {record.event}. {_span(record)}"), ""]
        lines += [*wrapped(words.headline), ""]
        for group in words.groups:
            lines += [group.name, *(line for s in group.sentences for line in wrapped(s, "  "))]
        lines += ["", *tables.as_text(tables.skill_table(record)), ""]
        lines += [line for doubt in [*words.doubts, *record.notes] for line in wrapped(doubt)]
    for section in sections:
        lines += ["", section.title.upper(), *wrapped(section.about), ""]
        lines += [line for sentence in section.sentences for line in wrapped(sentence)]
        for table in section.tables:
            lines += ["", *tables.as_text(table)]
    if records:
        lines += ["", "WHAT THE WORDS MEAN"]
        lines += [line for term in _TERMS_OF_TEXT for line in wrapped(f"{term}: {TERMS[term]}", "  ")]
    return "\n".join(lines).rstrip() + "\n"


def report_html(
    records: Sequence[Record],
    *,
    title: str = TITLE,
    made_on: date | None = None,
    width_px: int = pictures.WIDTH_PX,
    sections: Sequence[Section] = (),
) -> str:
    """Records as one page: no script, nothing fetched, every picture with its table.

    Args:
        records: of one product each.
        title: heading of the page.
        made_on: day to be named; None for none.
        width_px: of the pictures.
        sections: what else belongs into the report.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # slow to import

    loader = FileSystemLoader(Path(__file__).parent)
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["tied"] = _tied
    page = environment.get_template(_TEMPLATE).render(
        title=title,
        made_on=None if made_on is None else f"{day_month(made_on)} {made_on.year}",
        products=[_product(i, record, width_px) for i, record in enumerate(records)],
        sections=sections,
        terms=TERMS.items(),
    )
    return page + "\n"


def _product(i: int, record: Record, width_px: int) -> dict[str, Any]:
    words: Judgement = judgement(record)
    return {
        "key": f"p{i}",
        "name": record.product,
        "event": record.event,
        "span": _span(record),
        "headline": words.headline,
        "skill": _figure(pictures.skill_chart(record, width_px), tables.skill_table(record)),
        "groups": [
            {
                "key": f"p{i}g{j}",
                "name": group.name,
                "sentences": said.sentences,
                "figures": list(_figures(group, width_px)),
                "tables": [tables.scores_table(group), tables.parts_table(group)],
            }
            for j, (group, said) in enumerate(zip(record.groups, words.groups, strict=True))
        ],
        "doubts": words.doubts,
        "notes": record.notes,
    }


def _figures(group: GroupRecord, width_px: int) -> Iterator[Figure]:
    """The pictures of a lead group; none where there is nothing to draw."""
    r, v = group.reliability, group.value
    if r is not None:
        yield _figure(pictures.reliability_chart(r, width_px), tables.reliability_table(r))
    if any(x.value is not None for x in v.odds):
        yield _figure(pictures.value_chart(v, width_px), tables.value_table(v))
    if group.hours is not None and group.hours.ranks.n:
        yield _figure(pictures.rank_chart(group.hours.ranks, width_px), tables.rank_table(group.hours.ranks))
    if group.roc.area.value is not None and group.roc_usual.area.value is not None:
        yield _figure(
            pictures.roc_chart(group.roc, group.roc_usual, width_px), tables.roc_table(group.roc, group.roc_usual)
        )


def _figure(chart: alt.VConcatChart, table: Table) -> Figure:
    from markupsafe import Markup  # slow to import

    svg = render_svg(chart)
    # Vega has escaped what it wrote; everything else on the page is escaped by the template
    return Figure(Markup(svg), str(chart["description"]), table)  # noqa: S704


def _span(record: Record) -> str:
    if not record.first:
        return "No case yet."
    first, last = (date.fromisoformat(day) for day in (record.first, record.last))
    return f"Issued from {day_month(first)} {first.year} to {day_month(last)} {last.year}."


def _tied(text: str) -> str:
    """A text in which a number stays with its unit or its month."""
    return re.sub(r"(?<=\d) (?=%|h\b|[A-Z])", NO_BREAK, text)


def _wrapped(text: str, indent: str = "", *, width: int) -> list[str]:
    """A text in lines."""
    hanging = indent + ("  " if indent else "")
    lines = textwrap.wrap(_tied(text), width, initial_indent=indent, subsequent_indent=hanging)
    return [line.replace(NO_BREAK, " ") for line in lines]
