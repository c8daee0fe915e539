"""Learnt models in use: one number from the command line and over HTTP, on record as it was issued, and a way back.

The invented weather of the demo lies in a folder as a keeper's own would; the demo itself uses no model.
"""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from matewindow.biology import load_biology
from matewindow.cli import app
from matewindow.demo import NOW
from matewindow.keeping.refresh import Refresher
from matewindow.learning.artefacts import IN_USE, Shelf
from matewindow.learning.model import ModelError
from matewindow.outlook import batch_outlook
from matewindow.register.tables import outlooks
from matewindow.site import read_site
from matewindow.sources import load_sources, site_biology
from matewindow.timeline import Batch, graft_time
from tests.made_models import LITERATURE_VERSION, damage, odds_model, rate_model, use
from tests.service.made import GRAFTED, Client, Clock, app_of, service_in

if TYPE_CHECKING:
    from collections.abc import Callable

    from api.service import Service

SAMPLE = Path(__file__).resolve().parents[2] / "sample_weather"
AT = ("--now", NOW.isoformat())
PLACE = ("--site", str(SAMPLE / "site.toml"), "--weather", str(SAMPLE))
GRAFT_DAYS = "from=2026-06-01&days=3&grafts=30"
MODELS = {"rate": [rate_model(0.2)], "odds": [odds_model()]}


