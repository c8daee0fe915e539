"""The service as people start it: a process of its own, in an empty folder, asked with the very lines of the README."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from ical.calendar_stream import IcsCalendarStream

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parent.parent.parent
README = (ROOT / "README.md").read_text("utf-8")
COMMAND = Path(sys.executable).with_name("matewindow")
ADDRESS = "http://127.0.0.1:8377"
PATIENCE_S = 60
pytestmark = pytest.mark.skipif(shutil.which("curl") is None, reason="no curl: the README's lines were NOT tried")
SITE_FILE = """
name = "{name}"
latitude = {latitude}
longitude = {longitude}
elevation = {elevation_m}
timezone = "{timezone}"
exposure = {exposure}
drones_mature_from = {drones_mature_from}
"""


def blocks() -> list[list[str]]:
    """The shell lines of the README's section on the service, block by block, without their remarks."""
    section = re.search(r"\n## The service.*?\n(.*?)(?=\n## )", README, re.DOTALL)
    assert section is not None
    found = re.findall(r"```sh\n(.*?)```", section[1], re.DOTALL)
    return [[re.sub(r"\s+#.*", "", line) for line in block.splitlines() if line.strip()] for block in found]


def environment(folder: Path) -> dict[str, str]:
    """Nothing of ours, and no way out: whoever tried the network would meet a proxy that is not there."""
    nowhere = "http://127.0.0.1:9"
    return {
        "PATH": os.pathsep.join([str(COMMAND.parent), os.environ["PATH"]]),
        "HOME": str(folder / "home"),
        "http_proxy": nowhere,
        "https_proxy": nowhere,
        "no_proxy": "127.0.0.1",
        "COLUMNS": "200",
    }


def split(line: str) -> tuple[list[str], dict[str, str]]:
    """The words of a shell line, and the variables that are set before them."""
    words = shlex.split(line)
    given = {}
    while "=" in words[0]:
        name, _, value = words.pop(0).partition("=")
        given[name] = value
    return words, given


