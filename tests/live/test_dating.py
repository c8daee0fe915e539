"""Which run an ensemble comes from: notes about the newest run are read before and after, and decide.

The run of 00 UTC is there from 07:40 on (the loopback server's delay), so that a pull around that time meets the change
wherever a test wants it: here a second passes with every call, and more where it is said.
"""

from __future__ import annotations

from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.weather.desk import Desk
from matewindow.weather.live.many import gather_many
from matewindow.weather.openmeteo_dating import fetch_run_metadata, run_at
from matewindow.weather.openmeteo_fetch import ENSEMBLE_MODEL, fetch_ensemble
from tests.live.helpers import BRITAIN, GERMANY, answered, desk_at, elsewhere, later, pull, sound
from tests.loopback.exchange import NOW

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.weather.http import Fetched, SourceRequest
    from matewindow.weather.normal import Provenance
    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

CHANGE = NOW.replace(hour=7, minute=40)
EARLIER, NEWER = (datetime.fromisoformat(t) for t in ("2026-05-31T18:00+00:00", "2026-06-01T00:00+00:00"))
SAID = "the newest run may have changed while it was asked for: it counts as that of 31 May 18:00 UTC, the earlier one"


@contextmanager
def watched_desk(
    server: LoopbackServer, folder: Path, then: Callable[[list[str]], None] = lambda _: None
) -> Iterator[Desk]:
    """A desk at which a second passes with every call; ``then`` is told the kinds of all that were made so far."""
    made: list[str] = []
    with desk_at(server, folder) as desk:
        get = desk.client.get

        def watched(request: SourceRequest, **how: Any) -> Fetched:
            try:
                return get(request, **how)
            finally:
                made.append(request.kind)
                later(server, seconds=1)
                then(made)

        desk.client.get = watched  # type: ignore[method-assign]  # an instance of this test
        yield desk


def asked(server: LoopbackServer) -> list[str]:
    """What the ensemble's host was asked for, in order: "note" or "ensemble"."""
    return ["note" if "meta.json" in e.path else "ensemble" for e in server.calls("open-meteo-ensemble")]


def ensemble(desk: Desk, site: Any = BRITAIN) -> Provenance:
    return fetch_ensemble(site, desk).weather.provenance


def after_first_note(server: LoopbackServer) -> Callable[[list[str]], None]:
    """The clock moves on to the change as soon as the first note is there."""

    def then(made: list[str]) -> None:
        if made == ["run"]:
            server.clock.set(CHANGE)

    return then


