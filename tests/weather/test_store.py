"""The store of fetched weather: what comes back is what was put in, or nothing; and it stays within its size."""

from __future__ import annotations

import errno
import io
import json
import os
import random
import shutil
import stat
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import filelock
import numpy as np
import pandas as pd
import platformdirs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import RequestError, StoreError, WeatherFileError
from matewindow.settings import Settings
from matewindow.weather import upkeep
from matewindow.weather.entries import Entry, Key, Received, sha256
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.store import Sweep, WeatherStore
from tests.weather.loopback import NOON, TurnedClock

if TYPE_CHECKING:
    from collections.abc import Callable

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
BODY = b'{"n": 1}'


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock()


@pytest.fixture
def store(tmp_path: Path, clock: TurnedClock) -> WeatherStore:
    return WeatherStore(tmp_path / "store", now=clock.now)


def key(*, source: str = "nws", site: str = "40_-97", kind: str = "forecast", **params: str) -> Key:
    return Key.of(source=source, site=site, kind=kind, url="https://weather.example/v1", params=params)


def received(body: bytes = BODY, at: datetime = NOON, *, of: Key | None = None, **more: Any) -> Received:
    about = {"url": "https://weather.example/v1", "params": {"lat": "40"}, "fetched_at": at, "status": 200}
    return Received(key=of or key(), body=body, **{**about, **more})


def weather(n_members: int = 2, n_hours: int = 30, shift: float = 0.0) -> Weather:
    """Member m, hour i: m + i / 7 + shift in °C and m/s; rain lacks a few hours."""
    times = np.datetime64("2026-06-01T00", "s") + np.arange(n_hours) * np.timedelta64(3600, "s")
    numbers = np.arange(n_members)[:, None] + np.arange(n_hours) / 7.0 + shift
    rain = np.where(np.arange(n_hours) % 5 == 0, np.nan, numbers / 100.0)
    about = Provenance(
        source="NWS",
        kind="ensemble",
        licence="invented for this test",
        model="none",
        run_time=datetime(2026, 6, 1, 0, tzinfo=UTC),
        fetched_at=NOON,
        native_step_h=3.0,
        latitude=40.1,
        longitude=-97.5,
        elevation_m=412.0,
        notes=("rain as it fell", "Größe mit Umlaut"),
    )
    return make_weather(times, {"temp_c": numbers, "wind_ms": numbers / 10.0, "rain_mm": rain}, about)


def bodies(store: WeatherStore) -> list[bytes]:
    return [store.body(entry) for entry in store.entries() if entry.has_body]


def scratch(store: WeatherStore) -> list[Path]:
    return list((store.folder / "tmp").iterdir())


# --- what comes back ----------------------------------------------------------------------------------------


def test_the_answers_to_a_request_come_newest_first_and_no_others(store: WeatherStore) -> None:
    for minutes in (5, 9, 0):
        store.put(received(b"%d" % minutes, NOON - minutes * MINUTE))
    store.put(received(b"another question", of=key(lat="41")))

    assert [store.body(entry) for entry in store.answers(key())] == [b"0", b"5", b"9"]
    assert list(store.answers(key(lat="42"))) == []


def test_an_answer_comes_back_as_it_was_received_with_all_that_was_said_about_it(store: WeatherStore) -> None:
    put = received(
        b"\x00\xff not text",
        status=203,
        content_type="application/json; charset=utf-8",
        etag='W/"tag, with \u00e4"',
        last_modified="Mon, 1 Jun 2026 11:59:07 +0000 (odd)",
        fresh_until=NOON + HOUR,
    )
    store.put(put)

    entry = store.latest(put.key)

    assert entry is not None
    assert store.body(entry) == put.body
    for name in (
        "key",
        "url",
        "params",
        "fetched_at",
        "status",
        "content_type",
        "etag",
        "last_modified",
        "fresh_until",
    ):
        assert getattr(entry, name) == getattr(put, name)
    assert (entry.checked_at, entry.n_bytes, entry.sha256) == (NOON, 11, sha256(put.body))


