"""The main path: records -> what is open about them -> fits -> a test of each -> models that have earned it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.oddsfinding import odds_finding, raw_odds
from matewindow.learning.ratefinding import rate_finding
from matewindow.learning.rates import SiteRate, site_rates
from matewindow.learning.records import Ground as Records
from matewindow.learning.records import Question, Record, ground_of, questions

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.learning.eggpaths import Ground
    from matewindow.learning.findings import Finding, Maker
    from matewindow.learning.recalibration import Recalibration

EXPECTED = 0.8
"""Share of virgins expected to come good where no odds were issued for any of them (judgement)."""
_MOST_MISSING = 0.1
"""Nucs without an outcome, as a share of those with one, above which records must not make odds better (judgement)."""
_MOST_UNFAILING = 0.5
"""The same for queens of seasons in which none is said to have failed, as a share of those with an outcome."""


@dataclass(frozen=True)
class Learned:
    """What the records say.

    Attributes:
        records: which they are; None for none.
        questions: what has to be asked about them.
        expected: share of queens that was expected to come good.
        rates: the share that does at each site.
        findings: about each kind of model.
    """

    records: Records | None
    questions: list[Question]
    expected: float
    rates: list[SiteRate]
    findings: list[Finding]


def learn(
    records: Sequence[Record],
    grounds: Sequence[Ground],
    biology: Biology,
    literature: Biology,
    maker: Maker,
    *,
    today: date,
    undo: Mapping[str, Recalibration] | None = None,
) -> Learned:
    """See what the records say, and make the models that have earned it; none is put to use.

    Args:
        records: all that there are, failures too.
        grounds: sites with their weather, for the flight rate; told apart by name.
        biology: parameters in use, whose version odds must have to be put right.
        literature: the parameters that ship with the program: a flight rate is always fitted from there, since the
            records that made an earlier one are most likely among these.
        maker: for the models' papers.
        today: for what is still open.
        undo: by version, what odds of it have been put right with already: that is taken back before they are used.
    """
    asked = questions(records, today)
    open_ = _left_open(records, asked)
    raw = {biology.version: None} | dict(undo or {})
    odds = odds_finding(records, raw, biology.version, maker, open_)
    rate = rate_finding(records, grounds, literature, maker, open_)
    issued = [float(raw_odds(r, raw)) for r in records if r.p_issued is not None and r.model in raw]
    expected = float(np.mean(issued)) if issued else EXPECTED
    ground = ground_of(records) if records else None
    return Learned(ground, asked, expected, site_rates(records, expected), [rate, odds])


def _left_open(records: Sequence[Record], asked: Sequence[Question]) -> str:
    """Why records must not make anything look better; empty if nothing speaks against it."""
    missing, unfailing = (
        sum(question.count for question in asked if question.about == about)
        for about in ("no outcome", "only successes")
    )
    known = sum(record.success is not None for record in records)
    if missing > _MOST_MISSING * known:
        return f"{missing} nucs have no outcome beside {known} that have one"
    if unfailing and unfailing >= _MOST_UNFAILING * known:
        return f"{unfailing} of {known} queens are of seasons without any failure"
    return ""
