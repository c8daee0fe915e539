"""Models on their shelf: whole or not at all, checked when taken down, chosen and un-chosen."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from matewindow.errors import ParameterError, RequestError
from matewindow.learning.artefacts import CARD, IN_USE, MANIFEST, MODEL, Shelf, _sha256
from matewindow.learning.model import (
    FLIGHT_RATE,
    LITERATURE,
    RECALIBRATION,
    Model,
    ModelError,
    Proof,
    applied,
    parse_model,
)
from matewindow.learning.records import ground_of
from tests.learning.made_records import BIOLOGY, record

TESTED = Proof(by="season", n_groups=4, before=-0.61, after=-0.57, gain=0.04, bound=0.01, bound_records=0.02)
GROUND = ground_of([record(), record(success=False), record(success=None, season="2024")])


def rate_model(rate: float = 0.31, made_at: str = "2026-11-01T08:00:00Z", base: str = BIOLOGY.version) -> Model:
    name = "mating.flight_rate_per_h"
    beside = {"literature": 0.4, "prior_sd_log": 0.7, "gone": 0.06, "sd_log": 0.09}
    return Model(
        FLIGHT_RATE, base, made_at, "0.1.0", {name: rate}, {name: rate - 0.05}, {name: rate + 0.06}, beside, GROUND, TESTED
    )  # fmt: skip


def odds_model(base: str = BIOLOGY.version, a: float = -0.4) -> Model:
    beside = {"a_sd": 0.1, "b_sd": 0.1, "shows_30": 0.27, "shows_50": 0.4, "shows_70": 0.55, "shows_90": 0.76}
    values, low, high = {"a": a, "b": 0.7}, {"a": a - 0.16, "b": 0.54}, {"a": a + 0.16, "b": 0.86}
    return Model(RECALIBRATION, base, "2026-11-02T08:00:00Z", "0.1.0", values, low, high, beside, GROUND, TESTED)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "data" / "models")


# --- there and back ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", [rate_model(), odds_model()], ids=["rate", "odds"])
def test_a_model_comes_back_as_it_was_put_up(shelf: Shelf, model: Model) -> None:
    name = shelf.add(model, ["What became of them?"])

    assert shelf.get(name) == model
    assert shelf.names() == [name]
    assert name.startswith(f"{model.kind}-2026110")
    folder = shelf.home / name
    assert sorted(path.name for path in folder.iterdir()) == sorted([MODEL, CARD, MANIFEST])
    assert json.loads((folder / MODEL).read_text())["values"] == model.values  # plain JSON, nothing that runs
    assert [p.name for p in shelf.home.iterdir()] == [name]  # nothing half-written beside it


def test_the_same_model_twice_is_one_whenever_it_was_made(shelf: Shelf) -> None:
    assert shelf.add(rate_model()) == shelf.add(rate_model(made_at="2026-12-24T08:00:00Z"))
    assert len(shelf.names()) == 1


def test_the_card_says_what_from_which_records_how_it_did_and_when_not_to_use_it(shelf: Shelf) -> None:
    rate, odds = (shelf.card(shelf.add(m, ["What became of them?"])) for m in (rate_model(), odds_model()))

    for card in (rate, odds):
        for part in ("What it is", "From which records", "How it did", "When not to use it", "The way back"):
            assert f"## {part}" in card
        assert "3 queens grafted from 2025-06-01 to 2025-06-01: 1 came good, 1 did not, of 1 it is not known" in card
        assert "Seasons: 2024, 2025" in card
        assert GROUND.sha256 in card
        assert "-0.6100 nats before, -0.5700 after" in card
        assert "- What became of them?" in card
    assert "0.310, 90 % range 0.260 to 0.370; the literature has 0.400" in rate
    assert "70 % becomes 55 %" in odds


def test_models_are_listed_oldest_first_whatever_their_kind(shelf: Shelf) -> None:
    newest = shelf.add(rate_model(0.33, "2026-12-24T08:00:00Z"))
    middle = shelf.add(odds_model())
    oldest = shelf.add(rate_model())

    assert shelf.names() == [oldest, middle, newest]


def test_an_empty_shelf_is_the_literature_and_is_not_made_by_looking(shelf: Shelf) -> None:
    now = shelf.in_use(BIOLOGY)

    assert now.biology is BIOLOGY
    assert now.recalibration is None
    assert now.version == BIOLOGY.version
    assert shelf.entries() == []
    assert not shelf.home.exists()


# --- in use ------------------------------------------------------------------------------------------------------


def test_a_flight_rate_is_put_to_use_under_a_version_that_names_it(shelf: Shelf) -> None:
    name = shelf.add(rate_model())

    chosen = shelf.use(name, BIOLOGY)

    assert chosen.biology.mating.flight_rate_per_h == 0.31
    assert chosen.version == chosen.biology.version == f"{BIOLOGY.version}+{name}"
    assert shelf.in_use(BIOLOGY) == chosen
    assert [(e.name, e.in_use) for e in shelf.entries()] == [(name, True)]
    assert replace(chosen.biology, mating=BIOLOGY.mating, version=BIOLOGY.version) == BIOLOGY  # nothing else changed


def test_making_a_model_puts_nothing_to_use(shelf: Shelf) -> None:
    shelf.add(rate_model())

    assert shelf.in_use(BIOLOGY).biology is BIOLOGY


def test_any_earlier_model_can_be_chosen_again_and_the_literature_always(shelf: Shelf) -> None:
    first, second = shelf.add(rate_model(0.31)), shelf.add(rate_model(0.5, "2026-12-01T08:00:00Z"))

    rates = [
        shelf.use(name, BIOLOGY).biology.mating.flight_rate_per_h for name in (first, second, first, LITERATURE, second)
    ]

    assert rates == [0.31, 0.5, 0.31, 0.4, 0.5]
    assert shelf.names() == [first, second]


def test_odds_are_put_right_for_the_parameters_they_were_made_for_and_no_others(shelf: Shelf) -> None:
    rate, odds = shelf.add(rate_model()), shelf.add(odds_model())

    chosen = shelf.use(odds, BIOLOGY)
    assert chosen.recalibration is not None
    assert (chosen.recalibration.a, chosen.recalibration.b) == (-0.4, 0.7)
    assert chosen.biology.version == BIOLOGY.version
    assert chosen.version == f"{BIOLOGY.version}+{odds}"

    assert shelf.use(rate, BIOLOGY).recalibration is None  # its odds are others
    with pytest.raises(
        ModelError, match=r"fitted beside the parameters 2026\.1, and those in use are 2026\.1\+flight-rate"
    ):
        shelf.use(odds, BIOLOGY)
    assert shelf.using() == {FLIGHT_RATE: rate}

    both = shelf.add(odds_model(f"{BIOLOGY.version}+{rate}"))
    assert shelf.use(both, BIOLOGY).version == f"{BIOLOGY.version}+{rate}+{both}"


def test_a_model_fitted_beside_older_parameters_is_refused_when_the_program_brings_new_ones(shelf: Shelf) -> None:
    name = shelf.add(rate_model())
    shelf.use(name, BIOLOGY)
    newer = replace(BIOLOGY, version="2027.1")

    with pytest.raises(ModelError, match="Learn again with these"):
        shelf.in_use(newer)
    assert shelf.use(LITERATURE, newer).biology is newer


def test_a_rate_beyond_what_the_sources_support_is_refused(shelf: Shelf) -> None:
    name = shelf.add(rate_model(1.5))

    with pytest.raises(ParameterError, match="outside the allowed range"):
        shelf.use(name, BIOLOGY)
    assert shelf.using() == {}


def test_each_kind_does_its_own_and_nothing_else() -> None:
    with pytest.raises(ModelError, match="sets no parameter"):
        odds_model().applied(BIOLOGY, "x")
    with pytest.raises(ModelError, match="puts no odds right"):
        rate_model().recalibration(BIOLOGY.version, "x")
    assert applied(BIOLOGY, None) is BIOLOGY
    assert applied(BIOLOGY, rate_model(), "x").version == "2026.1+x"


# --- damage ------------------------------------------------------------------------------------------------------


def spoil_model(folder: Path) -> None:
    file = folder / MODEL
    file.write_text(file.read_text().replace("0.31", "0.55"))


def spoil_model_and_seal(folder: Path) -> None:
    """Edited by somebody who made the manifest fit: then the name does not."""
    spoil_model(folder)
    manifest = json.loads((folder / MANIFEST).read_text())
    manifest["sha256"][MODEL] = _sha256((folder / MODEL).read_bytes())
    (folder / MANIFEST).write_text(json.dumps(manifest))


SPOILT = {
    "edited": spoil_model,
    "edited and sealed again": spoil_model_and_seal,
    "card edited": lambda folder: (folder / CARD).write_text("# The best model ever"),
    "cut short": lambda folder: (folder / MODEL).write_bytes((folder / MODEL).read_bytes()[:100]),
    "model gone": lambda folder: (folder / MODEL).unlink(),
    "manifest gone": lambda folder: (folder / MANIFEST).unlink(),
    "manifest no JSON": lambda folder: (folder / MANIFEST).write_text("{"),
    "manifest of another kind": lambda folder: (folder / MANIFEST).write_text("[]"),
    "huge": lambda folder: (folder / MODEL).write_bytes(b" " * 2_000_000),
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT.keys())
def test_what_was_damaged_or_edited_is_refused_in_words_and_the_literature_stays_reachable(
    shelf: Shelf, spoil: Callable[[Path], object]
) -> None:
    good, bad = shelf.add(rate_model(0.5, "2026-12-01T08:00:00Z")), shelf.add(rate_model())
    shelf.use(bad, BIOLOGY)
    spoil(shelf.home / bad)

    for ask in (
        lambda: shelf.get(bad),
        lambda: shelf.card(bad),
        lambda: shelf.use(bad, BIOLOGY),
        lambda: shelf.in_use(BIOLOGY),
    ):
        with pytest.raises(ModelError, match=r"damaged|edited") as refused:
            ask()
        assert "matewindow models use literature" in str(refused.value)
    assert [(e.name, e.model is None, bool(e.fault)) for e in shelf.entries()] == [
        (bad, True, True),
        (good, False, False),
    ]
    assert shelf.use(good, BIOLOGY).biology.mating.flight_rate_per_h == 0.5
    assert shelf.use(LITERATURE, BIOLOGY).biology is BIOLOGY


@pytest.mark.parametrize("text", ["", "{", "[]", '{"flight-rate": "../../etc"}', '{"other": "flight-rate-20261101-00000000"}',
                                  '{"recalibration": "flight-rate-20261101-00000000"}', '{"flight-rate": 3}'])  # fmt: skip
def test_a_damaged_note_of_what_is_in_use_is_refused_and_mended_by_going_back(shelf: Shelf, text: str) -> None:
    shelf.home.mkdir(parents=True)
    (shelf.home / IN_USE).write_text(text)

    with pytest.raises(ModelError, match="use literature"):
        shelf.in_use(BIOLOGY)
    assert shelf.use(LITERATURE, BIOLOGY).biology is BIOLOGY
    assert shelf.in_use(BIOLOGY).biology is BIOLOGY


@pytest.mark.parametrize(
    "name", ["", "..", "../other", "flight-rate-20261101-00000000", "literature2", "flight-rate", "/etc"]
)
def test_names_of_no_model_are_refused_with_those_that_there_are(shelf: Shelf, name: str) -> None:
    there = shelf.add(rate_model())

    with pytest.raises(ModelError, match=f"there is no model.*literature, {there}"):
        shelf.get(name)


def test_folders_and_files_of_others_on_the_shelf_are_passed_over(shelf: Shelf) -> None:
    name = shelf.add(rate_model())
    (shelf.home / "notes").mkdir()
    (shelf.home / "flight-rate-20261101-deadbeef").write_text("a file")

    assert shelf.names() == [name]


def foreign() -> dict[str, dict[str, object]]:
    data = json.loads(rate_model().as_text())
    name = "mating.flight_rate_per_h"
    return {
        "no model": data | {"format": "other"},
        "of a later version": data | {"version": 2},
        "of another kind": data | {"kind": "horoscope"},
        "of a kind that is no text": data | {"kind": []},
        "with an extra field": data | {"code": "import os"},
        "with a text for a number": data | {"values": {name: "0.3"}},
        "with true for a number": data | {"values": {name: True}},
        "that sets something else": data | {"values": {"mating.loss_per_flight": 0.0}},
        "without its records": {k: v for k, v in data.items() if k != "ground"},
        "with records of another shape": data | {"ground": []},
        "without its own numbers": data | {"beside": {}},
        "that turns odds round": json.loads(odds_model().as_text()) | {"values": {"a": 0.0, "b": -1.0}},
    }


@pytest.mark.parametrize("data", foreign().values(), ids=foreign().keys())
def test_what_no_model_of_ours_says_is_refused_in_words(data: dict[str, object]) -> None:
    with pytest.raises(ModelError, match=r"model\.json: "):
        parse_model(json.dumps(data), "model.json")


@pytest.mark.parametrize("text", ["", "[", "null", "[]", '{"a": NaN}', "[" * 100_000, rate_model().as_text().replace("0.31", "NaN"),
                                  rate_model().as_text().replace("0.31", "1e999")])  # fmt: skip
def test_what_is_no_json_or_no_number_is_refused_in_words(text: str) -> None:
    with pytest.raises(ModelError):
        parse_model(text, "model.json")


def test_a_disk_that_refuses_leaves_nothing_behind(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.name == CARD:
            raise OSError(28, "No space left on device")
        return real(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(RequestError, match="No space left"):
        shelf.add(rate_model())

    assert list(shelf.home.iterdir()) == []