@settings(deadline=None, max_examples=30)
@given(st.binary(max_size=5000), st.text(max_size=30), st.dictionaries(st.text(max_size=9), st.text(max_size=9)))
def test_any_bytes_and_any_texts_come_back(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, tag: str, params: dict[str, str]
) -> None:
    store = WeatherStore(tmp_path_factory.mktemp("store"), now=TurnedClock().now)
    tag = tag.encode("utf-8", "ignore").decode()
    params = {k.encode("utf-8", "ignore").decode(): v.encode("utf-8", "ignore").decode() for k, v in params.items()}
    put = received(body, of=key(lat="1"), etag=tag, params=params)

    entry = store.put(put)

    assert store.latest(put.key) == entry
    assert (store.body(entry), entry.etag, entry.params) == (body, tag, params)


def test_another_process_sees_an_answer_at_once(store: WeatherStore) -> None:
    entry = store.put(received())

    assert WeatherStore(store.folder, now=store.now).latest(entry.key) == entry


def test_the_newest_answer_is_found_and_the_older_ones_are_kept(store: WeatherStore) -> None:
    for hour in (1, 0, 2):
        store.put(received(b"%d" % hour, NOON + hour * HOUR))
    store.put(received(b"other", of=key(lat="41")))
    store.now = lambda: NOON + DAY

    newest = store.latest(key())

    assert newest is not None
    assert store.body(newest) == b"2"
    assert sorted(bodies(store)) == [b"0", b"1", b"2", b"other"]


def test_an_answer_that_nobody_stored_is_not_found(store: WeatherStore) -> None:
    assert store.latest(key()) is None
    assert list(store.entries()) == []


@pytest.mark.parametrize(
    ("max_age", "n_found"), [(HOUR, 1), (HOUR - MINUTE, 0), (timedelta(0), 0), (DAY, 1), (None, 1)]
)
def test_an_answer_older_than_allowed_is_not_found(
    max_age: timedelta | None, n_found: int, store: WeatherStore, clock: TurnedClock
) -> None:
    entry = store.put(received())
    clock.turn(HOUR)

    assert store.latest(key(), max_age=max_age) == (entry if n_found else None)


def test_an_answer_from_a_clock_that_was_ahead_stands_behind_all_others(store: WeatherStore) -> None:
    store.put(received(b"ahead", NOON + 3650 * DAY))
    assert store.latest(key(), max_age=10_000 * DAY) is None
    store.put(received(b"right", NOON - DAY))

    newest = store.latest(key())

    assert newest is not None
    assert store.body(newest) == b"right"


def test_the_same_answer_again_is_noted_and_not_copied(store: WeatherStore, clock: TurnedClock) -> None:
    first = store.put(received(etag='"1"'))
    clock.turn(HOUR)

    again = store.put(received(at=clock.now(), fresh_until=clock.now() + HOUR))

    assert (again.id, again.fetched_at, again.checked_at) == (first.id, NOON, NOON + HOUR)
    assert (again.etag, again.fresh_until) == ('"1"', NOON + 2 * HOUR)
    assert again.age(NOON + 3 * HOUR) == 2 * HOUR
    assert store.state().n_answers == 1
    assert store.latest(key()) == again


def test_a_confirmation_may_bring_new_validators(store: WeatherStore) -> None:
    entry = store.put(received(etag='"1"', last_modified="then"))
    store.confirm(entry, received(b"", NOON + HOUR, etag='"2"'))

    latest = store.latest(key())

    assert latest is not None
    assert (latest.etag, latest.last_modified, latest.fresh_until) == ('"2"', "then", None)
    later = store.confirm(latest, received(b"", NOON + 2 * HOUR))
    assert later.etag == '"2"'


def test_answers_are_listed_by_source_site_and_kind(store: WeatherStore) -> None:
    for source, site, kind in (("nws", "a", "forecast"), ("nws", "b", "forecast"), ("dwd", "a", "analysis")):
        store.put(received(f"{source} {site} {kind}".encode(), of=key(source=source, site=site, kind=kind)))

    def listed(**which: str) -> list[str]:
        return [store.body(entry).decode() for entry in store.entries(**which)]

    assert listed() == ["dwd a analysis", "nws a forecast", "nws b forecast"]
    assert listed(source="nws") == ["nws a forecast", "nws b forecast"]
    assert listed(site="a", kind="forecast") == ["nws a forecast"]
    assert listed(source="ecmwf") == []


