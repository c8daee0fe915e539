"""Bad input of every kind: one clear message that says what, where and what to do; exit code 2; never a traceback."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from matewindow.biology import load_biology
from matewindow.cli import main
from matewindow.learning.inuse import literature_alone
from matewindow.paths import Sources
from matewindow.site import read_site

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_weather"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with a site file and weather that work, for a test to break."""
    for name in ("site.toml", "forecast.json", "past.json"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    return tmp_path


def remove(home: Path, *names: str) -> None:
    for name in names:
        (home / name).unlink()


def edit_site(home: Path, old: str, new: str) -> None:
    text = (home / "site.toml").read_text(encoding="utf-8")
    assert old in text
    (home / "site.toml").write_text(text.replace(old, new), encoding="utf-8")


def swap_coordinates(home: Path) -> None:
    for old, new in (("= 53.20", "= X"), ("= -1.90", "= 53.20"), ("= X", "= -1.90")):
        edit_site(home, old, new)


def edit_json(home: Path, name: str, change: Callable[[dict[str, Any]], object]) -> None:
    document = json.loads((home / name).read_text(encoding="utf-8"))
    change(document)
    (home / name).write_text(json.dumps(document), encoding="utf-8")


def set_unit(unit: str) -> Callable[[dict[str, Any]], object]:
    return lambda d: d["hourly_units"].update(temperature_2m=unit)


def set_value(row: int, value: object) -> Callable[[dict[str, Any]], object]:
    def change(document: dict[str, Any]) -> None:
        document["hourly"]["temperature_2m"][row] = value

    return change


def all_null(document: dict[str, Any]) -> None:
    document["hourly"]["wind_speed_10m"] = [None] * len(document["hourly"]["time"])


def backwards(document: dict[str, Any]) -> None:
    document["hourly"]["time"][11] = document["hourly"]["time"][5]


def doubled(document: dict[str, Any]) -> None:
    document["hourly"]["time"][11] = document["hourly"]["time"][10]


def shorter(document: dict[str, Any]) -> None:
    document["hourly"]["precipitation"].pop()


def truncate(home: Path, name: str) -> None:
    data = (home / name).read_bytes()
    (home / name).write_bytes(data[: len(data) // 2])


def append(path: Path, text: str) -> None:
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def only(home: Path, name: str, text: str) -> None:
    for old in ("forecast.json", "past.json"):
        (home / old).unlink()
    (home / name).write_text(text, encoding="utf-8")


GRAFT = ["graft", "--from", "2026-06-01", "--days", "3"]
WINDOW = ["window", "--graft", "2026-05-15"]
Break = Callable[[Path], object]

CASES: dict[str, tuple[Break, list[str], list[str]]] = {
    # name: how it is broken, the command, words that the message must hold
    "missing site file": (lambda h: (h / "site.toml").unlink(), GRAFT, ["site.toml", "no such site file"]),
    "empty site file": (lambda h: (h / "site.toml").write_text(""), GRAFT, ["site.toml", "missing", "latitude"]),
    "site file is no TOML": (lambda h: (h / "site.toml").write_text("latitude: 5"), GRAFT, ["site.toml", "TOML"]),
    "latitude out of range": (lambda h: edit_site(h, "53.2", "153.2"), GRAFT, ["latitude", "-90 to 90"]),
    "latitude is a text": (lambda h: edit_site(h, "53.20", '"north"'), GRAFT, ["latitude", "not a number"]),
    "swapped latitude and longitude": (
        swap_coordinates,
        GRAFT,
        ["swapped"],
    ),
    "site of another country": (lambda h: edit_site(h, "-1.90", "-91.90"), GRAFT, ["time zone", "hours apart"]),
    "unknown time zone": (lambda h: edit_site(h, "Europe/London", "Europe/Londinium"), GRAFT, ["Londinium", "IANA"]),
    "unknown key": (lambda h: edit_site(h, "exposure", "exposur"), GRAFT, ["exposur", "Did you mean exposure"]),
    "threshold out of range": (
        lambda h: append(h / "site.toml", "\n[thresholds]\ntemp_midpoint_c = 66\n"),
        GRAFT,
        ["temp_midpoint_c", "66", "15 to 22"],
    ),
    "unknown threshold": (
        lambda h: append(h / "site.toml", "\n[thresholds]\ntemp_midpint_c = 18\n"),
        GRAFT,
        ["temp_midpint_c", "Did you mean temp_midpoint_c", "15 to 22"],
    ),
    "missing weather folder": (lambda h: None, [*GRAFT, "--weather", "nowhere"], ["nowhere", "no such weather folder"]),
    "weather folder without weather": (
        lambda h: remove(h, "forecast.json", "past.json"),
        GRAFT,
        ["forecast.json, ensemble.json, past.json, past.csv, past.epw, past.tmy3.csv"],
    ),
    "empty weather file": (lambda h: (h / "forecast.json").write_text(""), GRAFT, ["forecast.json", "empty"]),
    "truncated JSON": (lambda h: truncate(h, "forecast.json"), GRAFT, ["forecast.json"]),
    "text after the JSON": (
        lambda h: append(h / "forecast.json", "Unexpected error while streaming data: timeout"),
        GRAFT,
        ["forecast.json", "broke off"],
    ),
    "HTML instead of JSON": (
        lambda h: (h / "past.json").write_text("<html>busy</html>"),
        GRAFT,
        ["past.json", "web page"],
    ),
    "an error of the service": (
        lambda h: (h / "past.json").write_text('{"error":true,"reason":"Daily limit exceeded"}'),
        GRAFT,
        ["past.json", "Daily limit exceeded"],
    ),
    "Fahrenheit": (
        lambda h: edit_json(h, "forecast.json", set_unit("°F")),
        GRAFT,
        ["forecast.json", "°F", "celsius"],
    ),
    "undefined unit": (
        lambda h: edit_json(h, "forecast.json", set_unit("undefined")),
        GRAFT,
        ["forecast.json", "temperature_2m"],
    ),
    "all-null column": (lambda h: edit_json(h, "past.json", all_null), GRAFT, ["past.json", "wind_speed_10m"]),
    "impossible value": (
        lambda h: edit_json(h, "forecast.json", set_value(12, 200.0)),
        GRAFT,
        ["forecast.json", "temperature_2m", "200", "row 13"],
    ),
    "a text among the numbers": (
        lambda h: edit_json(h, "forecast.json", set_value(12, "warm")),
        GRAFT,
        ["forecast.json", "temperature_2m", "warm"],
    ),
    "time running backwards": (
        lambda h: edit_json(h, "forecast.json", backwards),
        GRAFT,
        ["forecast.json", "backwards"],
    ),
    "a doubled hour": (lambda h: edit_json(h, "forecast.json", doubled), GRAFT, ["forecast.json", "twice"]),
    "columns of unequal length": (
        lambda h: edit_json(h, "forecast.json", shorter),
        GRAFT,
        ["forecast.json", "precipitation"],
    ),
    "weather of another place": (
        lambda h: edit_json(h, "forecast.json", lambda d: d.update(latitude=48.1)),
        GRAFT,
        ["forecast.json", "48.1", "53.2"],
    ),
    "CSV with naive times": (
        lambda h: only(h, "past.csv", "time,temp_c,wind_ms\n2025-06-01T12:00,18,2\n"),
        GRAFT,
        ["past.csv", "line 2"],
    ),
    "CSV in Fahrenheit": (
        lambda h: only(h, "past.csv", "time,temp_f,wind_ms\n2025-06-01T12:00Z,66,2\n"),
        GRAFT,
        ["past.csv", "temp_f", "temp_c"],
    ),
    "CSV with decimal commas": (
        lambda h: only(h, "past.csv", "time;temp_c;wind_ms\n2025-06-01T12:00Z;18,5;2,1\n"),
        GRAFT,
        ["past.csv"],
    ),
    "EPW that is none": (lambda h: only(h, "past.epw", "not an epw\n"), GRAFT, ["past.epw"]),
    "TMY3 that is none": (lambda h: only(h, "past.tmy3.csv", "not a tmy3\n"), GRAFT, ["past.tmy3.csv"]),
    "no weather for those dates": (lambda h: None, ["graft", "--from", "2026-11-01"], ["holds nothing for 2026-11"]),
    "graft date before all data": (lambda h: None, ["window", "--graft", "1999-05-15"], ["1999", "weather"]),
    "no date": (lambda h: None, ["graft", "--from", "1st of June"], ["--from", "1st of June", "2026-06-01"]),
    "a day that does not exist": (lambda h: None, ["graft", "--from", "2026-02-30"], ["--from", "2026-02-30"]),
    "negative grafts": (lambda h: None, [*GRAFT, "--grafts", "-5"], ["grafts", "-5"]),
    "no days": (lambda h: None, ["graft", "--from", "2026-06-01", "--days", "0"], ["days", "1 to 120"]),
    "a deadline that cannot be met": (lambda h: None, [*GRAFT, "--by", "2026-06-10"], ["by", "earliest possible egg"]),
    "a check that is none": (lambda h: None, [*WINDOW, "--check", "2026-06-01:drone"], ["eggs, virgin, nothing"]),
    "eggs from a two-day-old virgin": (
        lambda h: None,
        [*WINDOW, "--check", "2026-05-29:eggs"],
        ["2026-05-29", "cannot be"],
    ),
    "checks that contradict": (
        lambda h: None,
        [*WINDOW, "--now", "2026-06-20T08:00", "--check", "2026-06-12:eggs", "--check", "2026-06-14:virgin"],
        ["contradicts"],
    ),
    "emerged before it could": (lambda h: None, [*WINDOW, "--emerged", "2026-05-18"], ["emerged", "does not fit"]),
    "larva far too old": (lambda h: None, [*WINDOW, "--larva-age", "90"], ["larva", "36 h"]),
    "cells at the wrong heat": (lambda h: None, [*WINDOW, "--sealed-temp", "25"], ["25", "31 to 35.5"]),
    "a clock that is none": (lambda h: None, [*GRAFT, "--now", "noonish"], ["--now", "noonish"]),
    "an unknown option": (lambda h: None, [*GRAFT, "--colour", "red"], ["--colour"]),
    "too many hours asked": (lambda h: None, ["hours", "--days", "500"], ["days", "1 to 60"]),
    "a check that lies ahead": (
        lambda h: None,
        [*WINDOW, "--check", "2026-06-02:eggs"],
        ["2026-06-02", "in the future"],
    ),
    "an emergence that lies ahead": (
        lambda h: None,
        ["window", "--graft", "2026-05-22", "--emerged", "2026-06-03"],
        ["emerged", "in the future"],
    ),
    "cells moved before the graft": (lambda h: None, [*WINDOW, "--moved", "2026-05-14"], ["moved before the graft"]),
    "a virgin before she emerged": (
        lambda h: None,
        [*WINDOW, "--emerged", "2026-05-27", "--check", "2026-05-26:virgin"],
        ["a virgin on 2026-05-26", "cannot be"],
    ),
    "an unknown kind of nuc": (lambda h: None, [*GRAFT, "--nuc", "skep"], ["--nuc", "mini"]),
    "no day off that there is": (lambda h: None, [*GRAFT, "--day-off", "mo"], ["--day-off", "first three letters"]),
    "a picture without a name": (lambda h: None, [*GRAFT, "--picture", ""], ["--picture", "names no file"]),
    "a picture above": (lambda h: None, [*GRAFT, "--picture", ".."], ["--picture", "names no file"]),
    "a picture named as a folder that is there": (
        lambda h: (h / "album").mkdir(),
        [*GRAFT, "--picture", "{home}/album"],
        ["album", "names no file"],
    ),
    "a picture inside a file": (
        lambda h: None,
        [*GRAFT, "--picture", "{home}/site.toml/june"],
        ["no folder can be made", "site.toml"],
    ),
    "a picture inside a file, deeper": (
        lambda h: None,
        [*GRAFT, "--picture", "{home}/site.toml/a/june"],
        ["no folder can be made"],
    ),
    "a picture with a name too long": (lambda h: None, [*GRAFT, "--picture", "{home}/" + 300 * "n"], ["too long"]),
    "a picture with a name just too long": (lambda h: None, [*GRAFT, "--picture", "{home}/" + 253 * "n"], ["too long"]),
}
OUT_OF_REACH = ("0001-01-01", "1949-12-31", "2200-01-01", "9999-12-31")


@pytest.mark.parametrize("name", CASES)
def test_bad_input_gives_one_message_and_exit_code_two(
    name: str, home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    breakage, command, words = CASES[name]
    breakage(home)
    weather = [] if "--weather" in command else ["--weather", str(home)]
    now = [] if "--now" in command else ["--now", "2026-06-01T06:00Z"]
    options = [text.replace("{home}", str(home)) for text in command[1:]]
    monkeypatch.setattr(
        sys, "argv", ["matewindow", command[0], "--site", str(home / "site.toml"), *weather, *now, *options]
    )

    with pytest.raises(SystemExit) as stopped:
        main()

    printed = capsys.readouterr()
    assert stopped.value.code == 2, printed
    assert printed.out == ""
    assert "Traceback" not in printed.err
    message = " ".join(printed.err.split())
    for word in words:
        assert word in message, message


@pytest.mark.parametrize("day", OUT_OF_REACH)
@pytest.mark.parametrize(
    "command",
    [
        ["graft", "--from", "DAY"],
        [*GRAFT, "--by", "DAY"],
        [*GRAFT, "--builder-free-from", "DAY"],
        [*GRAFT, "--nucs-free-from", "DAY"],
        [*GRAFT, "--day-off", "DAY"],
        [*GRAFT, "--now", "DAY"],
        ["window", "--graft", "DAY"],
        [*WINDOW, "--emerged", "DAY"],
        [*WINDOW, "--moved", "DAYT12:00"],
        [*WINDOW, "--now", "DAYT23:59-14:00"],
        ["hours", "--from", "DAY"],
    ],
    ids=lambda command: " ".join(command[-2:-1]) + " of " + command[0],
)
def test_years_that_the_program_cannot_reckon_with_are_refused_with_those_that_it_can(
    command: list[str], day: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = [] if "--now" in command else ["--now", "2026-06-01T06:00Z"]
    options = [text.replace("DAY", day) for text in command[1:]]
    sample = ["--site", str(SAMPLE / "site.toml"), "--weather", str(SAMPLE)]
    # the weather is not what is wrong: none is read, so that a hundred refusals take no time
    place, biology = read_site(SAMPLE / "site.toml"), load_biology()
    monkeypatch.setattr("matewindow.cli.options.load_in_use", lambda *_: (place, Sources(), literature_alone(biology)))
    monkeypatch.setattr(sys, "argv", ["matewindow", command[0], *sample, *now, *options])

    with pytest.raises(SystemExit) as stopped:
        main()

    printed = capsys.readouterr()
    assert stopped.value.code == 2
    assert printed.err.count("\n") == 1
    assert f"{command[-2]}: the year {int(day[:4])} is out of reach. Give one from 1950 to 2199." in printed.err


@pytest.mark.parametrize("day", [*OUT_OF_REACH, "1950-01-01", "2199-12-31"])
@pytest.mark.parametrize("saw", ["eggs", "virgin"])
def test_checks_at_the_ends_of_time_are_refused_without_a_crash(
    day: str, saw: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], sample_sources: Sources
) -> None:
    place, biology = read_site(SAMPLE / "site.toml"), load_biology()
    monkeypatch.setattr(
        "matewindow.cli.options.load_in_use", lambda *_: (place, sample_sources, literature_alone(biology))
    )
    sample = ["--site", "site", "--weather", "weather", "--now", "2026-06-01T06:00Z"]
    monkeypatch.setattr(sys, "argv", ["matewindow", "window", *sample, *WINDOW[1:], "--check", f"{day}:{saw}"])

    with pytest.raises(SystemExit) as stopped:
        main()

    assert stopped.value.code == 2
    assert day in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "cp1252", "utf-8"])
def test_a_message_reaches_a_terminal_of_any_encoding(encoding: str, home: Path) -> None:
    """The degree sign of a message. A message to a terminal that claims ASCII is written in UTF-8 (click's choice)."""
    edit_json(home, "forecast.json", set_unit("°F"))
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "LC_ALL": "C", "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "matewindow.cli", *GRAFT, "--site", "site.toml", "--weather", "."]
    done = subprocess.run(command, cwd=home, capture_output=True, env=environment, check=False)

    assert done.returncode == 2
    text = done.stderr.decode("utf-8" if encoding == "ascii" else encoding)
    assert "forecast.json" in text
    assert "°F" in text
    assert len(text.strip().splitlines()) == 1


def test_a_real_process_ends_the_same_way(home: Path) -> None:
    (home / "past.json").write_text("{")
    command = [sys.executable, "-m", "matewindow.cli", *GRAFT, "--site", "site.toml", "--weather", "."]
    done = subprocess.run(command, cwd=home, capture_output=True, text=True, check=False)

    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("matewindow: past.json")
    assert len(done.stderr.strip().splitlines()) == 1
