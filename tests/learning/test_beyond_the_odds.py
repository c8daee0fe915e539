"""What else may tell queens apart: how many records it takes, what is earned, and what the odds make of it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, logit

from matewindow.learning.artefacts import Shelf
from matewindow.learning.beyond import Beyond, beyond
from matewindow.learning.covariates import LARVA_AGE, NUC, WEEK, centre_of, columns, of_batch, of_record, steps_from
from matewindow.learning.findings import Finding, Maker, folds_for
from matewindow.learning.learn import learn
from matewindow.learning.model import RECALIBRATION, ModelError, parse_model
from matewindow.learning.recalibration import Effect, Recalibration, fit_recalibration, log_scores, safe_logit
from matewindow.learning.samplesize import Enough, riley_number, share_number
from matewindow.timeline import Batch
from tests.learning.made_records import BIOLOGY, TODAY, record

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.learning.records import Record

# --- how many records ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("p", "r2", "n"), [(2, 0.1, 170), (3, 0.1, 255), (3, 0.2, 120), (5, 0.1, 425)])
def test_records_for_so_many_parameters_are_those_of_riley(p: int, r2: float, n: int) -> None:
    """n = p / ((S - 1) ln(1 - R² / S)) with S = .9 (Riley et al. 2019, doi 10.1002/sim.7992), rounded up by hand."""
    assert riley_number(p, r2) == n


@pytest.mark.parametrize(("margin", "n"), [(0.10, 81), (0.05, 323)])
def test_records_for_the_share_on_the_whole_are_those_of_riley(margin: float, n: int) -> None:
    """(1.96 / margin)² p (1 - p) at p = .7 (Riley et al. 2020, doi 10.1136/bmj.m441, first criterion), by hand."""
    assert share_number(0.7, margin) == n


@pytest.mark.parametrize(
    ("n", "seasons", "sites", "covariates"),
    [(149, 3, 5, 0), (169, 3, 5, 0), (170, 3, 5, 1), (254, 3, 5, 1), (255, 3, 5, 2), (340, 3, 5, 3), (5000, 3, 5, 3),
     (5000, 2, 5, 0), (5000, 3, 4, 0)],
)  # fmt: skip
def test_covariates_come_in_one_by_one_as_records_grow(n: int, seasons: int, sites: int, covariates: int) -> None:
    assert Enough(n, seasons, sites, 0.75).covariates(3) == covariates


def test_what_is_lacking_is_said_in_numbers() -> None:
    assert Enough(120, 2, 1, 0.75).lacking() == "50 more queens, 1 more season and 4 more sites"
    assert Enough(169, 3, 5, 0.75).lacking() == "1 more queen"
    assert Enough(170, 3, 5, 0.75).lacking() == ""


# --- what is known of a queen ----------------------------------------------------------------------------------------


def test_steps_are_four_weeks_a_kind_of_nuc_and_twelve_hours() -> None:
    early = record(nuc_kind="mini", larva_age_h=12.0)
    late = record(nuc_kind="five-frames", larva_age_h=24.0, grafted_on=early.grafted_on + timedelta(days=28))

    before, after = (of_record(r) for r in (early, late))

    assert {name: after[name] - before[name] for name in after} == pytest.approx({WEEK: 1.0, NUC: 1.0, LARVA_AGE: 1.0})


def test_odds_issued_for_a_batch_know_nothing_of_the_nuc_and_nothing_is_made_up() -> None:
    assert NUC not in of_record(record(nuc_kind="mini"), nuc=False)
    assert set(of_record(record())) == {WEEK}
    assert np.isnan(columns([record()], (LARVA_AGE,))[LARVA_AGE]).all()


def test_a_season_over_the_new_year_is_one_season() -> None:
    """Grafts of 20 December and 10 January have their middle on 30 December and not in June."""
    weeks = np.array([of_batch(day, None)[WEEK] for day in (date(2025, 12, 20), date(2026, 1, 10))])

    steps = steps_from(WEEK, weeks, centre_of(WEEK, weeks))

    assert steps == pytest.approx([-10.5 / 28, 10.5 / 28], abs=0.02)


def test_what_is_not_known_counts_as_average() -> None:
    fit = Recalibration(-0.2, 0.9, 0.1, 0.1, ((NUC, Effect(0.6, 0.1, 0.5)),))
    alone = Recalibration(-0.2, 0.9, 0.1, 0.1)

    assert fit.apply(0.7) == pytest.approx(float(alone.apply(0.7)))
    assert fit.apply(0.7, {NUC: np.nan}) == pytest.approx(float(alone.apply(0.7)))
    assert logit(fit.apply(0.7, {NUC: 1.0})) == pytest.approx(logit(alone.apply(0.7)) + 0.3)
    assert fit.at({NUC: 1.0}).apply(0.7) == pytest.approx(float(fit.apply(0.7, {NUC: 1.0})))
    assert fit.undone(fit.apply(0.7, {NUC: 1.0}), {NUC: 1.0}) == pytest.approx(0.7)


# --- the fit ---------------------------------------------------------------------------------------------------------


def test_a_fit_with_covariates_is_where_a_general_optimiser_finds_the_top() -> None:
    rng = np.random.default_rng(9)
    p, x = rng.beta(4.0, 2.0, 120), rng.normal(5.0, 1.0, 120)
    y = rng.random(120) < expit(logit(p) + 0.5 * (x - 5.0))
    away = x - x.mean()

    def loss(at: NDArray[np.float64]) -> float:
        scores = log_scores(expit(at[0] + at[1] * safe_logit(p) + at[2] * away), y)
        return float(-scores.sum() + at[0] ** 2 / 0.5 + (at[1] - 1.0) ** 2 / 0.125 + at[2] ** 2 / 0.18)

    found = minimize(loss, [0.0, 1.0, 0.0], method="BFGS", options={"gtol": 1e-9}).x
    ours = fit_recalibration(p, y, more={LARVA_AGE: x})
    ((name, effect),) = ours.more

    assert (ours.a, ours.b, effect.value) == pytest.approx(found, abs=1e-5)
    assert name == LARVA_AGE
    assert effect.centre == pytest.approx(x.mean())


def keeper(n: int, effect: float, seed: int, *, seasons: int = 4, sites: int = 6, a: float = 0.0) -> list[Record]:
    """Queens in both kinds of nuc, over ten weeks of each season; nucs of frames do better, late grafts worse."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(n):
        year, week, frames = 2022 + i // sites % seasons, rng.integers(0, 70), bool(rng.integers(0, 2))
        p = 0.05 + 0.9 * rng.beta(4.0, 2.0)
        odds = expit(a + logit(p) + effect * (frames - 0.5) - effect * (week - 35) / 28)
        made.append(
            record(
                site=f"Site {i % sites}",
                season=str(year),
                grafted_on=date(year, 5, 10) + timedelta(days=int(week)),
                success=bool(rng.random() < odds),
                reason="lost",
                nuc_kind="few-frames" if frames else "mini",
                model=BIOLOGY.version,
                p_issued=float(p),
            )
        )
    return made


