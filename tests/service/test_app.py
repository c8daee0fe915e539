"""The HTTP service answers with the command line's numbers, and with problems that a person can read."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from api.app import create_app
from matewindow.cli import app as command_line

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLE = ROOT / "sample_weather"
NOW = "2026-06-01T06:00:00Z"


@pytest.fixture(scope="module")
def client() -> TestClient:
    """A client of the service for the sample site."""
    return TestClient(create_app(SAMPLE / "site.toml", SAMPLE), raise_server_exceptions=False)


@pytest.mark.parametrize(
    ("path", "command"),
    [
        ("/v1/graft-days?from=2026-06-02&days=3&grafts=12", ["graft", "--from", "2026-06-02", "--days", "3", "--grafts", "12"]),
        ("/v1/window?graft=2026-05-15&check=2026-06-01:virgin", ["window", "--graft", "2026-05-15", "--check", "2026-06-01:virgin"]),
        ("/v1/hours?days=3", ["hours", "--days", "3"]),
    ],
)  # fmt: skip
def test_service_and_command_line_give_the_same_numbers_to_the_last_digit(
    client: TestClient, path: str, command: list[str]
) -> None:
    answer = client.get(path, params={"now": NOW}) if "?" not in path else client.get(f"{path}&now={NOW}")
    arguments = [command[0], "--site", str(SAMPLE / "site.toml"), "--weather", str(SAMPLE), "--now", NOW, *command[1:]]
    printed = json.loads(CliRunner().invoke(command_line, [*arguments, "--json"]).output)
    printed.pop("picture", None)

    assert answer.status_code == 200
    assert answer.json() == printed


def test_health_tells_what_the_answers_stand_on(client: TestClient) -> None:
    body = client.get("/v1/health").json()

    assert body["status"] == "ok"
    assert {s["part"] for s in body["sources"]} == {"observed", "run", "members", "past"}
    assert all("Open-Meteo" in s["licence"] for s in body["sources"])


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/v1/graft-days", 422, "from"),
        ("/v1/graft-days?from=yesterday", 422, "date"),
        ("/v1/graft-days?from=2026-06-01&days=0", 422, "1 to 120"),
        ("/v1/window?graft=2026-05-15&check=now:eggs", 422, "2026-06-20:eggs"),
        ("/v1/hours?days=9999", 422, "1 to 60"),
        ("/v1/nothing", 404, "/docs"),
    ],
)
def test_a_mistake_is_answered_by_a_problem_that_says_what_to_do(
    client: TestClient, path: str, status: int, words: str
) -> None:
    answer = client.get(path)

    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert words in json.dumps(answer.json())


def test_a_method_that_is_not_there_is_a_problem_too(client: TestClient) -> None:
    answer = client.post("/v1/health")

    assert (answer.status_code, answer.headers["content-type"]) == (405, "application/problem+json")


def test_weather_that_changes_on_disk_is_read_again(tmp_path: Path) -> None:
    for name in ("site.toml", "past.json", "forecast.json"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    client = TestClient(create_app(tmp_path / "site.toml", tmp_path), raise_server_exceptions=False)
    before = {s["part"] for s in client.get("/v1/health").json()["sources"]}
    (tmp_path / "forecast.json").unlink()
    after = {s["part"] for s in client.get("/v1/health").json()["sources"]}
    (tmp_path / "past.json").write_text("{")
    broken = client.get("/v1/health")

    assert (before, after) == ({"observed", "past", "run"}, {"observed", "past"})
    assert broken.status_code == 422
    assert "past.json" in broken.json()["detail"]


@pytest.mark.parametrize("day", ["0001-01-01", "1949-12-31", "2200-01-01", "9999-12-31"])
@pytest.mark.parametrize(
    "path",
    [
        "/v1/graft-days?from={day}",
        "/v1/graft-days?from=2026-06-01&by={day}",
        "/v1/graft-days?from=2026-06-01&builder_free_from={day}",
        "/v1/graft-days?from=2026-06-01&nucs_free_from={day}",
        "/v1/graft-days?from=2026-06-01&now={day}T00:00:00%2B14:00",
        "/v1/window?graft={day}",
        "/v1/window?graft=2026-05-15&emerged={day}",
        "/v1/window?graft=2026-05-15&now={day}T23:00:00-12:00",
        "/v1/hours?from={day}",
        "/v1/hours?now={day}T23:00:00-12:00",
    ],
)
def test_years_that_cannot_be_reckoned_with_are_problems_of_the_asker(client: TestClient, path: str, day: str) -> None:
    answer = client.get(path.format(day=day))

    assert answer.status_code == 422
    assert f"the year {int(day[:4])} is out of reach. Give one from 1950 to 2199." in answer.json()["detail"]


def test_what_cannot_have_been_seen_yet_is_a_problem(client: TestClient) -> None:
    answer = client.get(f"/v1/window?graft=2026-05-15&check=2026-06-02:eggs&now={NOW}")

    assert answer.status_code == 422
    assert "2026-06-02 lies in the future: today is 2026-06-01" in answer.json()["detail"]


def test_a_present_without_an_offset_is_the_sites_time(client: TestClient) -> None:
    here = client.get("/v1/hours?days=1&now=2026-06-01T07:00:00").json()
    there = client.get(f"/v1/hours?days=1&now={NOW}").json()

    assert here == there
    assert here["now"] == "2026-06-01T07:00:00+01:00"


def test_days_before_today_and_a_busy_cell_builder_are_limits_in_the_service_too(client: TestClient) -> None:
    answer = client.get(f"/v1/graft-days?from=2026-05-31&days=3&builder_free_from=2026-06-02&now={NOW}").json()

    names = [[c["name"] for c in day["constraints"]] for day in answer["days"]]
    assert names == [["past", "cell builder"], ["cell builder"], []]
