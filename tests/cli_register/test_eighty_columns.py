"""Tables in a window of 80 columns: what is there to be copied stays whole."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from matewindow.cli.learning_tables import models_tables
from matewindow.cli.record_tables import access_tables, list_tables

SITE, BATCH, NUC = (f"{kind}_33fd6yf43b2966sm" for kind in ("site", "btch", "nuc"))
ROWS: dict[str, dict[str, Any]] = {
    "site": {
        "id": SITE,
        "name": "A rather long name of an apiary",
        "latitude": 53.2,
        "longitude": -1.9,
        "elevation_m": 210.0,
        "timezone": "America/Argentina/Buenos_Aires",
    },
    "batch": {
        "id": BATCH,
        "name": "May, first graft",
        "site_id": SITE,
        "grafted_on": "2026-05-13",
        "emerged_on": "2026-05-25",
        "ended_on": None,
    },
    "nuc": {
        "id": NUC,
        "name": "Nuc 12",
        "site_id": SITE,
        "batch_id": BATCH,
        "cell_placed_on": "2026-05-23",
        "emerged_on": None,
        "outcome": "laying",
    },
}


def lines(tables: list[Any]) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=80).print(*tables, sep="\n")
    return out.getvalue().splitlines()


@pytest.mark.parametrize("kind", ROWS)
def test_an_id_can_be_copied_from_a_list(kind: str) -> None:
    shown = lines(list_tables(kind, {"items": [ROWS[kind]]}))

    assert max(map(len, shown)) <= 80
    assert sum(ROWS[kind]["id"] in line for line in shown) == 1


def test_times_of_tokens_stand_without_fractions() -> None:
    token = {"id": "tokn_34brn1x6zj9yf5qn", "name": "phone", "created_at": "2026-12-01T19:11:24.381766Z"}

    assert "2026-12-01T19:11:24Z" in lines(access_tables("tokens", {"items": [token]}))[2]


def test_the_name_of_a_model_can_be_copied() -> None:
    name = "day-recalibration-20260601-b652d3f9"
    model = {"name": name, "made_at": "2026-06-01T06:00:00Z", "version": "2026.1", "records": 12345, "gain": 0.0236}

    shown = lines(models_tables({"models": [model | {"in_use": True, "fault": ""}]}))

    assert max(map(len, shown)) <= 80
    assert [line.split() for line in shown if name in line] == [
        ["*", name, "2026-06-01", "2026.1", "12,345", "+0.0236"]
    ]