def test_the_order_of_parameters_does_not_make_another_request() -> None:
    assert key(a="1", b="2") == key(b="2", a="1")
    assert len({key(a="1"), key(a="2"), key(b="1"), key(a="1", b=""), key(site="x", a="1")}) == 5


@pytest.mark.parametrize("name", ["", "..", "a/b", "A", "a b", "x" * 81, "ends.", "nul\0", "é"])
def test_a_name_that_cannot_be_a_folder_is_refused(name: str) -> None:
    with pytest.raises(RequestError, match="cannot name a folder of the weather store"):
        key(site=name)


# --- normal form --------------------------------------------------------------------------------------------


def test_weather_in_normal_form_comes_back_exactly(store: WeatherStore) -> None:
    entry, before = store.put(received()), weather()
    store.save_normal(entry, before)

    after = store.load_normal(entry)

    assert after is not None
    pd.testing.assert_frame_equal(after.frame, before.frame, check_exact=True)
    assert after.provenance == before.provenance
    assert after.n_members == 2


def test_a_second_reading_of_an_answer_replaces_the_first(store: WeatherStore) -> None:
    entry = store.put(received())
    store.save_normal(entry, weather())
    store.save_normal(entry, weather(shift=1.0))

    after = store.load_normal(entry)

    assert after is not None
    assert after.frame["temp_c"].iloc[0] == 1.0
    assert store.state().n_normals == 1
    assert len(list(entry.folder.glob("normal.*"))) == 1


def test_what_has_no_normal_form_gives_none(store: WeatherStore) -> None:
    assert store.load_normal(store.put(received())) is None


def test_weather_that_would_not_pass_the_checks_is_not_kept(store: WeatherStore) -> None:
    good = weather()
    bad = Weather(good.frame.assign(temp_c=999.0), good.provenance)
    entry = store.put(received())

    with pytest.raises(WeatherFileError, match="999 °C is impossible"):
        store.save_normal(entry, bad)
    assert store.load_normal(entry) is None


def test_the_normal_form_of_a_dropped_answer_cannot_be_kept(store: WeatherStore) -> None:
    entry = store.put(received())
    shutil.rmtree(entry.folder)

    with pytest.raises(StoreError, match="has been dropped"):
        store.save_normal(entry, weather())
    assert scratch(store) == []


def test_a_pickle_in_a_normal_form_is_not_opened(store: WeatherStore) -> None:
    class Trap:
        def __reduce__(self) -> tuple[Callable[[str], int], tuple[str]]:
            return os.system, (f"touch {store.folder}/sprung",)

    packed = io.BytesIO()
    np.savez(packed, temp_c=np.array([Trap()], dtype=object))
    entry = store.put(received())
    (entry.folder / f"normal.{sha256(packed.getvalue())[:32]}.npz").write_bytes(packed.getvalue())

    assert store.load_normal(entry) is None
    assert not (store.folder / "sprung").exists()


# --- damage -------------------------------------------------------------------------------------------------


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ (1 << at % 8)]) + data[at + 1 :]


@pytest.mark.parametrize("name", ["meta.json", "body.gz", "check.json", "normal.*.npz"])
def test_a_flipped_bit_anywhere_is_never_served(
    name: str, tmp_path: Path, clock: TurnedClock, caplog: pytest.LogCaptureFixture
) -> None:
    """Every 7th byte of each file. What is found is the answer itself, unharmed, or an older one."""
    master = WeatherStore(tmp_path / "master", now=clock.now)
    older = master.put(received(b"older " * 20, NOON - HOUR))
    newer = master.put(received(b"newer " * 20, etag='"1"'))
    newer = master.confirm(newer, received(b"", NOON + MINUTE, fresh_until=NOON + HOUR))
    truth = weather(1, 3)
    master.save_normal(newer, truth)
    file = next(newer.folder.glob(name)).relative_to(master.folder)
    original = (master.folder / file).read_bytes()
    n_found = {"unharmed": 0, "older": 0, "unconfirmed": 0, "no normal form": 0}

    for at in range(0, len(original), 7):
        copy = tmp_path / f"copy-{at}"
        shutil.copytree(master.folder, copy)
        (copy / file).write_bytes(flipped(original, at))
        store = WeatherStore(copy, now=clock.now)
        entry = store.latest(newer.key)
        assert entry is not None
        if entry.id == older.id:
            n_found["older"] += 1
            assert store.body(entry) == b"older " * 20
            assert store.state().n_set_aside == 1
        else:
            assert store.body(entry) == b"newer " * 20
            unharmed = replace(entry, folder=newer.folder) == newer
            if not unharmed:
                n_found["unconfirmed"] += 1
                assert (entry.fresh_until, entry.checked_at) == (None, NOON)
            normal = store.load_normal(entry)
            if normal is None:
                n_found["no normal form"] += 1
            else:
                n_found["unharmed"] += unharmed
                pd.testing.assert_frame_equal(normal.frame, truth.frame, check_exact=True)
        shutil.rmtree(copy)

    n_flips = len(range(0, len(original), 7))
    expected = {"meta.json": "older", "check.json": "unconfirmed", "normal.*.npz": "no normal form"}
    if name == "body.gz":  # two bytes of the head of a gzip file mean nothing
        assert n_found["older"] >= n_flips - 2
    else:
        assert n_found[expected[name]] == n_flips
    assert "is damaged" in caplog.text or name == "check.json"