class House:
    """A service with the demo's site and batch on real terms: its weather is a folder's, and models count."""

    def __init__(self, folder: Path, learned: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("matewindow.learning.inuse.default_home", lambda: learned)
        self.folder, self.learned, self.clock, self._asked = folder, learned, Clock(), 0
        self.open()
        self.site, self.batch = self.client.demo()

    def open(self) -> Service:
        """Start the service; what ran before is as good as ended."""
        self.service = service_in(self.folder, self.clock, demo=False, weather=str(SAMPLE))
        self.client = Client(app_of(self.service))
        return self.service

    def outlook(self) -> Any:
        """Each time a second later, and with another header field, lest an answer out of memory be given again."""
        self._asked += 1
        self.clock.now += timedelta(seconds=1)
        return self.client.get(f"/v1/batches/{self.batch}/outlook", user_agent=f"test {self._asked}").json

    def stored(self) -> list[dict[str, Any]]:
        """What was issued, oldest first."""
        with self.service.register.database.read() as connection:
            return [dict(r) for r in connection.execute(sa.select(outlooks).order_by(outlooks.c.id)).mappings()]


@pytest.fixture
def learned(tmp_path: Path) -> Path:
    return tmp_path / "learned"


@pytest.fixture
def house(tmp_path: Path, learned: Path, monkeypatch: pytest.MonkeyPatch) -> House:
    return House(tmp_path, learned, monkeypatch)


@pytest.fixture
def run(tmp_path: Path, learned: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Runs a command; its JSON, or its text with ``text=True``."""
    monkeypatch.setenv("MATEWINDOW_LEARNED_FOLDER", str(learned))
    monkeypatch.setenv("MATEWINDOW_REGISTER", str(tmp_path / "register.sqlite"))
    monkeypatch.setenv("COLUMNS", "200")

    def run_(*arguments: str, text: bool = False) -> Any:
        result = CliRunner().invoke(app, [*arguments, *([] if text else ["--json"])], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output if text else json.loads(result.stdout)

    return run_


# --- one number -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_window_outlook_and_http_give_one_number_to_the_last_digit(
    house: House, run: Callable[..., Any], model: str
) -> None:
    plain = house.outlook()
    name = use(house.learned, *MODELS[model])

    over_http = house.outlook()
    thought_of = house.client.get(f"/v1/sites/{house.site}/window?graft={GRAFTED}").json
    window = run("window", *PLACE, "--graft", GRAFTED, *AT)
    shown = run("outlook", house.batch, "--weather", str(SAMPLE), *AT)

    assert over_http["p_well_mated"] < plain["p_well_mated"] - 0.02
    for report in (thought_of, window, shown):
        for field in (
            "p_well_mated",
            "p_well_mated_range",
            "p_well_mated_usual",
            "p_well_mated_by_weather",
            "fates",
            "risk_poor_mating_range",
            "days",
            "message",
            "model",
        ):
            assert report[field] == over_http[field], field
    assert over_http["model"] == f"{LITERATURE_VERSION}+{name}"
    assert over_http["fates"]["well_mated"] == pytest.approx(over_http["p_well_mated"], abs=1e-12)
    assert sum(over_http["fates"].values()) == pytest.approx(1.0)


@pytest.mark.parametrize("model", MODELS)
def test_days_to_graft_on_are_the_same_from_the_command_line_and_over_http(
    house: House, run: Callable[..., Any], model: str
) -> None:
    path = f"/v1/sites/{house.site}/graft-days?{GRAFT_DAYS}"
    plain = house.client.get(path).json
    use(house.learned, *MODELS[model])

    over_http = house.client.get(path).json
    typed = run("graft", *PLACE, "--from", "2026-06-01", "--days", "3", "--grafts", "30", *AT)

    for field in ("recommendation", "days", "shares", "model", "parameters"):
        assert typed[field] == over_http[field], field
    for before, day in zip(plain["days"], over_http["days"], strict=True):
        assert day["p_well_mated"] < before["p_well_mated"]
        assert day["expected_laying"] < before["expected_laying"]
        assert day["p_well_mated_by_weather"]["mean"] == pytest.approx(day["p_well_mated"], abs=1e-12)


def test_a_recalibration_is_what_stands_between_the_two_numbers(house: House) -> None:
    """The number itself: the formula on the number without the model, worked out here once more."""
    from math import exp, log

    def by_hand(p: float) -> float:
        return 1.0 / (1.0 + exp(-(-0.4 + 0.7 * log(p / (1.0 - p)))))

    path = f"/v1/sites/{house.site}/graft-days?{GRAFT_DAYS}"
    plain, days = house.outlook(), house.client.get(path).json["days"]
    use(house.learned, odds_model(a=-0.4, b=0.7))

    assert house.outlook()["p_well_mated"] == pytest.approx(by_hand(plain["p_well_mated"]), abs=1e-12)
    for before, day in zip(days, house.client.get(path).json["days"], strict=True):
        assert day["p_well_mated"] == pytest.approx(by_hand(before["p_well_mated"]), abs=1e-12)
        assert day["p_well_mated_usual"] == pytest.approx(by_hand(before["p_well_mated_usual"]), abs=1e-12)


def test_laying_and_hours_say_which_model_made_them(house: House, run: Callable[..., Any]) -> None:
    name = use(house.learned, odds_model())
    version = f"{LITERATURE_VERSION}+{name}"

    check = house.client.get(f"/v1/batches/{house.batch}/laying-check").json
    typed = run("laying", *PLACE, "--graft", GRAFTED, *AT)
    hours = house.client.get(f"/v1/sites/{house.site}/hours?days=1").json
    typed_hours = run("hours", *PLACE, "--days", "1", *AT)

    assert check["model"] == typed["model"] == version
    assert check["p_well_mated"] == typed["p_well_mated"] == pytest.approx(house.outlook()["p_well_mated"], abs=1e-9)
    assert hours["model"] == typed_hours["model"] == LITERATURE_VERSION  # odds are put right, flight hours are not


def test_after_a_look_odds_are_the_chains_and_said_to_be(house: House, run: Callable[..., Any]) -> None:
    look = ("--check", "2026-05-31:virgin")
    before = run("window", *PLACE, "--graft", GRAFTED, *look, *AT)
    use(house.learned, odds_model())
    house.client.add("checks", batch_id=house.batch, day="2026-05-31", saw="virgin")

    over_http, after = house.outlook(), run("window", *PLACE, "--graft", GRAFTED, *look, *AT)

    assert over_http["p_well_mated"] == after["p_well_mated"] == before["p_well_mated"]
    assert over_http["model"] == after["model"] == LITERATURE_VERSION
    assert house.stored()[-1]["parameters"] == LITERATURE_VERSION


def test_a_nuc_and_counted_queens_follow(house: House) -> None:
    client = house.client
    etag = client.get(f"/v1/batches/{house.batch}")["etag"]
    answer = client("PATCH", f"/v1/batches/{house.batch}", {"n_placed": 20}, headers={"If-Match": etag})
    assert answer.status == 200, answer.body
    nuc = client.add("nucs", site_id=house.site, batch_id=house.batch, name="1")["id"]
    before = house.outlook()
    use(house.learned, odds_model())
    after = house.outlook()

    assert client.get(f"/v1/nucs/{nuc}/outlook").json["p_well_mated"] == after["p_well_mated"]
    share = before["expected_laying"]["mean"] / before["p_well_mated"]
    assert after["expected_laying"]["mean"] == pytest.approx(share * after["p_well_mated"])


# --- on record --------------------------------------------------------------------------------------------------------


def test_outlooks_stay_as_they_were_issued_and_the_way_back_brings_the_old_number(house: House) -> None:
    first = house.outlook()
    name = use(house.learned, odds_model())
    second = house.outlook()
    use(house.learned)
    third = house.outlook()

    assert len({o["outlook_id"] for o in (first, second, third)}) == 3
    assert third["p_well_mated"] == first["p_well_mated"] != second["p_well_mated"]
    assert [row["parameters"] for row in house.stored()] == [
        LITERATURE_VERSION,
        f"{LITERATURE_VERSION}+{name}",
        LITERATURE_VERSION,
    ]
    for outlook in (first, second, third):
        assert house.client.get(f"/v1/outlooks/{outlook['outlook_id']}").json == outlook
    listed = house.client.get(f"/v1/batches/{house.batch}/outlooks").json["items"]
    assert [o["p_well_mated"] for o in listed] == [o["p_well_mated"] for o in (first, second, third)]


def test_another_model_makes_a_new_outlook_after_a_restart_and_the_same_one_none(house: House) -> None:
    first = house.outlook()
    house.open()
    assert house.outlook()["outlook_id"] == first["outlook_id"]
    name = use(house.learned, rate_model(0.2))
    house.open()

    again = house.outlook()

    assert again["outlook_id"] != first["outlook_id"]
    assert again["model"] == again["parameters"] == f"{LITERATURE_VERSION}+{name}"
    house.open()
    assert house.outlook()["outlook_id"] == again["outlook_id"]


def test_a_refresh_sees_the_choice_too_and_warns_of_nothing(house: House) -> None:
    """Odds that fall by another model have not fallen by the weather: nobody is woken for that."""
    refresher = Refresher(house.service.keeper)
    refresher.refresh(house.site)
    house.clock.now += timedelta(seconds=1)
    name = use(house.learned, odds_model(a=-1.2))
    refreshed = refresher.refresh(house.site)

    rows = house.stored()
    assert refreshed.issued == 1
    assert rows[-1]["parameters"] == f"{LITERATURE_VERSION}+{name}"
    assert rows[-1]["p_well_mated"] < rows[0]["p_well_mated"] - 0.2
    assert rows[-1]["reading"]["p"] == pytest.approx(rows[-1]["p_well_mated"], abs=1e-5)
    assert house.client.get("/v1/warnings").json["items"] == []
    assert not any("last two runs" in w for w in house.outlook()["warnings"])


# --- without a model --------------------------------------------------------------------------------------------------


def test_without_a_model_nothing_changes(house: House, run: Callable[..., Any]) -> None:
    """The library's own number, whether there is a folder of models or not, and whether one lies there unused."""
    place = read_site(SAMPLE / "site.toml")
    biology = site_biology(place, load_biology())
    batch = Batch(graft_time(NOW.date().replace(month=5, day=13), place))
    expected = batch_outlook(batch, place, load_sources(SAMPLE, place, biology), NOW, biology)
    first = house.outlook()
    Shelf(house.learned).add(odds_model())

    window = run("window", *PLACE, "--graft", GRAFTED, *AT)

    assert house.outlook()["outlook_id"] == first["outlook_id"]
    assert first["p_well_mated"] == window["p_well_mated"] == expected.well_mated.value
    assert first["fates"] == window["fates"] == expected.fates
    assert first["model"] == first["parameters"] == window["model"] == LITERATURE_VERSION
    assert "Model:" not in run("window", *PLACE, "--graft", GRAFTED, *AT, text=True)


def test_the_demo_uses_no_model(house: House, run: Callable[..., Any], tmp_path: Path) -> None:
    pictures = str(tmp_path / "pictures")
    before = run("demo", "--out", pictures), run("outlook", house.batch, "--weather", "demo")
    use(house.learned, odds_model())
    (tmp_path / "demo").mkdir()
    client = Client(app_of(service_in(tmp_path / "demo", Clock())))
    _, batch = client.demo()

    assert (run("demo", "--out", pictures), run("outlook", house.batch, "--weather", "demo")) == before
    assert client.get(f"/v1/batches/{batch}/outlook").json["model"] == LITERATURE_VERSION
    assert [m["name"] for m in client.get("/v1/models").json["models"]] == ["literature"]


# --- told -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [
        ("window", *PLACE, "--graft", GRAFTED, *AT),
        ("graft", *PLACE, "--from", "2026-06-01", "--days", "2", *AT),
        ("laying", *PLACE, "--graft", GRAFTED, *AT),
        ("hours", *PLACE, "--days", "1", *AT),
    ],
    ids=lambda command: str(command[0]),
)
def test_tables_have_a_line_on_the_model(run: Callable[..., Any], learned: Path, command: tuple[str, ...]) -> None:
    name = use(learned, rate_model(0.2))

    assert f"Model: {LITERATURE_VERSION}+{name}, learnt from records." in run(*command, text=True)


