"""From records to a model in use: earned by good ones, refused to few, wrong and lopsided ones."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit

from matewindow.learning.artefacts import Shelf
from matewindow.learning.eggpaths import Ground
from matewindow.learning.findings import Finding, Maker
from matewindow.learning.learn import Learned, learn
from matewindow.learning.model import FLIGHT_RATE, RECALIBRATION
from matewindow.learning.recalibration import Recalibration
from matewindow.learning.records import Record
from matewindow.learning.report import learn_report
from matewindow.learning.reported import recalibrated, recalibrated_fates
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, Check, graft_time
from tests.learning.made_records import BIOLOGY, SEASONS, TODAY, grafts_of, ground, lived
from tests.made_weather import changeable, stand

MAKER = Maker(datetime(2026, 11, 1, 8, tzinfo=UTC), "0.1.0")


def learnt(records: list[Record], grounds: list[Ground] | None = None, **more: Any) -> Learned:
    return learn(records, grounds or [], BIOLOGY, BIOLOGY, MAKER, today=TODAY, **more)


Slow = tuple[Ground, list[Record]]


def finding(learned: Learned, kind: str) -> Finding:
    return next(f for f in learned.findings if f.kind == kind)


# --- the flight rate ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def slow() -> Slow:
    """288 queens of four seasons that flew at 0.25 an hour, where the literature has 0.40."""
    place = ground(41)
    return place, lived(place, grafts_of(SEASONS, 6), 12, 0.25, np.random.default_rng(41))


def test_three_hundred_good_records_earn_a_rate_that_is_better_on_seasons_left_out(slow: Slow) -> None:
    place, records = slow

    found = finding(learnt(records, [place]), FLIGHT_RATE)

    assert found.verdict.accepted
    assert found.verdict.by == "season"
    assert found.verdict.n_groups == 4
    assert (found.verdict.gain or 0.0) > 0.005
    assert found.estimate["low"] <= 0.25 <= found.estimate["high"] < 0.40
    assert found.model is not None
    assert found.model.values == {"mating.flight_rate_per_h": found.estimate["rate_per_h"]}
    assert (found.model.ground.n, found.model.ground.seasons) == (288, ["2022", "2023", "2024", "2025"])
    assert "better than the odds as they stand on seasons left out in turn" in found.sentence


def test_the_outlook_of_a_batch_follows_the_rate_in_use_and_says_so(slow: Slow, tmp_path: Path) -> None:
    place, records = slow
    model = finding(learnt(records, [place]), FLIGHT_RATE).model
    assert model is not None
    shelf = Shelf(tmp_path)
    using = shelf.use(shelf.add(model), BIOLOGY)
    rng = np.random.default_rng(2)
    sources = Sources(past=changeable("2016-01-01", 3650, rng, kind="analysis"))
    batch = Batch(graft_time(date(2026, 5, 20), stand()))
    now = datetime(2026, 5, 20, 6, tzinfo=UTC)

    before, after = (batch_outlook(batch, stand(), sources, now, b).well_mated.value for b in (BIOLOGY, using.biology))

    assert after < before - 0.03
    assert using.biology.version.startswith("2026.1+flight-rate-20261101-")


def test_ten_records_are_too_few_to_change_the_rate_and_the_refusal_says_what_it_would_take(slow: Slow) -> None:
    place, records = slow
    few = [*records[:5], *records[150:155]]

    found = finding(learnt(few, [place]), FLIGHT_RATE)

    assert found.model is None
    assert abs(np.log(found.estimate["rate_per_h"] / 0.40)) < 0.6
    assert found.sentence.startswith("Your records do not yet justify a change: ")
    assert "more" in found.sentence


def test_fewer_than_ten_are_not_fitted_at_all(slow: Slow) -> None:
    place, records = slow

    found = finding(learnt(records[:7], [place]), FLIGHT_RATE)

    assert (found.n, found.estimate, found.model) == (7, {}, None)
    assert "About 3 more would be the least" in found.sentence


def test_queens_that_fly_as_the_literature_says_change_nothing() -> None:
    place = ground(43)
    records = lived(place, grafts_of(SEASONS, 4), 10, 0.40, np.random.default_rng(43))

    found = finding(learnt(records, [place]), FLIGHT_RATE)

    assert found.model is None
    assert found.estimate["low"] <= 0.40 <= found.estimate["high"]


def test_seasons_that_contradict_each_other_are_refused() -> None:
    """Two seasons at a third of the literature's rate and two at three times it: none is like the others."""
    place, rng = ground(44), np.random.default_rng(44)
    records = [
        queen for year, rate in zip(SEASONS, (0.12, 1.2, 0.12, 1.2), strict=True)
        for queen in lived(place, grafts_of((year,), 4), 10, rate, rng)
    ]  # fmt: skip

    found = finding(learnt(records, [place]), FLIGHT_RATE)

    assert found.model is None
    assert found.sentence.startswith("Your records do not yet justify a change")


