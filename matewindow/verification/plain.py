"""A record as plain data: what the JSON report holds. Figures in full; what is not known is null, never NaN."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Any

from matewindow.verification.judging import judgement
from matewindow.verification.roc import rates_at

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matewindow.verification.blocks import Ranged
    from matewindow.verification.comparing import Comparison
    from matewindow.verification.odds_scores import Decomposition, Parts
    from matewindow.verification.ranks import RankHistogram
    from matewindow.verification.records import Against, GroupRecord, Record
    from matewindow.verification.reliability import Reliability
    from matewindow.verification.roc import Roc
    from matewindow.verification.value import Value

Plain = dict[str, Any]


def record_data(record: Record) -> Plain:
    """The record of one product."""
    words = judgement(record)
    return {
        "product": record.product,
        "event": record.event,
        "notes": list(record.notes),
        "first_issued": record.first or None,
        "last_issued": record.last or None,
        "judgement": {
            "headline": words.headline,
            "lead_groups": {group.name: list(group.sentences) for group in words.groups},
            "doubts": list(words.doubts),
        },
        "brier_overall": None if record.overall is None else _comparison(record.overall),
        "lead_groups": [_group(group) for group in record.groups],
    }


def _group(group: GroupRecord) -> Plain:
    r, hours, egg = group.reliability, group.hours, group.first_egg
    return {
        "lead_group": group.name,
        "cases": group.n,
        "seasons": group.n_seasons,
        "sites": group.n_sites,
        "cases_left_out": group.n_missing,
        "came_true": _ranged(group.came_true),
        "mean_odds": _ranged(group.issued),
        "verdict": str(group.brier.usual.verdict),
        "brier": _against(group.brier),
        "log_nats": _against(group.log),
        "brier_parts": _decomposition(group.parts),
        "reliability": None if r is None else _reliability(r),
        "roc": _roc(group.roc),
        "roc_usual": _roc(group.roc_usual),
        "value": _value(group.value),
        "flight_hours": None
        if hours is None
        else {
            "crps_h": _against(hours.crps),
            "rps": _against(hours.rps),
            "class_edges_h": list(hours.edges),
            "ranks": _ranks(hours.ranks),
        },
        "first_egg": None
        if egg is None
        else {
            "score_d": None if egg.score is None else _against(egg.score),
            "log_nats": _against(egg.log),
            "horizon_d": egg.horizon_d,
        },
    }


def _against(against: Against) -> Plain:
    third = against.persistence
    return {
        "usual": _comparison(against.usual),
        "persistence": None if third is None else _comparison(third),
    }


def _comparison(c: Comparison) -> Plain:
    return {
        "score": _ranged(c.score),
        "reference_score": _ranged(c.reference),
        "gain": _ranged(c.gain),
        "skill": _ranged(c.skill),
        "verdict": str(c.verdict),
        "cases": c.n,
        "cases_left_out": c.missing,
        "blocks": c.blocks,
        "n_blocks": c.n_blocks,
        "worth_independent_cases": _known(c.worth),
        "blocks_wanted": _known(c.blocks_wanted),
    }


def _decomposition(d: Decomposition) -> Plain:
    return {
        "score": _known(d.score),
        "counted": _parts(d.parts),
        "corrected": None if d.corrected is None else _parts(d.corrected),
        "within_bins": _known(d.within_bins),
        "bins": d.n_bins,
    }


def _parts(parts: Parts) -> Plain:
    return {
        "reliability": _known(parts.reliability),
        "resolution": _known(parts.resolution),
        "uncertainty": _known(parts.uncertainty),
    }


def _reliability(r: Reliability) -> Plain:
    return {
        "score": r.score,
        "miscalibration": r.miscalibration,
        "discrimination": r.discrimination,
        "uncertainty": r.uncertainty,
        "chance_of_as_much_miscalibration": r.chance,
        "miscalibration_by_chance_p95": r.by_chance,
        "shared_within_block": r.shared,
        "shared_on_a_day_beyond_it": r.shared_days,
        "memory_d": r.memory_d,
        "bars_level": r.level,
        "curve": {
            "odds": _list(r.odds),
            "cases": [int(n) for n in r.count],
            "came_true": _list(r.recalibrated),
            "bar_low": _list(r.low),
            "bar_high": _list(r.high),
        },
        "tenths": [
            {
                "from": b.start,
                "to": b.end,
                "cases": b.n,
                "mean_odds": b.issued,
                "came_true": b.came,
                "bar": [b.low, b.high],
            }
            for b in r.bins
        ],
    }


def _ranks(h: RankHistogram) -> Plain:
    return {
        "counts": [int(n) for n in h.counts],
        "expected": h.expected,
        "bar": [h.low, h.high],
        "chi_square": _known(h.chi_square),
        "chance_of_as_uneven": _known(h.chance),
        "slope": _known(h.slope),
        "slope_chance": _known(h.slope_chance),
        "bend": _known(h.bend),
        "bend_chance": _known(h.bend_chance),
        "cases": h.n,
        "cases_left_out": h.missing,
    }


def _roc(r: Roc) -> Plain:
    """The area, and the rates at every whole percent: nobody sees odds in finer steps."""
    rates = [rates_at(r, i / 100) for i in range(1, 100)]
    return {
        "area": _ranged(r.area),
        "threshold_percent": list(range(1, 100)),
        "hit_rate": [_known(hits) for hits, _ in rates],
        "false_alarm_rate": [_known(alarms) for _, alarms in rates],
    }


def _value(v: Value) -> list[Plain]:
    return [
        {
            "cost_over_gain": v.ratios[i],
            "odds": _ranged(v.odds[i]),
            "usual": _ranged(v.reference[i]),
            "gain": _ranged(v.gain[i]),
            "best_threshold": v.potential[i],
        }
        for i in range(len(v.ratios))
    ]


def _ranged(r: Ranged) -> Plain:
    return {"value": _known(r.value), "low": _known(r.low), "high": _known(r.high)}


def _list(values: Iterable[float]) -> list[float | None]:
    return [_known(x) for x in values]


def _known(x: float | None) -> float | None:
    return None if x is None or not isfinite(x) else float(x)