def tried(records: list[Record]) -> Beyond:
    p = np.array([r.p_issued for r in records], dtype=np.float64)
    return beyond(records, p, np.array([bool(r.success) for r in records]), folds_for(records))


def test_covariates_that_matter_are_earned_by_some_hundred_records_and_others_are_not() -> None:
    real = np.mean([tried(keeper(340, 0.6, seed)).fit is not None for seed in range(10)])
    none = np.mean([tried(keeper(340, 0.0, seed)).fit is not None for seed in range(20)])
    print(f"\ncovariates taken in: {real:.2f} of those that matter, {none:.2f} of those that do not")

    assert real >= 0.7
    assert none <= 0.15


def test_too_few_records_are_told_what_is_lacking_and_nothing_is_fitted() -> None:
    found = tried(keeper(100, 0.6, 1, sites=1))

    assert found.fit is None
    assert "are not looked at yet: that would take 70 more queens and 4 more sites." in found.remark.sentence


def test_a_refusal_says_how_many_more_records_it_would_take() -> None:
    found = next(f for f in (tried(keeper(170, 0.2, seed)) for seed in range(20)) if f.fit is None)

    assert found.remark.sentence.startswith("Your records do not yet justify a change: a fit to the 170 queens")
    assert "more" in found.remark.sentence


