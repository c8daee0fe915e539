"""Whatever is asked, of whatever place and weather: an answer that holds together or one message, never a crash.

200 requests by chance (seeded), each put to all four commands as a user would: any position with its time zone or a
wrong one, any parts of the sample weather with hours and columns missing, any dates, looks and limits.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import math
import re
import sys
import tomllib
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import typer
import tzfpy

from matewindow import cli, sources
from matewindow.keeping import weather as keeping_weather
from matewindow.weather.folder import WeatherFolder, read_folder
from matewindow.weather.normal import Weather, make_weather
from tests.conftest import SAMPLE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site

N_REQUESTS, N_GROUPS = 200, 20
ZONES = ("Europe/London", "America/New_York", "Pacific/Chatham", "Pacific/Kiritimati", "Asia/Kathmandu", "Etc/UTC")
SEAMS = [(-44.0, -176.5), (-20.9, -175.2), (-16.5, -179.9), (-13.8, -171.8), (-36.8, 174.8), (64.7, 177.5)]
COMMANDS = typer.main.get_command(cli.app)  # Typer would build it anew from its annotations for every request
PAST_FROM = np.datetime64("2021-01-01")


@cache
def sample() -> WeatherFolder:
    """The sample weather, its past cut to five years and its ensemble to five members: a request then takes no time."""
    from matewindow.site import read_site

    whole = read_folder(SAMPLE, read_site(SAMPLE / "site.toml"))
    assert whole.record is not None
    assert whole.ensemble is not None
    record = rebuilt(whole.record, whole.record.times >= PAST_FROM)
    return replace(whole, record=record, past=record, ensemble=rebuilt(whole.ensemble, slice(None), n_members=5))


def rebuilt(weather: Weather, hours: Any, *, n_members: int | None = None, shift_h: int = 0, **changed: Any) -> Weather:
    """Some hours and members of weather, moved by hours so that it is warm by day at another longitude too."""
    columns = {str(name): weather.values(str(name)) for name in weather.frame.columns}
    kept = {name: values[:n_members, hours] for name, values in columns.items() if values is not None}
    for name, change in changed.items():
        if name in kept:
            kept[name] = change(kept[name])
    times = weather.times[hours] + np.timedelta64(shift_h, "h")
    return make_weather(times, {name: v for name, v in kept.items() if v is not None}, weather.provenance)


def holed(weather: Weather | None, rng: np.random.Generator, shift_h: int) -> Weather | None:
    """The weather with what sources lack: single hours, days on end, rain, light, or nothing."""
    if weather is None or rng.random() < 0.3:
        return None
    start, wide = int(rng.integers(0, len(weather.times))), int(rng.integers(1, 200))

    def gap(values: Any) -> Any:
        out = values.copy()
        out[:, start : start + wide] = np.nan
        out[rng.random(out.shape) < rng.choice([0.0, 0.001, 0.05])] = np.nan
        return out

    changed: dict[str, Any] = {name: gap for name in ("temp_c", "wind_ms") if rng.random() < 0.4}
    changed |= {name: (lambda _: None) for name in ("rain_mm", "ghi_wm2", "cloud_frac") if rng.random() < 0.15}
    return rebuilt(weather, slice(None), shift_h=shift_h, **changed)


@dataclass(frozen=True)
class Request:
    """One request by chance: a site file, weather, and the options of each command."""

    site: str
    weather: WeatherFolder
    commands: dict[str, list[str]]


def drawn(seed: int) -> Request:
    rng = np.random.default_rng(seed)
    if rng.random() < 0.2:
        latitude, longitude = SEAMS[int(rng.integers(len(SEAMS)))]
    else:
        latitude, longitude = round(float(rng.uniform(-90, 90)), 2), round(float(rng.uniform(-180, 180)), 2)
    zone = tzfpy.get_tz(longitude, latitude) if rng.random() < 0.85 else str(rng.choice(ZONES))
    now = datetime(2026, 6, 1, 6, tzinfo=UTC) + timedelta(days=int(rng.choice([0, 0, *rng.integers(-40, 40, 3)])))
    grafted = now.date() + timedelta(days=int(rng.integers(-45, 20)))
    lines = [
        'name = "Anywhere (invented)"',
        f"latitude = {latitude}",
        f"longitude = {longitude}",
        f"elevation = {int(rng.integers(-100, 3000))}",
        f'timezone = "{zone}"',
        f"exposure = {rng.choice([0.2, 0.7, 1.0, 1.2])}",
    ]
    if rng.random() < 0.4:
        lines.append(f"drones_mature_from = {now.date() + timedelta(days=int(rng.integers(-60, 60)))}")
    if rng.random() < 0.2:
        lines.append(f"[thresholds]\ntemp_midpoint_c = {rng.uniform(15.0, 22.0):.1f}")
    shift_h = -round(longitude / 15.0)
    part = sample()
    record = holed(part.record, rng, shift_h)
    weather = WeatherFolder(
        forecast=holed(part.forecast, rng, shift_h),
        ensemble=holed(part.ensemble, rng, shift_h),
        record=record,
        past=record if rng.random() < 0.8 else None,
    )
    commands = {
        "graft": ["--from", f"{now.date() + timedelta(days=int(rng.integers(-5, 15)))}", *graft_options(rng, now)],
        "window": ["--graft", f"{grafted}", *window_options(rng, now, grafted)],
        "hours": hours_options(rng, now),
    }
    rng = np.random.default_rng([seed, 1])  # of its own, so that the requests above stay what they are
    commands["laying"] = ["--graft", f"{grafted}", *laying_options(rng, now, grafted)]
    clock = ["--now", now.isoformat()]
    return Request("\n".join(lines), weather, {name: [*clock, *options] for name, options in commands.items()})


def graft_options(rng: np.random.Generator, now: datetime) -> list[str]:
    options = ["--days", str(rng.integers(1, 9)), "--grafts", str(rng.choice([1, 20, 1500]))]
    for name, share, reach in (("--by", 0.3, 60), ("--builder-free-from", 0.3, 12), ("--nucs-free-from", 0.3, 20)):
        if rng.random() < share:
            options += [name, f"{now.date() + timedelta(days=int(rng.integers(0, reach)))}"]
    if rng.random() < 0.3:
        options += ["--day-off", str(rng.choice(["sun", "monday", "Wed"]))]
    return [*options, "--nuc", str(rng.choice(["mini", "few-frames", "five-frames"]))]


def window_options(rng: np.random.Generator, now: datetime, grafted: date) -> list[str]:
    born = grafted + timedelta(days=12)
    options = []
    if rng.random() < 0.3:
        options += ["--emerged", f"{born + timedelta(days=int(rng.integers(-1, 3)))}"]
    if rng.random() < 0.3:
        options += ["--moved", f"{grafted + timedelta(days=int(rng.integers(0, 14)))}T09:30"]
    for _ in range(int(rng.choice([0, 0, 1, 2]))):
        seen = str(rng.choice(["eggs", "virgin", "nothing"]))
        options += ["--check", f"{min(born + timedelta(days=int(rng.integers(0, 30))), now.date())}:{seen}"]
    return options


def laying_options(rng: np.random.Generator, now: datetime, grafted: date) -> list[str]:
    options = window_options(rng, now, grafted)
    if rng.random() < 0.3:
        options += ["--nuc-without-brood-since", f"{now.date() - timedelta(days=int(rng.integers(-2, 40)))}"]
    if rng.random() < 0.3:
        options += ["--mated-queen-cost", str(rng.choice([0, 0.5, 3]))]
    if rng.random() < 0.2:
        options += ["--larva-age", str(rng.choice([0, 20, 60]))]
    return [*options, "--nuc", str(rng.choice(["mini", "few-frames", "five-frames"]))]


def hours_options(rng: np.random.Generator, now: datetime) -> list[str]:
    if rng.random() < 0.2:
        return []
    first = now.date() + timedelta(days=int(rng.integers(-20, 20)))
    return ["--from", f"{first}", "--days", str(rng.integers(1, 6))]


def run(arguments: list[str], monkeypatch: pytest.MonkeyPatch) -> tuple[int, str, str]:
    """Exit code and what was printed, of the whole command line as it is started."""
    out, err = io.StringIO(), io.StringIO()
    monkeypatch.setattr(sys, "argv", ["matewindow", *arguments])
    monkeypatch.setattr(cli, "app", COMMANDS)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as ended:
        cli.main()
    code = ended.value.code
    assert code is None or isinstance(code, int)
    return code or 0, out.getvalue(), err.getvalue()


def no_constant(name: str) -> None:
    raise AssertionError(f"{name} in the JSON")


def numbers(node: Any, key: str = "") -> Iterator[tuple[str, float]]:
    """Every number with the key that it stands under."""
    if isinstance(node, dict):
        for name, inner in node.items():
            yield from numbers(inner, name)
    elif isinstance(node, list):
        for inner in node:
            yield from numbers(inner, key)
    elif isinstance(node, float) or (isinstance(node, int) and not isinstance(node, bool)):
        yield key, float(node)


SHARES = (
    "p_",
    "risk_",
    "worth_it_from",
    "forecast_share",
    "forecast_weight",
    "drones",
    "share",
    "strictly",
    "suitable",
)
ROUNDING = 1e-9


def assert_holds_together(report: dict[str, Any], command: str) -> None:
    for key, value in numbers(report):
        assert math.isfinite(value), key
        if key.startswith(SHARES) or key in ("mean_shares", "observed", "forecast", "past_years_share", "unknown"):
            assert -ROUNDING <= value <= 1.0 + ROUNDING, (key, value)
    assert report["cautions"]
    if command == "window":
        assert math.fsum(report["fates"].values()) == pytest.approx(1.0, abs=1e-9)
        assert min(report["fates"].values()) >= 0.0
        for shares in (report["shares"], *(day["shares"] for day in report["days"])):
            assert math.fsum(shares.values()) == pytest.approx(1.0, abs=1e-9)
        assert [day["age"] for day in report["days"]] == list(range(22))
        dates = [date.fromisoformat(day["date"]) for day in report["days"]]
        assert dates == [dates[0] + timedelta(days=i) for i in range(22)]
        assert dates[0].isoformat() == report["emergence"]["likeliest"]
        in_lay = [day["p_in_lay"] for day in report["days"]]
        assert all(b >= a - ROUNDING for a, b in itertools.pairwise(in_lay))
        for day in report["days"]:
            known = day["window_hours"] * (1.0 - day["shares"].get("unknown", 0.0))
            assert day["effective_hours"] + math.fsum(day["spoiled_by"].values()) == pytest.approx(known, abs=1e-6)
    elif command == "graft":
        assert math.fsum(report["shares"].values()) == pytest.approx(1.0, abs=1e-9)
        assert sorted(day["rank"] for day in report["days"]) == list(range(1, len(report["days"]) + 1))
        free = {day["graft_date"] for day in report["days"] if not day["constraints"]}
        assert set(report["recommendation"]["graft_dates"]) <= free
        for day in report["days"]:
            low, high = day["laying_p10_p90"]
            assert 0 <= low <= high <= report["grafts"]
            assert 0.0 <= day["expected_laying"] <= report["grafts"]
    elif command == "laying":
        assert_laying_holds_together(report)
    else:
        for day in report["days"]:
            assert {h["start"][:10] for h in day["hours"]} <= {day["date"]}
            if day["effective_hours"] is not None:
                assert 0.0 <= day["effective_hours"] <= 4.0 + 1e-6


def assert_laying_holds_together(report: dict[str, Any]) -> None:
    assert report["message"] == " ".join(report["message_parts"])
    low, high = report["p_well_mated_range"] or (0.0, 1.0)
    assert low - ROUNDING <= report["p_well_mated"] <= high + ROUNDING
    if report["check"] is not None:
        found = {f["saw"]: f for f in report["check"]["findings"]}
        assert found["nothing"]["p"] + found["eggs"]["p"] == pytest.approx(1.0, abs=1e-9)
        assert found["virgin"]["p"] <= found["nothing"]["p"] + ROUNDING
        assert report["check"]["date"] >= report["now"][:10]
        for times in report["check"]["times"]:
            assert times["from"] < times["to"]
    if report["decision"] is not None:
        options = report["decision"]["options"]
        known = [option for option in options if option["worth"] is not None]
        assert max(known, key=lambda option: option["worth"])["tied_with_best"]
        days = report["decision"]["days"]
        assert [day["date"] for day in days] == sorted({day["date"] for day in days})
        no_eggs = [day["p_no_eggs_by_then"] for day in days]
        assert all(b <= a + ROUNDING for a, b in itertools.pairwise(no_eggs))


@pytest.mark.parametrize("group", range(N_GROUPS))
def test_any_request_gets_an_answer_that_holds_together_or_one_message(
    group: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_file = tmp_path / "site.toml"
    codes = []
    for seed in range(group, N_REQUESTS, N_GROUPS):
        request = drawn(seed)
        site_file.write_text(request.site, encoding="utf-8")
        weather = request.weather

        laid: list[Sources] = []

        def load(
            _: Path, site: Site, biology: Biology, weather: WeatherFolder = weather, laid: list[Sources] = laid
        ) -> Sources:
            if not laid:  # once for the four commands
                laid.append(sources.sources_of(weather, site, biology))
            return laid[0]

        monkeypatch.setattr(sources, "load_sources", load)
        for command, options in request.commands.items():
            arguments = [command, "--site", str(site_file), "--weather", str(tmp_path), *options]
            as_table = seed % 10 == 3
            code, out, err = run(arguments if as_table else [*arguments, "--json"], monkeypatch)
            said = f"seed {seed}: {' '.join(arguments)}\n{err}"
            codes.append(code)
            if code:
                assert code == 2, said
                assert out == "", said
                assert err.startswith("matewindow: "), said
                assert len(err.strip().splitlines()) == 1, said
                assert not re.search(r"\bnan\b", err), said
            elif as_table:
                assert not re.search(r"\bnan\b", out), said
                assert "Traceback" not in out + err, said
            else:
                assert_holds_together(json.loads(out, parse_constant=no_constant), command)
    assert 0 in codes  # else nothing was tested


def on_record(request: Request) -> tuple[list[str], list[str], list[list[str]]]:
    """The site, the batch and its checks as they are typed into the register."""
    site = tomllib.loads(request.site)
    fields = {"elevation_m": site.pop("elevation"), "thresholds": json.dumps(site.pop("thresholds", {})), **site}
    window = request.commands["window"]
    given = list(zip(window[::2], window[1::2], strict=True))
    named = {"--graft": "grafted_on", "--emerged": "emerged_on"}
    batch = [f"{named[name]}={value}" for name, value in given if name in named]
    for value in (value for name, value in given if name == "--moved"):
        day, _, clock = value.partition("T")
        batch += [f"moved_on={day}", f"moved_at={clock}"]
    checks = [value.partition(":") for name, value in given if name == "--check"]
    return (
        [f"{name}={value}" for name, value in fields.items()],
        batch,
        [[f"day={day}", f"saw={saw}"] for day, _, saw in checks],
    )


def test_a_batch_on_record_has_the_odds_that_it_has_without_or_is_refused_in_one_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_file, register = tmp_path / "site.toml", ["--register", str(tmp_path / "register.sqlite")]
    same = 0
    for seed in range(0, N_REQUESTS, 2):
        request = drawn(seed)
        site_file.write_text(request.site, encoding="utf-8")

        def load(_: Path, site: Site, biology: Biology, weather: WeatherFolder = request.weather) -> Sources:
            return sources.sources_of(weather, site, biology)

        monkeypatch.setattr(sources, "load_sources", load)
        monkeypatch.setattr(keeping_weather, "load_sources", load)

        def asked(*arguments: str) -> Any:
            code, out, err = run([*arguments, "--json"], monkeypatch)
            said = f"seed {seed}: {arguments}: {err}"  # noqa: B023  called at once
            assert code in {0, 2}, said
            assert code == 0 or (out == "" and re.fullmatch(r"matewindow: [^\n]+\n", err)), said
            return json.loads(out, parse_constant=no_constant) if code == 0 else None

        place, batch, checks = on_record(request)
        site = asked("records", "add", "site", *place, *register)
        if site is None:
            continue
        added = asked("records", "add", "batch", f"site_id={site['id']}", *batch, *register)
        if added is None:
            continue
        seen = [asked("records", "add", "check", f"batch_id={added['id']}", *check, *register) for check in checks]
        if None in seen:
            continue
        at = ["--weather", str(tmp_path)]
        stored = asked("outlook", added["id"], *at, *request.commands["window"][:2], *register)
        plain = asked("window", "--site", str(site_file), *at, *request.commands["window"])
        assert (stored is None) == (plain is None)
        if stored is not None:
            assert_holds_together(stored, "window")
            assert {name: stored[name] for name in plain if name not in {"picture", "sources"}} == {
                name: value for name, value in plain.items() if name not in {"picture", "sources"}
            }
            same += 1
    assert same > N_REQUESTS // 10
