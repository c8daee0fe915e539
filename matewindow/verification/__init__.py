"""The record of the odds: what was issued, held against what came. Arrays in, dataclasses out.

``record_of(cases)`` works out every score; ``report_html``, ``report_data`` and ``report_text`` tell it.
"""

from __future__ import annotations

from matewindow.verification.blocks import Blocks, Ranged
from matewindow.verification.cases import Cases, EggCases, HoursCases, persistence_odds
from matewindow.verification.comparing import Comparison, Verdict, compare
from matewindow.verification.judging import Judgement, judgement
from matewindow.verification.odds_scores import brier_scores, decompose, log_scores
from matewindow.verification.ordered import exact_days, first_egg_log_scores, first_egg_scores, rps, rps_of_samples
from matewindow.verification.ranks import rank_histogram
from matewindow.verification.records import GroupRecord, Record, record_of
from matewindow.verification.reliability import recalibrate, reliability
from matewindow.verification.report import report_data, report_html, report_text
from matewindow.verification.roc import roc
from matewindow.verification.samples import Samples, crps, positions
from matewindow.verification.value import economic_value, relative_value

__all__ = [
    "Blocks",
    "Cases",
    "Comparison",
    "EggCases",
    "GroupRecord",
    "HoursCases",
    "Judgement",
    "Ranged",
    "Record",
    "Samples",
    "Verdict",
    "brier_scores",
    "compare",
    "crps",
    "decompose",
    "economic_value",
    "exact_days",
    "first_egg_log_scores",
    "first_egg_scores",
    "judgement",
    "log_scores",
    "persistence_odds",
    "positions",
    "rank_histogram",
    "recalibrate",
    "record_of",
    "relative_value",
    "reliability",
    "report_data",
    "report_html",
    "report_text",
    "roc",
    "rps",
    "rps_of_samples",
]