def test_covariates_that_are_the_same_for_all_are_passed_over() -> None:
    records = [record(site=f"S{i % 6}", season=str(2022 + i // 6 % 4), success=i % 3 > 0, model="2026.1", p_issued=0.7)
               for i in range(300)]  # fmt: skip

    assert "are the same for all of them" in tried(records).remark.sentence


# --- from records to odds --------------------------------------------------------------------------------------------

MAKER = Maker(datetime(2026, 11, 1, 8, tzinfo=UTC), "0.1.0")


def odds_finding(records: list[Record], **more: Any) -> Finding:
    learned = learn(records, [], BIOLOGY, BIOLOGY, MAKER, today=TODAY, **more)
    return next(f for f in learned.findings if f.kind == RECALIBRATION)


def test_what_was_earned_stands_in_the_model_its_card_and_the_odds(tmp_path: Path) -> None:
    found = odds_finding(keeper(400, 0.7, 3, a=-0.5))
    assert found.model is not None
    assert {WEEK, NUC} <= set(found.model.values)
    shelf = Shelf(tmp_path)
    name = shelf.add(found.model)

    using = shelf.use(name, BIOLOGY)
    right = using.recalibration

    assert right is not None
    early, late = (float(right.at(of_batch(day, None)).apply(0.7)) for day in (date(2026, 5, 12), date(2026, 7, 15)))
    assert early > late + 0.1
    assert shelf.get(name) == found.model
    assert "a graft four weeks later: -0." in shelf.card(name)
    assert "a nuc of frames instead of a mini nuc: +" in shelf.card(name)


def test_learning_again_from_odds_put_right_with_covariates_gives_the_same() -> None:
    raw = keeper(400, 0.7, 3, a=-0.5)
    first = odds_finding(raw)
    assert first.model is not None
    earlier = first.model.recalibration(BIOLOGY.version, "x")
    version = f"{BIOLOGY.version}+x"
    shown = [
        record(**{**vars(r), "p_issued": float(earlier.apply(r.p_issued or 0.0, of_record(r, nuc=False))), "model": version})
        for r in raw
    ]  # fmt: skip

    again = odds_finding(shown, undo={version: earlier})

    assert again.estimate == pytest.approx(first.estimate, abs=1e-6)


def test_a_model_with_an_effect_but_without_its_centre_is_refused() -> None:
    found = odds_finding(keeper(400, 0.7, 3, a=-0.5))
    assert found.model is not None
    text = found.model.as_text()

    assert parse_model(text, "x") == found.model
    with pytest.raises(ModelError):
        parse_model(text.replace('"week_centre"', '"week_middle"'), "x")


def test_an_outlook_is_put_right_by_what_is_known_of_its_batch() -> None:
    """In use, the week of the graft counts by the site's calendar."""
    fit = Recalibration(0.0, 1.0, 0.1, 0.1, ((WEEK, Effect(-0.5, 0.1, of_batch(date(2026, 6, 15), None)[WEEK])),))
    batch = Batch(datetime(2026, 7, 13, 12, tzinfo=UTC))

    assert logit(fit.at(of_batch(batch.grafted.date(), batch.larva_age_h)).apply(0.5)) == pytest.approx(-0.5)