@pytest.mark.parametrize("name", ["meta.json", "body.gz"])
@pytest.mark.parametrize("left", [0, 1, 30])
def test_a_file_that_was_cut_off_is_set_aside_with_a_message(
    name: str, left: int, store: WeatherStore, caplog: pytest.LogCaptureFixture
) -> None:
    entry = store.put(received(random.Random(1).randbytes(500)))
    file = entry.folder / name
    file.write_bytes(file.read_bytes()[:left])

    assert store.latest(entry.key) is None
    assert store.state().n_set_aside == 1
    assert f"{entry.folder} is damaged" in caplog.text
    assert not entry.folder.exists()


def test_an_entry_without_its_description_is_set_aside(store: WeatherStore) -> None:
    entry = store.put(received())
    (entry.folder / "meta.json").unlink()

    assert list(store.entries()) == []
    assert store.state().n_set_aside == 1


def test_an_entry_that_was_moved_to_another_site_is_set_aside(store: WeatherStore) -> None:
    entry, elsewhere = store.put(received()), key(site="41_-97")
    (store.folder / elsewhere.path).mkdir(parents=True)
    entry.folder.rename(store.folder / elsewhere.path / entry.id)

    assert store.latest(elsewhere) is None
    assert store.state().n_set_aside == 1


def test_damage_found_when_the_body_is_read_is_an_error_that_says_what_to_do(store: WeatherStore) -> None:
    entry = store.put(received())
    (entry.folder / "body.gz").write_bytes(b"rot")

    with pytest.raises(StoreError, match=r"cannot be unpacked; it was set aside\. Fetch it again"):
        store.body(entry)


def test_an_answer_that_was_dropped_meanwhile_is_an_error_that_says_so(store: WeatherStore) -> None:
    entry = store.put(received())
    shutil.rmtree(entry.folder)

    assert store.latest(entry.key) is None
    assert store.confirm(entry, received(b"", NOON + HOUR)) == entry
    with pytest.raises(StoreError, match="not kept any more"):
        store.body(entry)
    assert store.state().n_set_aside == 0


def test_verifying_finds_all_that_is_damaged(store: WeatherStore) -> None:
    kept = [store.put(received(b"%d" % n, NOON + n * HOUR)) for n in range(4)]
    store.save_normal(kept[0], weather())
    (kept[1].folder / "body.gz").write_bytes(b"rot")
    (kept[2].folder / "meta.json").write_bytes(b"rot")
    next(kept[0].folder.glob("normal.*")).write_bytes(b"rot")

    assert store.verify() == 3
    assert store.verify() == 0
    assert bodies(store) == [b"0", b"3"]


def test_files_that_are_not_ours_are_let_be(store: WeatherStore) -> None:
    entry = store.put(received())
    (entry.folder.parent / ".DS_Store").write_bytes(b"x")
    (store.folder / "entries" / "notes.txt").write_bytes(b"x")

    assert store.latest(entry.key) == entry
    assert store.state().n_answers == 1
    assert store.state().n_set_aside == 0


# --- writing that fails -------------------------------------------------------------------------------------


