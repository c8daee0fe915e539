"""Models made from stored runs: kept, read back, put to use beside those made from records, and what they change."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from matewindow.biology import Biology, load_biology
from matewindow.errors import ParameterError
from matewindow.learning.artefacts import Shelf
from matewindow.learning.findings import Maker
from matewindow.learning.model import Model, ModelError, parse_model
from matewindow.learning.weather.cases import DayCases
from matewindow.learning.weather.dayfinding import day_finding
from matewindow.learning.weather.weightfinding import weight_finding
from matewindow.outlook import Outlook, batch_outlook
from matewindow.paths import Sources
from matewindow.site import Site
from matewindow.timeline import Batch, graft_time
from tests.conftest import SAMPLE_NOW
from tests.learning.test_artefacts import odds_model, rate_model
from tests.learning.weather.made_cases import made

BIOLOGY = load_biology()
MAKER = Maker(datetime(2026, 11, 1, 8, tzinfo=UTC), "0.1.0")


@cache
def weight_model() -> Model:
    found = weight_finding(made(3, seasons=5, sites=3), BIOLOGY, BIOLOGY, MAKER).model
    assert found is not None
    return found


def day_model(base: Biology = BIOLOGY) -> Model:
    cases = made(2, seasons=4)
    came = np.random.default_rng(1).random(len(cases)) < 0.25 + 0.3 * cases.share  # far less sure than the runs are
    found = day_finding(DayCases(**{**cases.__dict__, "came": came}), base, MAKER).model
    assert found is not None
    return found


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "models")


# --- there and back -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["forecast-weight", "day-recalibration"])
def test_a_model_comes_back_as_it_was_put_up_and_is_plain_json(shelf: Shelf, kind: str) -> None:
    model = weight_model() if kind == "forecast-weight" else day_model()
    name = shelf.add(model)
    assert name.startswith(f"{kind}-20261101-")
    assert shelf.get(name) == model
    assert shelf.add(model) == name
    assert json.loads((shelf.home / name / "model.json").read_text())["values"] == model.values
    assert shelf.names() == [name]


def test_cards_say_what_from_which_runs_how_it_did_and_when_not_to_use_it(shelf: Shelf) -> None:
    weight, days = (shelf.card(shelf.add(m)) for m in (weight_model(), day_model()))
    for card in (weight, days):
        for part in ("What it is", "From which records", "How it did", "When not to use it", "The way back"):
            assert f"## {part}" in card
        assert "with runs issued within 40 days of it left out of the fit" in card
        assert "Digest of the cases" in card
        assert "queens" not in card
    assert "How much an ensemble counts against past years" in weight
    assert "24,000 days that stored runs spoke of, issued on 1,500 site-days" in weight
    assert "Seasons: 2020, 2021, 2022, 2023, 2024" in weight
    assert "logit p = a + b logit p as worked out" in days
    assert "50 % becomes" in days


@pytest.mark.parametrize("drop", ["forecast.single_power", "forecast.ensemble_weight"])
def test_a_weight_model_that_lacks_a_number_is_refused(drop: str) -> None:
    text = json.loads(weight_model().as_text())
    del text["values"][drop]
    with pytest.raises(ModelError, match="no model that this program makes"):
        parse_model(json.dumps(text), "x")


def test_a_weight_out_of_its_range_is_refused_when_it_is_put_to_use(shelf: Shelf) -> None:
    name = shelf.add(replace(weight_model(), values=weight_model().values | {"forecast.ensemble_weight": 1.2}))
    with pytest.raises(ParameterError, match="outside the allowed range"):
        shelf.use(name, BIOLOGY)
    assert shelf.using() == {}


# --- in use -------------------------------------------------------------------------------------------------------


def test_a_weight_model_sets_the_curve_and_nothing_else(shelf: Shelf) -> None:
    name = shelf.add(weight_model())
    now = shelf.use(name, BIOLOGY)
    assert now.version == f"2026.1+{name}"
    assert now.biology.forecast.ensemble_half_d == weight_model().values["forecast.ensemble_half_d"]
    assert replace(now.biology, forecast=BIOLOGY.forecast, version=BIOLOGY.version) == BIOLOGY
    assert now.recalibration is None
    assert now.days is None
    assert shelf.use("literature", BIOLOGY).biology is BIOLOGY


def test_a_flight_rate_and_a_weight_are_in_use_together_whichever_came_first(shelf: Shelf) -> None:
    rate, weight = shelf.add(rate_model()), shelf.add(weight_model())
    versions = set()
    for first, second in ((rate, weight), (weight, rate)):
        shelf.use("literature", BIOLOGY)
        shelf.use(first, BIOLOGY)
        now = shelf.use(second, BIOLOGY)
        versions.add(now.version)
        assert now.biology.mating.flight_rate_per_h == 0.31
        assert now.biology.forecast.ensemble_weight == weight_model().values["forecast.ensemble_weight"]
        assert shelf.in_use(BIOLOGY) == now
    assert versions == {f"2026.1+{rate}+{weight}"}


def test_a_new_weight_ends_what_was_made_for_the_odds_of_the_old_one(shelf: Shelf) -> None:
    odds, days, weight = (shelf.add(m) for m in (odds_model(), day_model(), weight_model()))
    shelf.use(odds, BIOLOGY)
    both = shelf.use(days, BIOLOGY)
    assert both.version == f"2026.1+{days}+{odds}"
    assert both.recalibration is not None
    assert both.days is not None
    assert shelf.use(weight, BIOLOGY).version == f"2026.1+{weight}"
    with pytest.raises(ModelError, match=r"was fitted beside the parameters .*, and those in use are"):
        shelf.use(days, BIOLOGY)


def test_a_weight_on_top_of_another_weight_is_refused() -> None:
    once = weight_model().applied(BIOLOGY, "forecast-weight-20261101-00000000")
    with pytest.raises(ModelError, match="it was fitted beside"):
        weight_model().applied(once, "forecast-weight-20261101-11111111")
    with pytest.raises(ModelError, match="sets no parameter"):
        day_model().applied(BIOLOGY, "x")
    with pytest.raises(ModelError, match="puts no odds right"):
        weight_model().recalibration(BIOLOGY.version, "x")


def test_odds_issued_with_a_day_model_in_use_can_still_be_learnt_from(shelf: Shelf) -> None:
    """They are those of the parameters, whatever was done to the days; with both models only one has to be undone."""
    days, odds = shelf.add(day_model()), shelf.add(odds_model())
    undo = shelf.undo(BIOLOGY)
    assert set(undo) == {f"2026.1+{days}", f"2026.1+{odds}", f"2026.1+{days}+{odds}"}
    assert undo[f"2026.1+{days}"].undone(0.7) == pytest.approx(0.7)
    assert undo[f"2026.1+{days}+{odds}"] == undo[f"2026.1+{odds}"]


# --- what is put right --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def outlook(sample_site: Site, sample_sources: Sources, sample_biology: Biology) -> Outlook:
    batch = Batch(graft_time(date(2026, 5, 20), sample_site))
    return batch_outlook(batch, sample_site, sample_sources, SAMPLE_NOW, sample_biology)


def test_only_the_odds_of_flying_days_are_put_right(shelf: Shelf, outlook: Outlook) -> None:
    now = shelf.use(shelf.add(day_model()), BIOLOGY)
    right = now.put_right(outlook)
    assert now.days is not None
    for before, after in zip(outlook.days, right.days, strict=True):
        assert after.p_flying == pytest.approx(float(now.days.apply(before.p_flying)), abs=1e-12)
        assert replace(after, p_flying=before.p_flying) == before
    assert any(abs(a.p_flying - b.p_flying) > 0.02 for a, b in zip(outlook.days, right.days, strict=True))
    assert replace(right, days=outlook.days) == outlook
    assert now.made(outlook.batch) == now.version


def test_a_day_without_drones_stays_at_nothing(shelf: Shelf, outlook: Outlook) -> None:
    now = shelf.use(shelf.add(day_model()), BIOLOGY)
    early = replace(outlook, days=[replace(outlook.days[0], p_flying=0.0, drones=0.0)])
    assert now.put_right(early) == early


def test_after_a_look_the_days_are_still_those_of_the_day_model(shelf: Shelf, outlook: Outlook) -> None:
    shelf.use(shelf.add(odds_model()), BIOLOGY)
    days = shelf.add(day_model())
    now = shelf.use(days, BIOLOGY)
    looked = replace(outlook.batch, checks=("a look",))  # type: ignore[arg-type]
    assert now.made(looked) == f"2026.1+{days}"