@contextmanager
def served(line: str, folder: Path, *more: str) -> Iterator[tuple[str, list[str]]]:
    """Run a line that serves, on a free port; gives the address and, at the end, what was written to the log."""
    words, given = split(line)
    assert words[:2] == ["matewindow", "serve"]
    process = subprocess.Popen(
        [*words, "--port", "0", *more],
        cwd=folder,
        env=environment(folder) | given,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    lines: list[str] = []
    try:
        for line_ in process.stderr:
            lines.append(line_)
            if found := re.search(r"serving on (http://\S+)", line_):
                yield found[1], lines
                break
        else:
            pytest.fail("".join(lines))
        process.send_signal(signal.SIGTERM)
        lines += process.stderr.readlines()
        assert process.wait(PATIENCE_S) == 0, "".join(lines)
    finally:
        process.kill()
        process.wait()
        process.stderr.close()


def fetched(url: str, folder: Path) -> bytes:
    """What an address gives, as a calendar program asks for it."""
    words = [shutil.which("curl") or "curl", "--silent", "--show-error", "--fail", url]
    return subprocess.run(words, env=environment(folder), capture_output=True, check=True).stdout


def curl(line: str, address: str, folder: Path, **ids: str) -> Any:
    """What a line with curl prints, as JSON."""
    for name, value in ids.items():
        line = line.replace(name, value)
    words, _ = split(line.replace(ADDRESS, address))
    assert words[0] == "curl"
    done = subprocess.run(
        [*words, "--silent", "--show-error"], cwd=folder, env=environment(folder), capture_output=True, check=True
    )
    return json.loads(done.stdout)


def printed(words: list[str], folder: Path, **given: str) -> Any:
    """What a command prints as JSON."""
    done = subprocess.run(
        [str(COMMAND), *words, "--json"],
        cwd=folder,
        env=environment(folder) | given,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_lines_of_the_readme_do_what_they_say_in_an_empty_folder_without_a_network(tmp_path: Path) -> None:
    (serve,), lines = blocks()[0], blocks()[1]
    add_site, add_batch, read_outlook, add_feed = lines
    with served(serve, tmp_path) as (address, log):
        site = curl(add_site, address, tmp_path)
        batch = curl(add_batch, address, tmp_path, SITE=site["id"])
        outlook = curl(read_outlook, address, tmp_path, BATCH=batch["id"])
        feed = curl(add_feed, address, tmp_path)
        ics = fetched(feed["url"], tmp_path)
        command, given = _outlook_command()
        beside = printed([word.replace("BATCH", batch["id"]) for word in command], tmp_path, **given)

    assert not [name for name in site if name in {"title", "errors"}], site
    events = IcsCalendarStream.calendar_from_ics(ics.decode()).events
    assert len(events) > 3
    assert all(feed["path"] not in line for line in log)

    (tmp_path / "site.toml").write_text(SITE_FILE.format(**site), "utf-8")
    window = [
        "window",
        "--site",
        "site.toml",
        "--weather",
        str(ROOT / "sample_weather"),
        "--graft",
        batch["grafted_on"],
    ]
    told = printed([*window, "--now", outlook["now"]], tmp_path)
    told.pop("picture")
    for source in told["sources"]:
        source["file"] = Path(source["file"]).name
    assert {name: outlook[name] for name in told} == told  # to the last digit
    assert {n: v for n, v in beside.items() if n not in {"outlook_id", "issued_at", "now"}} == {
        n: v for n, v in outlook.items() if n in beside and n not in {"outlook_id", "issued_at", "now"}
    }


def _outlook_command() -> tuple[list[str], dict[str, str]]:
    """The README's command for the outlook of a batch on record, and the variables that it sets before."""
    given: dict[str, str] = {}
    for line in blocks()[2]:
        if line.startswith("export "):
            name, _, value = line.removeprefix("export ").partition("=")
            given[name] = value
        if line.startswith("matewindow outlook "):
            return shlex.split(line)[1:], given
    raise AssertionError("the README shows no outlook on the command line")


def test_every_line_of_the_log_is_json_and_holds_no_secret(tmp_path: Path) -> None:
    with served("matewindow serve --demo", tmp_path) as (address, log):
        body = '{"name": "Phone", "kind": "calendar"}'
        kind = "Content-Type: application/json"
        made = curl(f"curl -X POST {ADDRESS}/v1/feeds -H '{kind}' -d '{body}'", address, tmp_path)
        fetched(made["url"], tmp_path)

    said = [json.loads(line) for line in log if line.startswith("{")]
    assert [line for line in log if not line.startswith("{")] == [f"matewindow: serving on {address}\n"]
    assert {"/v1/feeds", "/v1/feeds/{secret}/calendar.ics"} <= {line.get("route") for line in said}
    assert made["path"].split("/")[3] not in "".join(log)
    assert (tmp_path / "matewindow-demo.sqlite").is_file()  # invented records never go among the real ones
    assert not (tmp_path / "home").exists()


@pytest.mark.parametrize("options", [["--host", "::"], ["--public-url", "https://bees.example.org"]])
def test_the_service_refuses_to_start_for_others_without_a_token(tmp_path: Path, options: list[str]) -> None:
    done = subprocess.run(
        [str(COMMAND), "serve", "--demo", "--port", "0", *options],
        cwd=tmp_path,
        env=environment(tmp_path),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )

    assert done.returncode == 2
    assert "nobody has a token" in done.stderr
    assert "matewindow token new" in done.stderr
    assert "Traceback" not in done.stderr


def test_behind_a_proxy_that_takes_a_part_of_the_path_addresses_are_whole(tmp_path: Path) -> None:
    env = {"MATEWINDOW_REGISTER": str(tmp_path / "register.sqlite")}
    token = printed(["token", "new", "--name", "proxy", "--scope", "manage"], tmp_path, **env)
    secret = token["token"]
    line = f"MATEWINDOW_REGISTER={env['MATEWINDOW_REGISTER']} matewindow serve --demo --public-url https://bees.example.org/hives"
    with served(line, tmp_path) as (address, _):
        head = f"-H 'Authorization: Bearer {secret}' -H 'Host: bees.example.org'"
        body = '{"name": "Phone", "kind": "calendar"}'
        feed = curl(
            f"curl -X POST {ADDRESS}/v1/feeds {head} -H 'Content-Type: application/json' -d '{body}'", address, tmp_path
        )
        lost = curl(f"curl {ADDRESS}/v1/nothing {head}", address, tmp_path)
        shut = curl(f"curl {ADDRESS}/v1/sites", address, tmp_path)

    assert feed["url"].startswith("https://bees.example.org/hives/v1/feeds/mw_f")
    assert feed["path"].startswith("/hives/v1/feeds/mw_f")
    assert lost["type"] == "https://bees.example.org/hives/problems/not-found"
    assert shut["status"] == 401


def refused(folder: Path, *options: str) -> str:
    """What is said where the service does not start."""
    done = subprocess.run(
        [str(COMMAND), "serve", "--demo", *options],
        cwd=folder,
        env=environment(folder),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    said = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    assert len(said) == 1, done.stderr
    return said[0]


def test_a_port_or_an_address_that_cannot_be_had_is_one_message(tmp_path: Path) -> None:
    with served("matewindow serve --demo", tmp_path) as (address, _):
        port = address.rpartition(":")[2]
        assert re.fullmatch(
            rf"matewindow: --port: cannot listen on 127\.0\.0\.1 port {port} \(Address already in use\)\. Another "
            r"program listens there, .*",
            refused(tmp_path, "--port", port),
        )
        curl(f"curl {ADDRESS}/v1/health", address, tmp_path)  # the first goes on
    printed(["token", "new", "--name", "x", "--scope", "read", "--register", "matewindow-demo.sqlite"], tmp_path)
    assert "there is no address" in refused(tmp_path, "--host", "localhost.invalid." * 20)
    assert "Give an address of this machine" in refused(tmp_path, "--host", "192.0.2.1")


def test_whoever_ends_the_service_finds_its_register_closed_and_whole(tmp_path: Path) -> None:
    with served("matewindow serve --demo", tmp_path) as (address, log):
        site = '{"name": "Yard", "latitude": 53.2, "longitude": -1.9, "elevation_m": 210, "timezone": "Europe/London"}'
        curl(f"curl -X POST {ADDRESS}/v1/sites -H 'Content-Type: application/json' -d '{site}'", address, tmp_path)

    assert not [line for line in log if '"error"' in line], log
    names = {path.name for path in tmp_path.iterdir()}
    assert names & {"matewindow-demo.sqlite-wal", "matewindow-demo.sqlite-shm"} == set()
    assert "Yard" in str(printed(["records", "list", "site", "--register", "matewindow-demo.sqlite"], tmp_path))
