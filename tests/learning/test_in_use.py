"""What is in use: asked once by a command, looked at again by a service, told without a word of where it lies."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.errors import InputError
from matewindow.keeping.working import parameters_mark
from matewindow.laying import laying_outlook
from matewindow.learning.artefacts import IN_USE, InUse, Shelf
from matewindow.learning.inuse import Models, in_use, literature_alone, shelf_of
from matewindow.learning.model import VALUES, ModelError
from matewindow.learning.recalibration import Effect, Recalibration
from matewindow.learning.reported import recalibrated
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.settings import Settings
from matewindow.timeline import Batch, Check, graft_time
from tests.learning.made_records import BIOLOGY
from tests.made_models import damage, odds_model, rate_model, use
from tests.made_weather import changeable, stand

if TYPE_CHECKING:
    from pathlib import Path

SITE, NOW = stand(), datetime(2026, 5, 20, 6, tzinfo=UTC)
BATCH = Batch(graft_time(date(2026, 5, 20), SITE))
LATER = datetime(2026, 6, 20, 6, tzinfo=UTC)


@pytest.fixture(scope="module")
def sources() -> Sources:
    return Sources(past=changeable("2010-01-01", 5800, np.random.default_rng(7), kind="analysis"))


def settings_at(home: Path) -> Settings:
    return Settings(learned_folder=home)


# --- what is in use ---------------------------------------------------------------------------------------------------


def test_where_nothing_was_chosen_it_is_the_literature(tmp_path: Path) -> None:
    using = in_use(settings_at(tmp_path / "nowhere"))

    assert using == literature_alone(BIOLOGY)
    assert using.version == BIOLOGY.version
    assert not (tmp_path / "nowhere").exists()


def test_the_folder_is_the_settings_or_the_users(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("matewindow.learning.inuse.default_home", lambda: tmp_path / "of the user")

    assert shelf_of(Settings()).home == tmp_path / "of the user"
    assert shelf_of(Settings.from_environment({"MATEWINDOW_LEARNED_FOLDER": str(tmp_path)})).home == tmp_path


def test_models_are_used_with_a_sites_thresholds(tmp_path: Path) -> None:
    rate = use(tmp_path, rate_model(0.3))
    cold = replace(SITE, thresholds={"temp_midpoint_c": 18.0})

    using = in_use(settings_at(tmp_path)).at(cold)

    assert using.biology.mating.flight_rate_per_h == 0.3
    assert using.biology.flight.temp_midpoint_c == 18.0
    assert using.version == f"{BIOLOGY.version}+{rate}"


@pytest.mark.parametrize("fault", ["damaged", "gone", "unfitting", "choice"])
def test_what_cannot_be_used_is_one_error_that_names_the_way_back(tmp_path: Path, fault: str) -> None:
    name = use(tmp_path, odds_model())
    if fault == "damaged":
        damage(tmp_path, name)
    elif fault == "gone":
        (tmp_path / name).rename(tmp_path / "elsewhere")
    elif fault == "unfitting":
        other = Shelf(tmp_path).add(odds_model(base="2031.1"))
        (tmp_path / IN_USE).write_text(f'{{"recalibration": "{other}"}}')
    else:
        (tmp_path / IN_USE).write_text("{")

    with pytest.raises(ModelError, match="the model in use cannot be used") as caught:
        in_use(settings_at(tmp_path))

    assert caught.value.fix.count("matewindow models use literature") == 1
    use(tmp_path)
    assert in_use(settings_at(tmp_path)).version == BIOLOGY.version


def test_no_model_sets_what_weather_is_laid_on_a_sites_days_with() -> None:
    """A service keeps weather that was laid with the literature's parameters, whatever is in use."""
    assert [name for names in VALUES.values() for name in names if name.startswith("flight.")] == []


# --- odds put right ---------------------------------------------------------------------------------------------------


def test_an_outlook_and_a_laying_check_before_any_look_say_the_same_odds(tmp_path: Path, sources: Sources) -> None:
    name = use(tmp_path, odds_model())
    using = in_use(settings_at(tmp_path)).at(SITE)
    raw = batch_outlook(BATCH, SITE, sources, LATER, using.biology)
    outlook = using.put_right(raw)
    check = using.put_laying_right(laying_outlook(BATCH, SITE, sources, LATER, using.biology))

    assert outlook.well_mated.value < raw.well_mated.value - 0.05
    assert check.well_mated.value == pytest.approx(outlook.well_mated.value, abs=1e-9)
    assert check.well_mated.low == pytest.approx(outlook.well_mated.low, abs=1e-9)
    assert using.made(BATCH) == f"{BIOLOGY.version}+{name}"


def test_after_a_look_odds_are_the_chains_and_said_to_be(tmp_path: Path, sources: Sources) -> None:
    use(tmp_path, odds_model())
    using = in_use(settings_at(tmp_path)).at(SITE)
    looked = replace(BATCH, checks=(Check(date(2026, 6, 19), "nothing"),))
    outlook = batch_outlook(looked, SITE, sources, LATER, using.biology)
    check = laying_outlook(looked, SITE, sources, LATER, using.biology)

    assert using.put_right(outlook) is outlook
    assert using.put_laying_right(check) is check
    assert using.made(looked) == BIOLOGY.version