def test_a_rate_beyond_the_sources_is_put_down_to_the_hours_and_makes_no_model() -> None:
    place = ground(45)
    records = lived(place, grafts_of(SEASONS, 4), 12, 2.5, np.random.default_rng(45))

    found = finding(learnt(records, [place]), FLIGHT_RATE)

    assert found.verdict.accepted
    assert found.model is None
    assert "More likely the hours are off: look at the site's shelter" in found.sentence


def test_without_weather_the_rate_is_left_alone_and_the_reason_is_counted(slow: Slow) -> None:
    _, records = slow

    found = finding(learnt(records), FLIGHT_RATE)

    assert found.n == 0
    assert found.set_aside == {"no weather was given for the site Test stand (invented)": 288}


# --- odds --------------------------------------------------------------------------------------------------------


def with_odds(
    n: int, a: float, b: float, seed: int, *, seasons: int = 4, version: str = BIOLOGY.version
) -> list[Record]:
    """Queens whose odds as issued were wrong by a and b."""
    rng = np.random.default_rng(seed)
    p = 0.05 + 0.9 * rng.beta(4.0, 2.0, n)
    good = rng.random(n) < expit(a + b * logit(p))
    return [
        Record(
            site="Home",
            season=str(2022 + i % seasons),
            grafted_on=date(2022 + i % seasons, 6, 1),
            success=bool(good[i]),
            reason="" if good[i] else "lost",
            model=version,
            p_issued=float(p[i]),
        )
        for i in range(n)
    ]


def test_three_hundred_records_of_odds_too_good_put_them_right() -> None:
    learned = learnt(with_odds(300, -0.8, 0.8, 1))
    found = finding(learned, RECALIBRATION)

    assert found.model is not None
    assert found.stage == "rate and slope"
    assert (found.estimate["a"], found.estimate["b"]) == pytest.approx((-0.8, 0.8), abs=0.3)
    assert (found.verdict.gain or 0.0) > 0.03
    assert "70 % becomes" in found.sentence
    assert learned.rates[0].mean < learned.expected - 0.1


def test_ten_records_hardly_move_the_odds() -> None:
    found = finding(learnt(with_odds(10, 0.0, 1.0, 2, seasons=2)), RECALIBRATION)

    assert found.model is None
    assert found.stage == "rate only"
    assert found.estimate["b"] == 1.0
    assert abs(found.estimate["shows_70"] - 0.7) < 0.12


def test_a_season_with_yes_and_no_exchanged_is_refused() -> None:
    records = [replace(r, success=not r.success) if r.season == "2023" else r for r in with_odds(200, 0.0, 1.0, 3)]

    found = finding(learnt(records), RECALIBRATION)

    assert found.model is None
    assert found.sentence.startswith("Your records do not yet justify a change")


def test_a_record_without_any_failure_raises_no_odds() -> None:
    """Forty of forty where eight in ten were expected: either luck, or nobody wrote the failures down."""
    records = [replace(r, success=True, reason="", p_issued=0.8) for r in with_odds(40, 0.0, 1.0, 8)]

    learned = learnt(records)
    found = finding(learned, RECALIBRATION)

    assert found.model is None
    assert "they may flatter: 40 of 40 queens are of seasons without any failure" in found.sentence
    assert {q.about for q in learned.questions} == {"only successes"}


def test_nucs_without_an_outcome_keep_odds_from_being_raised_but_not_from_being_lowered() -> None:
    def told(a: float, placed: int) -> Finding:
        records = [replace(r, batch="A", nucs_in_batch=placed) for r in with_odds(300, a, 1.0, 9)]
        return finding(learnt(records), RECALIBRATION)

    assert told(0.8, 75).model is not None  # 75 of 300 in each of four seasons: all are accounted for
    assert "they may flatter: 100 nucs have no outcome beside 300 that have one" in told(0.8, 100).sentence
    assert told(-0.8, 100).model is not None


def test_records_that_turn_all_odds_upside_down_are_told_to_be_wrong() -> None:
    records = [replace(r, success=not r.success) for r in with_odds(600, 0.0, 1.6, 4)]

    found = finding(learnt(records), RECALIBRATION)

    assert found.model is None
    assert found.sentence.startswith("By these records fewer queens came good the higher their odds were.")


def test_odds_of_other_parameters_and_open_records_are_set_aside_and_counted() -> None:
    good = with_odds(20, 0.0, 1.0, 5)
    others = [
        replace(good[0], model="2025.1"),
        replace(good[1], success=None),
        replace(good[2], p_issued=None, model=""),
    ]

    found = finding(learnt([*good, *others]), RECALIBRATION)

    assert found.n == 20
    assert found.set_aside == {
        "their odds are of the parameters 2025.1, not 2026.1": 1,
        "the outcome is not known": 1,
        "no odds were issued for them beforehand": 1,
    }