def fail_at(monkeypatch: pytest.MonkeyPatch, step: int) -> list[str]:
    """Let the disk be full at the given flush or renaming; gives the steps that were taken."""
    taken: list[str] = []

    def guarded(name: str, real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            taken.append(name)
            if len(taken) == step:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real(*args, **kwargs)

        return call

    monkeypatch.setattr(os, "fsync", guarded("flush", os.fsync))
    monkeypatch.setattr(Path, "rename", guarded("rename", Path.rename))
    monkeypatch.setattr(Path, "replace", guarded("replace", Path.replace))
    return taken


def test_a_full_disk_at_any_step_of_a_write_leaves_what_was_there_and_no_half_entry(
    tmp_path: Path, clock: TurnedClock
) -> None:
    n_failed = 0
    for step in range(1, 30):
        store = WeatherStore(tmp_path / str(step), now=clock.now)
        store.put(received(b"old", NOON - HOUR))
        with pytest.MonkeyPatch.context() as patch:
            taken = fail_at(patch, step)
            try:
                store.put(received(b"new"))
            except StoreError as error:
                n_failed += 1
                assert "No space left on device" in str(error)  # noqa: PT017 - it fails at some steps only
                assert "MATEWINDOW_STORE_FOLDER" in str(error)  # noqa: PT017
        assert store.verify() == 0
        assert scratch(store) == []
        assert bodies(store) in ([b"old"], [b"old", b"new"])
        if len(taken) < step:
            break

    assert taken == ["flush", "flush", "flush", "rename", "flush"]
    assert n_failed == 5


def test_a_store_that_cannot_be_made_says_where_and_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(StoreError, match=r"file.*could not be made .*set MATEWINDOW_STORE_FOLDER"):
        WeatherStore(tmp_path / "file" / "store")


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_a_new_store_is_for_its_owner_only(tmp_path: Path) -> None:
    """It tells where the apiaries are."""
    WeatherStore(tmp_path / "deep" / "store")

    assert stat.S_IMODE((tmp_path / "deep" / "store").stat().st_mode) == 0o700


def test_the_store_is_in_the_users_data_folder_unless_the_settings_name_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(platformdirs, "user_data_dir", lambda name, **_: str(tmp_path / name))

    assert WeatherStore.at_home(Settings()).folder == tmp_path / "matewindow" / "weather"
    other = WeatherStore.at_home(Settings(store_folder=tmp_path / "other", store_max_mb=3.5))
    assert (other.folder, other.max_bytes) == (tmp_path / "other", 3_500_000)


# --- size ---------------------------------------------------------------------------------------------------


def filler(n: int, kilobytes: int = 100) -> bytes:
    """Bytes that gzip cannot shrink, other ones for each number."""
    return random.Random(n).randbytes(kilobytes * 1000)


def small(tmp_path: Path, clock: TurnedClock, max_mb: float) -> WeatherStore:
    return WeatherStore(tmp_path / "small", max_mb, now=clock.now)


def fill(
    store: WeatherStore, clock: TurnedClock, numbers: range, *, of: Key | None = None, normal: bool = False
) -> list[Entry]:
    kept = []
    for n in numbers:
        clock.turn(HOUR)
        kept.append(store.put(received(filler(n), clock.now(), of=of)))
        if normal:
            store.save_normal(kept[-1], weather(shift=n / 100))
    return kept


def test_the_oldest_superseded_runs_go_first_and_the_store_stays_within_its_size(
    tmp_path: Path, clock: TurnedClock
) -> None:
    store = small(tmp_path, clock, 1.0)
    sizes = []
    for n in range(30):
        fill(store, clock, range(n, n + 1))
        sizes.append(store.state().size_bytes)

    assert max(sizes) <= 1_000_000
    assert min(sizes[10:]) >= 750_000
    kept = bodies(store)
    assert kept == [filler(n) for n in range(30 - len(kept), 30)]
    assert scratch(store) == []


def test_of_superseded_runs_the_answer_goes_before_the_normal_form(tmp_path: Path, clock: TurnedClock) -> None:
    store = small(tmp_path, clock, 1.0)
    kept = fill(store, clock, range(20), normal=True)

    state = store.state()
    assert (state.n_answers, state.n_normals) == (20, 20)
    assert state.n_bodies < 10
    assert not kept[0].has_body
    first = store.load_normal(kept[0])
    assert first is not None
    assert first.frame["temp_c"].iloc[0] == 0.0
    assert [entry.id for entry in store.entries()] == [entry.id for entry in kept]
    assert store.latest(kept[0].key) == kept[-1]


def test_the_newest_of_each_site_source_and_kind_is_never_dropped(
    tmp_path: Path, clock: TurnedClock, caplog: pytest.LogCaptureFixture
) -> None:
    store = small(tmp_path, clock, 0.3)
    keys = [key(source=s, site=p, kind=k) for s in ("nws", "dwd") for p in ("a", "b") for k in ("forecast", "analysis")]
    newest = {}
    for n, of in enumerate(keys):
        newest[of] = fill(store, clock, range(10 * n, 10 * n + 2), of=of)[-1]

    assert {of: store.latest(of) for of in keys} == newest
    state = store.state()
    assert state.over
    assert state.n_answers == len(keys)
    assert "raise MATEWINDOW_STORE_MAX_MB" in caplog.text


def test_archive_years_go_last_and_that_is_said(
    tmp_path: Path, clock: TurnedClock, caplog: pytest.LogCaptureFixture
) -> None:
    store = small(tmp_path, clock, 1.0)
    years = [fill(store, clock, range(y, y + 1), of=key(kind="analysis", year=str(y)))[0] for y in range(2000, 2005)]
    fill(store, clock, range(20))
    assert all(store.latest(year.key) == year for year in years)
    assert "records of past weather were dropped" not in caplog.text

    more = [fill(store, clock, range(y, y + 1), of=key(kind="analysis", year=str(y)))[0] for y in range(2005, 2012)]

    still = [store.latest(year.key) is not None for year in years + more]
    assert still == sorted(still)
    assert not still[0]
    assert still[-1]
    assert len([e for e in store.entries(kind="forecast") if e.has_body]) == 1
    assert "records of past weather were dropped" in caplog.text


def test_an_archive_year_fetched_again_supersedes_its_older_copy_only(tmp_path: Path, clock: TurnedClock) -> None:
    store = small(tmp_path, clock, 1.0)
    same = fill(store, clock, range(1, 4), of=key(kind="analysis", year="2001"))
    other = fill(store, clock, range(4, 11), of=key(kind="analysis", year="2002"))

    assert store.latest(same[0].key) == same[-1]
    assert store.latest(other[0].key) == other[-1]
    assert not same[0].folder.exists()


def test_models_asked_in_turn_do_not_push_each_other_out(tmp_path: Path, clock: TurnedClock) -> None:
    """Not even where there is room for one of the three only."""
    store = small(tmp_path, clock, 0.15)
    newest = {}
    for n in range(12):
        of = key(kind="ensemble", models=f"model {n % 3}")
        newest[of] = fill(store, clock, range(n, n + 1), of=of)[0]

    assert {of: store.latest(of) for of in newest} == newest
    assert store.state().n_answers == 3


def test_requests_that_carry_a_date_are_superseded_after_three_days(tmp_path: Path, clock: TurnedClock) -> None:
    store = small(tmp_path, clock, 0.6)
    daily = []
    for n in range(12):
        clock.turn(DAY - HOUR)
        daily += fill(store, clock, range(n, n + 1), of=key(start=str(n)))

    assert not any(entry.folder.exists() for entry in daily[:6])
    assert all(entry.folder.exists() for entry in daily[-4:])


def test_an_entry_from_a_clock_that_was_ahead_does_not_count_as_the_newest(tmp_path: Path, clock: TurnedClock) -> None:
    store = small(tmp_path, clock, 0.5)
    ahead = store.put(received(filler(99), NOON + 3650 * DAY))
    kept = fill(store, clock, range(8))

    assert not ahead.folder.exists()
    assert store.latest(kept[-1].key) == kept[-1]


def test_what_was_set_aside_goes_before_anything_else(tmp_path: Path, clock: TurnedClock) -> None:
    store = small(tmp_path, clock, 1.0)
    kept = fill(store, clock, range(8))
    for entry in kept[3:5]:
        (entry.folder / "meta.json").write_bytes(b"rot")
    assert store.verify() == 2

    fill(store, clock, range(8, 10))

    assert store.state().n_set_aside == 0
    assert kept[0].folder.exists()


def test_what_other_processes_write_is_counted_too(tmp_path: Path, clock: TurnedClock) -> None:
    stores = [small(tmp_path, clock, 1.0) for _ in range(3)]
    sizes = []
    for n in range(30):
        fill(stores[n % 3], clock, range(n, n + 1))
        sizes.append(WeatherStore(stores[0].folder).state().size_bytes)

    assert max(sizes) <= 1_000_000


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_whatever_lies_in_the_store_the_newest_of_each_is_kept_and_records_go_after_forecasts(data: Any) -> None:
    choose = st.tuples(
        st.sampled_from(["nws", "dwd"]),
        st.sampled_from(["a", "b"]),
        st.sampled_from(["forecast", "ensemble", "analysis", "observation"]),
        st.sampled_from(["r1", "r2", "r3"]),
        st.integers(-200, 50),
        st.booleans(),
        st.booleans(),
    )
    held = []
    for n, (source, site, kind, request, hours, has_normal, has_body) in enumerate(
        data.draw(st.lists(choose, max_size=25))
    ):
        sizes = {"meta.json": 4096}
        sizes |= {"normal.x.npz": 4096} if has_normal else {}
        sizes |= {"body.gz": 8192} if has_body else {}
        folder = Path("entries", source, site, kind, request, str(n))
        held.append(upkeep.Holding(folder, NOON + hours * HOUR, sizes))

    dropped = list(upkeep.drops(held, NOON))

    whole = [drop.path for drop in dropped if drop.path.name != "body.gz"]
    assert len(set(whole)) == len(whole)
    by_subject: dict[tuple[str, ...], list[upkeep.Holding]] = {}
    for holding in held:
        by_subject.setdefault(holding.subject, []).append(holding)
    for group in by_subject.values():
        newest = max(group, key=lambda h: (h.fetched_at <= NOON + 5 * MINUTE, h.fetched_at, h.folder.name))
        assert newest.folder not in whole
        assert newest.folder / "body.gz" not in [drop.path for drop in dropped]
    order = [drop.of_records for drop in dropped]
    assert order == sorted(order)
    freed = sum(drop.size for drop in dropped)
    assert freed == sum(h.size for h in held if h.folder in whole)


# --- sweeping -----------------------------------------------------------------------------------------------


def test_what_a_dead_process_left_is_swept_after_an_hour_and_not_before(store: WeatherStore) -> None:
    entry = store.put(received())
    for name, hours in (("new", 0.9), ("old", 1.1)):
        folder = store.folder / "tmp" / name
        folder.mkdir()
        (folder / "body.gz").write_bytes(b"half")
        then = time.time() - hours * 3600
        os.utime(folder, (then, then))

    assert store.sweep() == Sweep(done=True, n_leftovers=1)
    assert [path.name for path in scratch(store)] == ["new"]
    assert store.sweep(leftover=timedelta(0)).n_leftovers == 1
    assert store.latest(entry.key) == entry


def test_only_one_process_sweeps_at_a_time(store: WeatherStore) -> None:
    with filelock.FileLock(store.folder / "locks" / "sweep.lock"):
        assert store.sweep() == Sweep(done=False)

    assert store.sweep() == Sweep(done=True)


def test_empty_folders_are_removed_and_can_be_filled_again(store: WeatherStore) -> None:
    entry = store.put(received())
    shutil.rmtree(entry.folder)
    store.sweep()

    assert list((store.folder / "entries").iterdir()) == []
    assert store.latest(store.put(received()).key) is not None


def test_the_state_says_what_is_there(store: WeatherStore, clock: TurnedClock) -> None:
    first = store.put(received(filler(1)))
    clock.turn(HOUR)
    store.put(received(filler(2), clock.now()))
    store.save_normal(first, weather())

    state = store.state()

    assert (state.n_answers, state.n_bodies, state.n_normals, state.n_set_aside) == (2, 2, 1, 0)
    assert (state.oldest, state.newest) == (NOON, NOON + HOUR)
    assert 200_000 < state.size_bytes < 250_000
    assert (state.max_bytes, state.over) == (500_000_000, False)


def test_the_description_of_an_entry_can_be_read_by_a_person(store: WeatherStore) -> None:
    entry = store.put(received())
    line, seal = (entry.folder / "meta.json").read_text().splitlines()

    assert json.loads(line)["url"] == "https://weather.example/v1"
    assert seal == sha256(line.encode())