def test_what_is_known_of_a_batch_puts_its_odds_right_by_more(sources: Sources) -> None:
    """Effects of a graft's week and of the larvae's age count from the site's calendar, for batches and days alike."""
    effects = (("week", Effect(0.4, 0.1, 6.0)), ("larva_age", Effect(-0.5, 0.1, 1.0)))
    right = Recalibration(-0.4, 0.7, 0.1, 0.1, effects)
    using = InUse(BIOLOGY, right, {}).at(SITE)
    old = replace(BATCH, larva_age_h=36.0)
    week = date(2026, 5, 20).timetuple().tm_yday / 28.0

    outlook = batch_outlook(BATCH, SITE, sources, NOW, BIOLOGY)
    aged = batch_outlook(old, SITE, sources, NOW, BIOLOGY)
    of_days = using.for_days(date(2026, 5, 19), 3)
    assert of_days is not None
    by_day = of_days.apply(np.full((3, 2), 0.8))

    plain = Recalibration(-0.4 + 0.4 * (week - 6.0), 0.7, 0.1, 0.1)
    with_age = replace(plain, a=plain.a - 0.5 * (36.0 / 12.0 - 1.0))
    assert using.put_right(outlook).well_mated == recalibrated(outlook, plain).well_mated
    assert using.put_right(aged).well_mated.value == pytest.approx(recalibrated(aged, with_age).well_mated.value)
    assert by_day[1] == pytest.approx(np.full(2, plain.apply(0.8)))
    assert by_day[0, 0] < by_day[1, 0] < by_day[2, 0]


def test_without_a_recalibration_nothing_is_put_right(tmp_path: Path, sources: Sources) -> None:
    use(tmp_path, rate_model())
    outlook = batch_outlook(BATCH, SITE, sources, NOW, BIOLOGY)

    for using in (literature_alone(BIOLOGY), in_use(settings_at(tmp_path))):
        assert using.put_right(outlook) is outlook
        assert using.for_days(date(2026, 5, 20), 10**9) is None


# --- a service's own view ---------------------------------------------------------------------------------------------


def test_a_choice_holds_from_the_next_question_on_and_back_again(tmp_path: Path) -> None:
    models = Models(BIOLOGY, Shelf(tmp_path))
    before, same = models.now(), models.now()
    rate = use(tmp_path, rate_model())
    with_rate = models.now()
    use(tmp_path)

    assert before is same
    assert with_rate.version == f"{BIOLOGY.version}+{rate}"
    assert models.now().version == before.version
    assert parameters_mark(models.now()) == parameters_mark(before) != parameters_mark(with_rate)


def test_each_model_makes_another_mark(tmp_path: Path) -> None:
    """So that outlooks made with one do not stand for those of another."""
    chosen: list[tuple[Any, ...]] = [(), (rate_model(),), (odds_model(),), (odds_model(a=-0.2),)]
    marks = set()
    for models in chosen:
        use(tmp_path)
        use(tmp_path, *models)
        marks.add(parameters_mark(in_use(settings_at(tmp_path))))

    assert len(marks) == len(chosen)


def test_a_choice_that_cannot_be_used_changes_nothing_and_is_told_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    models = Models(BIOLOGY, Shelf(tmp_path))
    name = use(tmp_path, odds_model())
    with_odds = models.now()
    second = Shelf(tmp_path).add(odds_model(a=-0.2))
    damage(tmp_path, second)
    (tmp_path / IN_USE).write_text(f'{{"recalibration": "{second}"}}\n')

    with caplog.at_level(logging.WARNING):
        after = [models.now() for _ in range(5)]
    told = models.told()

    assert all(using is with_odds for using in after)
    assert len(caplog.records) == 1
    assert "matewindow models use literature" in told["trouble"]
    assert str(tmp_path) not in str(told)
    assert told["in_use"] == [name]
    with pytest.raises(ModelError):
        Models(BIOLOGY, Shelf(tmp_path))
    use(tmp_path)
    assert models.now().version == BIOLOGY.version
    assert models.told()["trouble"] == ""


def test_without_a_shelf_it_is_the_literature_whatever_is_chosen(tmp_path: Path) -> None:
    use(tmp_path, odds_model())
    models = Models(BIOLOGY)

    assert models.now() == literature_alone(BIOLOGY)
    assert [m["name"] for m in models.told()["models"]] == ["literature"]


def test_all_models_are_told_with_what_is_in_use(tmp_path: Path) -> None:
    rate = use(tmp_path, rate_model(0.3))
    spoilt = Shelf(tmp_path).add(odds_model())
    damage(tmp_path, spoilt)
    told = Models(BIOLOGY, Shelf(tmp_path)).told()

    assert [(m["name"], m["in_use"], bool(m["fault"])) for m in told["models"]] == [
        ("literature", False, False),
        (rate, True, False),
        (spoilt, False, True),
    ]
    assert (told["version"], told["model"]) == (f"{BIOLOGY.version}+{rate}",) * 2
    assert {p["name"]: p["value"] for p in told["parameters"]}["mating.flight_rate_per_h"] == 0.3
    assert str(tmp_path) not in str(told)


def test_parameters_that_cannot_be_read_are_no_fault_of_a_model(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        in_use(Settings(models_folder=tmp_path, learned_folder=tmp_path))

    assert "models use literature" not in str(caught.value)