def test_odds_that_were_put_right_before_are_taken_back_first() -> None:
    """Learning again from odds that a model had put right gives that model and not one on top of it."""
    raw = with_odds(300, -0.8, 0.8, 6)
    earlier = Recalibration(-0.6, 0.9, 0.1, 0.1)
    version = f"{BIOLOGY.version}+recalibration-20261101-00000000"
    shown = [replace(r, p_issued=float(earlier.apply(r.p_issued or 0.0)), model=version) for r in raw]

    first = finding(learnt(raw), RECALIBRATION).estimate
    again = finding(learnt(shown, undo={version: earlier}), RECALIBRATION).estimate

    assert (again["a"], again["b"]) == pytest.approx((first["a"], first["b"]), abs=1e-6)


def test_no_records_at_all_are_answered_in_words() -> None:
    learned = learnt([])

    assert learned.records is None
    assert learned.rates == []
    for found in learned.findings:
        assert "nothing is fitted to fewer than 10" in found.sentence


def test_the_report_is_json_and_the_same_every_time(slow: Slow) -> None:
    place, records = slow
    with_both = [replace(r, model=BIOLOGY.version, p_issued=0.8) for r in records]

    first, second = (
        json.dumps(learn_report(learnt(with_both, [place]), {}, dry_run=True), allow_nan=False) for _ in range(2)
    )

    assert first == second
    ground_ = learnt(with_both).records
    assert ground_ is not None
    assert json.loads(first)["records"] == asdict(ground_)


# --- what is reported --------------------------------------------------------------------------------------------

SHIFT = Recalibration(-0.8, 0.8, 0.1, 0.1)


@pytest.fixture(scope="module")
def outlook() -> Any:
    sources = Sources(past=changeable("2010-01-01", 5800, np.random.default_rng(7), kind="analysis"))
    batch = Batch(graft_time(date(2026, 5, 20), stand()))
    return batch_outlook(batch, stand(), sources, datetime(2026, 5, 20, 6, tzinfo=UTC), BIOLOGY)


def test_an_outlook_put_right_holds_together(outlook: Any) -> None:
    right: Any = recalibrated(outlook, SHIFT)

    assert right.well_mated.value == pytest.approx(float(SHIFT.apply(outlook.well_mated.value)))
    assert right.well_mated.low < right.well_mated.value < right.well_mated.high
    assert right.fates["well_mated"] == pytest.approx(right.well_mated.value)
    assert sum(right.fates.values()) == pytest.approx(1.0)
    assert right.fates["lost"] / right.fates["unmated"] == pytest.approx(
        outlook.fates["lost"] / outlook.fates["unmated"]
    )
    poor = sum(right.fates[f] for f in ("under_mated", "late_mated", "unmated"))
    assert right.risk_poor_mating.value == pytest.approx(poor / (1.0 - right.fates["lost"]))
    assert right.risk_poor_mating.low < right.risk_poor_mating.value < right.risk_poor_mating.high
    assert right.well_mated_usual == pytest.approx(float(SHIFT.apply(outlook.well_mated_usual)))
    assert right.risk_poor_mating_usual > outlook.risk_poor_mating_usual
    assert right.well_mated_by_weather.mean == pytest.approx(right.well_mated.value)
    assert 0.0 < right.well_mated_by_weather.p10 < outlook.well_mated_by_weather.p10
    in_lay = sum(right.fates[f] for f in ("well_mated", "under_mated", "late_mated"))
    assert max(right.laying_by_day.values()) == pytest.approx(in_lay)
    unchanged = ("risk_delayed_laying", "first_egg", "still_good", "days", "timeline")
    assert all(getattr(right, name) == getattr(outlook, name) for name in unchanged)


def test_no_change_changes_nothing(outlook: Any) -> None:
    same: Any = recalibrated(outlook, Recalibration(0.0, 1.0, 0.0, 0.0))

    assert same.fates == pytest.approx(outlook.fates)
    assert same.well_mated.value == pytest.approx(outlook.well_mated.value)
    assert same.risk_poor_mating.value == pytest.approx(outlook.risk_poor_mating.value)
    assert recalibrated(outlook, None) is outlook


def test_what_a_look_has_shown_is_left_alone(outlook: Any) -> None:
    seen = replace(outlook, batch=replace(outlook.batch, checks=(Check(date(2026, 6, 20), "eggs"),)))

    assert recalibrated(seen, SHIFT) is seen


@given(
    st.lists(st.floats(0.0, 1.0), min_size=5, max_size=5).filter(lambda p: sum(p) > 0.01),
    st.floats(-3, 3),
    st.floats(0.1, 3),
)
@settings(max_examples=200, deadline=None)
def test_fates_put_right_always_add_up(parts: list[float], a: float, b: float) -> None:
    names = ("well_mated", "under_mated", "late_mated", "unmated", "lost")
    fates = {name: part / sum(parts) for name, part in zip(names, parts, strict=True)}

    right = recalibrated_fates(fates, Recalibration(a, b, 0.0, 0.0))

    assert sum(right.values()) == pytest.approx(1.0)
    assert all(p >= 0.0 for p in right.values())