def test_a_new_ensemble_stands_between_two_notes_and_a_fresh_one_costs_none(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with watched_desk(server, tmp_path) as desk:
        first = ensemble(desk)
        assert asked(server) == ["note", "ensemble", "note"]
        later(server, minutes=50)
        assert ensemble(desk) == first
    assert asked(server) == ["note", "ensemble", "note"]
    assert (first.run_time, first.notes) == (EARLIER, ())


def test_the_note_after_one_ensemble_serves_as_the_one_before_the_next(server: LoopbackServer, tmp_path: Path) -> None:
    with watched_desk(server, tmp_path) as desk:
        found = [ensemble(desk, site) for site in (BRITAIN, GERMANY)]
    assert asked(server) == ["note", "ensemble", "note", "ensemble", "note"]
    assert [p.run_time for p in found] == [EARLIER, EARLIER]


def test_when_the_run_is_replaced_in_between_it_is_asked_once_more(server: LoopbackServer, tmp_path: Path) -> None:
    server.clock.set(CHANGE - timedelta(minutes=1))
    with watched_desk(server, tmp_path, after_first_note(server)) as desk:
        got = ensemble(desk)
        again = ensemble(desk)
    assert asked(server) == ["note", "ensemble", "note", "ensemble", "note"]
    assert (got.run_time, got.notes) == (NEWER, ())
    assert again == got
    assert sound(tmp_path, server)


@pytest.mark.parametrize("fault", ["broken", "unavailable", "throttled"])
def test_when_the_second_answer_fails_the_first_is_dated_by_the_earlier_run_and_it_is_said(
    fault: str, server: LoopbackServer, tmp_path: Path
) -> None:
    """What came may be of the newer run, as it is here; nobody can know."""
    server.clock.set(CHANGE - timedelta(minutes=1))
    to_change = after_first_note(server)

    def then(made: list[str]) -> None:
        to_change(made)
        if made == ["run", "ensemble"]:
            server.faults.on(fault, "open-meteo-ensemble", path="/v1/")

    with watched_desk(server, tmp_path, then) as desk:
        got = ensemble(desk)
        assert asked(server)[:4] == ["note", "ensemble", "note", "ensemble"]
        server.faults.off()
        assert ensemble(desk) == got  # it is fresh, and so it stays
    assert (got.run_time, got.notes) == (EARLIER, (SAID,))


def test_a_run_that_is_replaced_again_and_again_is_dated_by_the_earlier_one(
    server: LoopbackServer, tmp_path: Path
) -> None:
    server.clock.set(CHANGE - timedelta(minutes=1))
    to_change = after_first_note(server)

    def then(made: list[str]) -> None:
        to_change(made)
        if made == ["run", "ensemble", "run", "ensemble"]:
            server.clock.set(CHANGE + timedelta(hours=6))

    with watched_desk(server, tmp_path, then) as desk:
        got = ensemble(desk)
    assert asked(server) == ["note", "ensemble", "note", "ensemble", "note"]
    assert got.run_time == NEWER
    assert got.notes == (SAID.replace("31 May 18:00", "01 June 00:00"),)


def test_without_the_note_after_the_one_before_dates_it_and_it_is_said(server: LoopbackServer, tmp_path: Path) -> None:
    def then(made: list[str]) -> None:
        if made == ["run"]:
            server.faults.on("unavailable", "open-meteo-ensemble", path="/data/")

    with watched_desk(server, tmp_path, then) as desk:
        got = ensemble(desk)
    assert (got.run_time, got.notes) == (EARLIER, (SAID,))


@pytest.mark.parametrize("fault", ["unavailable", "html", "broken"])
def test_without_the_note_before_the_run_is_unknown_and_no_other_note_is_asked_for(
    fault: str, server: LoopbackServer, tmp_path: Path
) -> None:
    with watched_desk(server, tmp_path) as desk:
        fetch_run_metadata(desk, ENSEMBLE_MODEL)
        later(server, hours=1)  # a note of an hour ago says nothing about now
        server.forget()
        server.faults.on(fault, "open-meteo-ensemble", path="/data/")
        got = ensemble(desk)
    assert asked(server)[-1] == "ensemble"
    assert (got.run_time, got.notes) == (None, ())


def test_a_service_that_hangs_on_the_note_is_not_asked_for_the_ensemble(server: LoopbackServer, warm: Path) -> None:
    later(server, hours=2)
    server.faults.on("timeout", "open-meteo-ensemble", path="/data/")

    live = pull(server, GERMANY, warm)

    assert asked(server) == ["note"]
    assert answered(live, "ensemble") == "DWD MOSMIX, network"
    assert any("Open-Meteo gave no ensemble: it did not answer in time" in r for r in live.sources.remarks)


def test_an_answer_for_many_that_is_looked_up_after_the_next_run_has_come_keeps_its_run(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """Sites are read from the store when they are looked up; the note of that time is of another run."""
    server.clock.set(CHANGE - timedelta(minutes=10))
    sites = [BRITAIN, elsewhere(BRITAIN, name="Farthing", latitude=52.61, longitude=-2.31)]
    with watched_desk(server, tmp_path) as desk:
        many = gather_many(sites, desk, years=1)
        server.clock.set(CHANGE + timedelta(minutes=5))
        assert ensemble(desk, GERMANY).run_time == NEWER
        found = [many[site.name].weather.ensemble for site in sites]
    assert asked(server) == ["note", "ensemble", "note"] * 2
    assert [None if w is None else w.provenance.run_time for w in found] == [EARLIER, EARLIER]


def test_moments_are_dated_by_the_notes_around_them(server: LoopbackServer, tmp_path: Path) -> None:
    """Two notes name the earlier run and one the newer; between the second and the third nobody knows."""
    times = [CHANGE - timedelta(minutes=20), CHANGE - timedelta(minutes=10), CHANGE + timedelta(minutes=10)]
    with desk_at(server, tmp_path) as desk:
        for at in times:
            server.clock.set(at)
            fetch_run_metadata(desk, ENSEMBLE_MODEL, anew=True)

        def dated(minutes: int) -> tuple[datetime | None, tuple[str, ...]]:
            return run_at(desk, ENSEMBLE_MODEL, CHANGE + timedelta(minutes=minutes))

        assert dated(-21) == (None, ())
        assert dated(-15) == (EARLIER, ())
        assert dated(5) == (EARLIER, (SAID,))
        assert dated(10) == (NEWER, ())
        assert dated(24) == (NEWER, (SAID.replace("31 May 18:00", "01 June 00:00"),))
        assert dated(26) == (None, ())
        n_asked = len(server.calls())
    assert n_asked == 3
