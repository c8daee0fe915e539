"""What was learnt, and the models there are, as plain data: JSON for whoever asks."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from matewindow.learning.model import LITERATURE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matewindow.biology import Biology
    from matewindow.learning.artefacts import Entry, InUse
    from matewindow.learning.findings import Finding
    from matewindow.learning.learn import Learned
    from matewindow.learning.model import Model


def learn_report(learned: Learned, kept: Mapping[str, str], *, dry_run: bool) -> dict[str, Any]:
    """What the records say.

    Args:
        learned: from ``learn.learn``.
        kept: name of the model that was kept, by kind.
        dry_run: whether none was to be.
    """
    ground = learned.records
    return {
        "records": None if ground is None else asdict(ground),
        "questions": [asdict(q) for q in learned.questions],
        "expected_success": learned.expected,
        "sites": [asdict(rate) for rate in learned.rates],
        "findings": [_finding(f, kept.get(f.kind)) for f in learned.findings],
        "dry_run": dry_run,
    }


def _finding(finding: Finding, name: str | None) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "records": finding.n,
        "set_aside": finding.set_aside,
        "fitted": str(finding.stage),
        "estimate": finding.estimate,
        "earned": finding.model is not None,
        "test": asdict(finding.verdict),
        "sentence": finding.sentence,
        "model": name,
        "remarks": [asdict(remark) for remark in finding.remarks],
    }


def models_report(entries: Sequence[Entry], using: Mapping[str, str], literature: Biology) -> dict[str, Any]:
    """All models, the literature first."""
    first = {
        "name": LITERATURE,
        "kind": LITERATURE,
        "made_at": None,
        "version": literature.version,
        "in_use": not using,
        "records": None,
        "gain": None,
        "fault": "",
    }
    return {"models": [first, *(_entry(e) for e in entries)], "in_use": dict(using) or {LITERATURE: literature.version}}


def _entry(entry: Entry) -> dict[str, Any]:
    model = entry.model
    return {
        "name": entry.name,
        "kind": entry.name.rsplit("-", 2)[0],
        "made_at": None if model is None else model.made_at,
        "version": None if model is None else model.base,
        "in_use": entry.in_use,
        "records": None if model is None else model.ground.n,
        "gain": None if model is None else model.tested.gain,
        "fault": entry.fault,
    }


def model_report(name: str, model: Model, card: str) -> dict[str, Any]:
    """One model with its card."""
    return {"name": name} | asdict(model) | {"card": card}


def literature_report(literature: Biology, card: str) -> dict[str, Any]:
    """The parameters that ship with the program, with their card."""
    return {"name": LITERATURE, "kind": LITERATURE, "version": literature.version, "card": card}


def use_report(name: str, now: InUse) -> dict[str, Any]:
    """What is in use after a choice."""
    right = now.recalibration
    odds = None if right is None else {"a": right.a, "b": right.b} | {x: effect.value for x, effect in right.more}
    return {
        "chosen": name,
        "in_use": now.names or {LITERATURE: now.biology.version},
        "version": now.version,
        "flight_rate_per_h": now.biology.mating.flight_rate_per_h,
        "ensemble_weight": {
            "at_once": now.biology.forecast.ensemble_weight,
            "half_d": now.biology.forecast.ensemble_half_d,
            "power": now.biology.forecast.ensemble_power,
        },
        "recalibration": odds,
        "flying_days": None if now.days is None else {"a": now.days.a, "b": now.days.b},
    }
