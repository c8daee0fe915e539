"""Records by ``field=value``: typed as a person types, told as a person reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from matewindow.biology import load_biology
from matewindow.register.database import Database, url_of
from matewindow.register.records import as_data
from matewindow.register.register import Register
from matewindow.settings import Settings
from tests.cli_register.conftest import SITE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def test_values_typed_as_text_get_the_types_of_their_fields(run: Callable[..., Any], home: Path) -> None:
    site = run(
        "records", "add", "site", *SITE, 'thresholds={"strict_temp_c": 17.5}', "quiet_from_h=11", "quiet_to_h=16",
        "drones_mature_from=2026-05-20", "notes=two\nlines",
    )  # fmt: skip
    builder = run("records", "add", "builder", "site=Orchard", "name=2", "queenright=yes", "strength_frames=12")
    batch = run(
        "records", "add", "batch", "builder=2", "site=Orchard", "grafted_on=2026-06-01", "grafted_at=14:30", "n_grafted=30",
        "larva_age_h=18", "name=",
    )  # fmt: skip

    assert site["thresholds"] == {"strict_temp_c": 17.5}
    assert (site["elevation_m"], site["quiet_from_h"]) == (210.0, 11.0)
    assert site["notes"] == "two\nlines"
    assert builder["queenright"] is True
    assert builder["name"] == "2"
    assert (batch["site_id"], batch["builder_id"]) == (site["id"], builder["id"])
    assert (batch["n_grafted"], batch["larva_age_h"], batch["grafted_at"]) == (30, 18.0, "14:30")


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("n_grafted=many", "n_grafted: must be a whole number"),
        ("n_grafted=3.5", "n_grafted: must be a whole number"),
        ("n_grafted=-1", "n_grafted: must be at least 0"),
        ("larva_age_h=18,5", "larva_age_h: must be a number"),
        ("larva_age_h=nan", "larva_age_h: must be a number"),
        ("grafted_on=June", "grafted_on: write a date as 2026-06-01"),
        ("grafted_on=2026-02-30", "grafted_on: there is no such day"),
        ("grafted_at=25:00", "grafted_at: there is no such time"),
        ("kept_in=oven", "kept_in: must be 'builder' or 'incubator'"),
        ("colour=blue", "colour: is no field of a batch"),
        ("site=Nowhere", "site_id: there is no site called 'Nowhere'"),
        ("emerged_on=2026-05-14", "emerged_on"),
        ("n_grafted", "field=value: 'n_grafted' tells no field"),
        ("=3", "field=value: '=3' tells no field"),
        ("notes=a\0b", "notes: a control character (U+0000)"),
    ],
)
def test_what_cannot_be_is_told_by_its_field(
    refused: Callable[..., str], run: Callable[..., Any], site: str, word: str, said: str
) -> None:
    given = {"site_id": f"site_id={site}", "grafted_on": "grafted_on=2026-05-13"}
    name = word.partition("=")[0]
    given.pop("site_id" if name == "site" else name, None)
    text = refused("records", "add", "batch", *given.values(), word)

    assert said in text
    assert run("records", "list", "batch")["items"] == []


def test_everything_wrong_with_a_record_is_told_at_once(refused: Callable[..., str], site: str) -> None:
    text = refused("records", "add", "batch", f"site_id={site}", "grafted_on=x", "n_grafted=y", "queen=z")
    assert all(name in text for name in ("grafted_on", "n_grafted", "queen"))


def test_an_empty_value_sets_a_field_back(run: Callable[..., Any], site: str, batch: str) -> None:
    run("records", "change", batch, "n_grafted=30", "notes=x", "kept_in=incubator")
    run("records", "change", site, "exposure=0.5", 'thresholds={"strict_temp_c": 17.5}')
    changed = run("records", "change", batch, "n_grafted=", "notes=", "kept_in=")
    assert (changed["n_grafted"], changed["notes"], changed["kept_in"]) == (None, "", "builder")
    assert run("records", "change", site, "exposure=", "thresholds=")["exposure"] == 1.0
    assert run("records", "show", site)["thresholds"] == {}


def test_a_field_that_must_be_told_cannot_be_cleared(refused: Callable[..., str], batch: str) -> None:
    assert "grafted_on" in refused("records", "change", batch, "grafted_on=")
    assert "site_id" in refused("records", "change", batch, "site=")


def test_a_record_goes_and_comes_back_with_its_history(
    run: Callable[..., Any], refused: Callable[..., str], batch: str
) -> None:
    run("records", "change", batch, "n_grafted=30")
    run("records", "undo", batch)
    run("records", "delete", batch)
    assert run("records", "list", "batches")["items"] == []
    assert [row["id"] for row in run("records", "list", "batch", "--deleted")["items"]] == [batch]
    assert run("records", "show", batch)["deleted_at"] is not None
    assert "was deleted" in refused("records", "change", batch, "n_grafted=1")
    run("records", "restore", batch)
    steps = run("records", "history", batch)["items"]

    assert [step["action"] for step in steps] == ["added", "changed", "undone", "deleted", "brought back"]
    assert [step["version"] for step in steps] == [1, 2, 3, 4, 5]
    assert all(step["who"].startswith("command line (") for step in steps)
    assert "is not deleted" in refused("records", "restore", batch)


def test_lists_are_filtered_by_fields(run: Callable[..., Any], refused: Callable[..., str], site: str) -> None:
    run("records", "add", "site", *SITE[1:], "name=Hill")
    for name, where, day, n in (("a", "Orchard", "01", "3"), ("b", "Hill", "02", ""), ("c", "Hill", "01", "3")):
        run("records", "add", "batch", f"site={where}", f"name={name}", f"grafted_on=2026-06-{day}", f"n_grafted={n}")

    def names(*where: str) -> list[str]:
        options = [part for word in where for part in ("--where", word)]
        return [row["name"] for row in run("records", "list", "batch", *options)["items"]]

    assert names() == ["a", "b", "c"]
    assert names("site=Hill") == ["b", "c"]
    assert names("site=Hill", "grafted_on=2026-06-01") == ["c"]
    assert names("n_grafted=3") == ["a", "c"]
    assert names("n_grafted=") == ["b"]
    assert names("name=nobody") == []
    assert "cannot be looked for" in refused("records", "list", "batch", "--where", "colour=blue")
    assert "is no value of it" in refused("records", "list", "batch", "--where", "grafted_on=June")
    assert "is no value of it" in refused("records", "list", "batch", "--where", "n_grafted=x")


def test_a_name_of_several_sites_is_refused(refused: Callable[..., str], run: Callable[..., Any], site: str) -> None:
    other = run("records", "add", "site", *SITE)["id"]
    text = refused("records", "add", "batch", "site=Orchard", "grafted_on=2026-06-01")
    assert "there are 2 sites called 'Orchard'" in text
    assert site in text
    assert other in text


def test_the_command_line_shows_what_the_register_holds(run: Callable[..., Any], batch: str, home: Path) -> None:
    database = Database(url_of(Settings(register=str(home / "register.sqlite"))))
    stored = as_data(Register(database, load_biology()).get("batch", batch))
    database.close()

    assert run("records", "show", batch) == stored
    assert run("records", "list", "batch")["items"] == [stored]


def test_tables_tell_the_same(run: Callable[..., Any], site: str, batch: str) -> None:
    run("records", "change", batch, "n_grafted=30")
    assert "Orchard" in run("records", "list", "site", text=True)
    assert "2026-05-13" in run("records", "show", batch, text=True)
    shown = " ".join(run("records", "history", batch, text=True).split())
    assert "30" in shown
    assert "There is no such nuc." in run("records", "list", "nuc", text=True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("show", "foo"), "'foo' is no id of a record"),
        (("show", "btch_0000000000000000"), "there is no batch 'btch_0000000000000000'"),
        (("list", "cow"), "'cow' is no kind of record"),
        (("add", "cow", "a=b"), "'cow' is no kind of record"),
        (("undo", "hook_0000000000000000"), "is no id of a record"),
    ],
)
def test_what_is_not_there_is_told(refused: Callable[..., str], site: str, words: tuple[str, ...], said: str) -> None:
    assert said in refused("records", *words)


def test_looking_makes_no_register(refused: Callable[..., str], home: Path) -> None:
    for words in (("records", "list", "site"), ("export", str(home / "x.json")), ("token", "list")):
        assert "there is no register there yet" in refused(*words)
    assert list(home.iterdir()) == []


def test_another_register_can_be_named(run: Callable[..., Any], site: str, home: Path) -> None:
    other = str(home / "other.sqlite")
    run("records", "add", "site", *SITE, "--register", other)
    assert run("records", "list", "site", "--register", other)["items"][0]["id"] != site
    assert len(run("records", "list", "site")["items"]) == 1