def test_the_service_tells_what_is_in_use_and_all_there_is(house: House) -> None:
    before = house.client.get("/v1/models").json
    rate = use(house.learned, rate_model(0.2))
    odds = use(house.learned, odds_model(base=f"{LITERATURE_VERSION}+{rate}"))
    spoilt = Shelf(house.learned).add(odds_model(a=-0.1))
    damage(house.learned, spoilt)
    after = house.client.get("/v1/models").json

    assert (before["in_use"], before["recalibration"], [m["name"] for m in before["models"]]) == (
        [],
        None,
        ["literature"],
    )
    assert after["version"] == f"{LITERATURE_VERSION}+{rate}"
    assert after["model"] == f"{LITERATURE_VERSION}+{rate}+{odds}"
    assert sorted(after["in_use"]) == sorted([rate, odds])
    assert after["recalibration"] == {"a": -0.4, "b": 0.7, "effects": {}}
    assert {m["name"]: (m["in_use"], bool(m["fault"])) for m in after["models"]} == {
        "literature": (False, False),
        rate: (True, False),
        odds: (True, False),
        spoilt: (False, True),
    }
    assert {p["name"]: p["value"] for p in after["parameters"]}["mating.flight_rate_per_h"] == 0.2
    assert str(house.learned) not in json.dumps(after)


# --- damaged ----------------------------------------------------------------------------------------------------------


def test_a_damaged_model_in_use_is_one_message_on_the_command_line(run: Callable[..., Any], learned: Path) -> None:
    damage(learned, use(learned, odds_model()))

    for command in (
        ("window", *PLACE, "--graft", GRAFTED, *AT),
        ("graft", *PLACE, "--from", "2026-06-01", *AT),
        ("laying", *PLACE, "--graft", GRAFTED, *AT),
        ("hours", *PLACE, *AT),
    ):
        with pytest.raises(ModelError) as fault:
            CliRunner().invoke(app, list(command), catch_exceptions=False)
        assert "matewindow models use literature" in str(fault.value)
    use(learned)
    assert run("window", *PLACE, "--graft", GRAFTED, *AT)["model"] == LITERATURE_VERSION


def test_a_service_does_not_start_with_a_damaged_model_but_goes_on_with_a_sound_one(house: House) -> None:
    sound = use(house.learned, rate_model(0.2))
    assert house.outlook()["model"].endswith(sound)
    spoilt = Shelf(house.learned).add(odds_model())
    damage(house.learned, spoilt)
    (house.learned / IN_USE).write_text(json.dumps({"recalibration": spoilt}))

    assert house.outlook()["model"].endswith(sound)
    assert "cannot be used" in house.client.get("/v1/models").json["trouble"]
    with pytest.raises(ModelError, match="matewindow models use literature"):
        house.open()
    use(house.learned)
    assert house.outlook()["model"] == LITERATURE_VERSION
    assert house.open().models.now().version == LITERATURE_VERSION
