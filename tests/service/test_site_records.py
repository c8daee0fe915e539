"""The record of the odds over HTTP: asked for as a job, judged by the library, read as data and as a page."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import jsonschema_rs
import pytest

from api import hindcasting
from api.hindcasting import maker
from matewindow.demo import NOW
from matewindow.keeping import siterecords
from matewindow.keeping.hindcasts import Hindcasts
from matewindow.keeping.siterecords import MadeRecord
from tests.hindcast.made_seasons import SAMPLE
from tests.service.made import BOUNDS, SITE, Client, Clock, app_of, keep_record, service_in, short_record

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from api.service import Service
    from matewindow.keeping.hindcasts import Wanted

CSP = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


def hindcasts_of(service: Service, make: Any, keep: Path | None = None) -> Hindcasts:
    return Hindcasts(service.register, service.desk, service.models, service.jobs, make, keep)


@dataclass
class Judged:
    """A service whose hindcast has run, and what was seen of it."""

    service: Service
    client: Client
    site: str
    job: str
    progress: list[tuple[int, int]]


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Judged:
    """Asked for over HTTP; the first runner stops after two seasons, the next one goes on from them."""
    folder = tmp_path_factory.mktemp("service")
    service = service_in(folder)
    client = Client(app_of(service))
    site = client.add("sites", **SITE)["id"]
    asked = client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site, "bounds": BOUNDS})
    assert asked.status == 202
    progress: list[tuple[int, int]] = []

    def make(wanted: Wanted, on_season: Callable[[int, int], None], still: Callable[[], None]) -> MadeRecord:
        def watched(done: int, of: int) -> None:
            on_season(done, of)
            progress.append((done, of))

        return maker(1)(wanted, watched, still)

    runner = hindcasts_of(service, make, folder / "seasons")
    assert runner.run_one("stops", lambda: (2, 5) in progress) is False
    assert client.get(asked["location"]).json["state"] == "waiting"
    progress.append((-1, -1))
    assert runner.run_one("goes on") is True
    return Judged(service, client, site, asked["location"], progress)


# --- made by a job ------------------------------------------------------------------------------------------------


def test_a_job_tells_of_its_seasons_and_goes_on_where_it_was_stopped(judged: Judged) -> None:
    job = judged.client.get(judged.job).json
    assert judged.progress[:3] == [(0, 5), (1, 5), (2, 5)]
    again = judged.progress[judged.progress.index((-1, -1)) + 1 :]
    kept = judged.client.get(f"/v1/sites/{judged.site}/record").json["seasons_from_before"]
    assert kept in {2, 3, 4}  # it had gone on a little before it heard that it was to stop
    assert again == [(n, 5) for n in range(kept, 6)]
    assert (job["kind"], job["state"], job["done"], job["wanted"]) == ("hindcast", "done", 5, 5)
    assert job["bounds"] == BOUNDS
    assert job["said"].startswith("5 seasons judged. ")


def test_the_record_is_that_of_the_library_to_the_last_digit(judged: Judged) -> None:
    found = judged.client.get(f"/v1/sites/{judged.site}/record").json
    head = {name: found.pop(name) for name in ("site_id", "made_at", "site_version", "bounds")}
    assert head == {
        "site_id": judged.site,
        "made_at": NOW.isoformat().replace("+00:00", "Z"),
        "site_version": 1,
        "bounds": BOUNDS,
    }
    del found["seasons_from_before"]
    assert found == {name: value for name, value in short_record().data.items() if name != "seasons_from_before"}


def test_the_record_fits_its_description(judged: Judged) -> None:
    document = judged.client.get("/v1/openapi.json").json
    schema = document["components"]["schemas"]["RecordReport"] | {"components": document["components"]}
    validator = jsonschema_rs.validator_for(schema, validate_formats=True)
    found = judged.client.get(f"/v1/sites/{judged.site}/record").json
    assert [error.message for error in validator.iter_errors(found)] == []
    assert [e.message for e in validator.iter_errors(found | {"products": [found["products"][0] | {"new": 1}]})] != []


def test_the_page_holds_the_same_record_and_needs_no_script(judged: Judged) -> None:
    answer = judged.client.get(f"/v1/sites/{judged.site}/record.html")
    page = answer.body.decode()
    assert (answer.status, answer["content-type"]) == (200, "text/html; charset=utf-8")
    assert answer["content-security-policy"] == CSP
    assert answer["x-content-type-options"] == "nosniff"
    assert page.count("<svg") >= 20
    assert "<script" not in page
    assert "Hollin Bank (invented)" in page
    for product in short_record().data["products"]:
        assert product["judgement"]["headline"].split(".")[0] in page


def test_a_record_that_the_caller_has_is_not_sent_again(judged: Judged) -> None:
    for path in ("record", "record.html"):
        whole = judged.client.get(f"/v1/sites/{judged.site}/{path}")
        again = judged.client.get(f"/v1/sites/{judged.site}/{path}", if_none_match=whole["etag"])
        assert (again.status, again.body, again["etag"]) == (304, b"", whole["etag"])
    assert again["content-security-policy"] == CSP  # browsers take it over for the page that they keep
    packed = judged.client.get(f"/v1/sites/{judged.site}/record.html", accept_encoding="gzip")
    assert packed["content-encoding"] == "gzip"
    assert len(packed.body) < len(whole.body) / 5
    head = judged.client("HEAD", f"/v1/sites/{judged.site}/record.html")
    assert (head.status, head.body, head["content-length"]) == (200, b"", str(len(whole.body)))


def test_bounds_choose_between_records(judged: Judged) -> None:
    path, query = f"/v1/sites/{judged.site}/record", "&".join(f"{name}={value}" for name, value in BOUNDS.items())
    assert judged.client.get(f"{path}?{query}").body == judged.client.get(path).body
    other = judged.client.get(f"{path}?first_graft=06-01")
    assert (other.status, other.slug) == (404, "not-found")
    assert "with these bounds" in other.json["detail"]


# --- what goes wrong ----------------------------------------------------------------------------------------------


def test_a_site_without_a_record_says_how_to_get_one(tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path)))
    site = client.add("sites", **SITE)["id"]
    for path in ("record", "record.html"):
        answer = client.get(f"/v1/sites/{site}/{path}")
        assert (answer.status, answer.slug) == (404, "not-found")
        assert "POST /v1/jobs with the kind hindcast" in answer.body.decode()
    assert client.get("/v1/sites/site_0000000000000000/record").status == 404


def test_the_record_of_a_deleted_site_is_not_shown(tmp_path: Path) -> None:
    service = service_in(tmp_path)
    client = Client(app_of(service))
    site = client.add("sites", **SITE)["id"]
    keep_record(service, site)
    assert client.get(f"/v1/sites/{site}/record").status == 200
    client("DELETE", f"/v1/sites/{site}", headers={"If-Match": '"1"'})
    assert client.get(f"/v1/sites/{site}/record").status == 404


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"kind": "refresh", "bounds": BOUNDS}, "bounds go with the kind hindcast alone"),
        ({"kind": "hindcast", "bounds": {"first_graft": "02-30"}}, "is no day of the year"),
        ({"kind": "hindcast", "bounds": {"last_graft": "6 June"}}, "is not written like"),
        ({"kind": "hindcast", "bounds": {"first_season": 2020, "last_season": 2010}}, "lies before first_season"),
        ({"kind": "hindcast", "bounds": {"first_season": 99}}, "must be at least 1800"),
        ({"kind": "hindcast", "bounds": {"season": 2020}}, "is not known here"),
    ],
)
def test_bounds_that_make_no_sense_are_refused(more: dict[str, Any], said: str, tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path)))
    site = client.add("sites", **SITE)["id"]
    answer = client("POST", "/v1/jobs", {"site_id": site} | more)
    assert (answer.status, answer.slug) == (422, "invalid-request")
    assert said in answer.body.decode()
    assert client.get("/v1/jobs").json["items"] == []


@pytest.mark.parametrize("query", ["first_graft=02-30", "first_season=99", "last_season=2020.5", "first=04-20"])
def test_bounds_in_a_query_are_checked_too(query: str, tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path)))
    site = client.add("sites", **SITE)["id"]
    assert client.get(f"/v1/sites/{site}/record?{query}").slug == "invalid-request"


@pytest.mark.parametrize(
    ("files", "bounds", "said"),
    [
        (["past.json"], {"first_season": 2021, "last_season": 2022}, "covers only 2021, 2022"),
        (["past.json"], {"first_graft": "01-01", "last_graft": "01-10"}, "covers no season"),
        (["ensemble.json"], {}, "There are no past years"),
    ],
)
def test_too_few_seasons_are_told_in_words_that_fit_the_service(
    files: list[str], bounds: dict[str, Any], said: str, tmp_path: Path
) -> None:
    for name in files:
        shutil.copy(SAMPLE / name, tmp_path)
    service = service_in(tmp_path, demo=False, weather=str(tmp_path))
    client = Client(app_of(service))
    site = client.add("sites", **SITE)["id"]
    job = client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site, "bounds": bounds})
    hindcasts_of(service, maker(1)).run_one("me")
    ended = client.get(job["location"]).json
    assert ended["state"] == "failed"
    assert said in ended["said"]
    assert "at least 3 whole seasons" in ended["said"]
    assert "--" not in ended["said"]
    assert client.get(f"/v1/sites/{site}/record").status == 404


def test_a_season_that_is_too_long_is_told_in_words(tmp_path: Path) -> None:
    service = service_in(tmp_path)
    client = Client(app_of(service))
    site = client.add("sites", **SITE)["id"]
    bounds = {"first_graft": "01-01", "last_graft": "12-31"}
    job = client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site, "bounds": bounds})
    hindcasts_of(service, maker(1)).run_one("me")
    ended = client.get(job["location"]).json
    assert (ended["state"], ended["said"]) == (
        "failed",
        "A season of 365 days. Give a first and a last graft day within 250 days.",
    )


# --- who may, and how it is called ---------------------------------------------------------------------------------


def test_reading_takes_the_scope_read_and_asking_the_scope_record(tmp_path: Path) -> None:
    service = service_in(tmp_path, open_door=False)
    owner = Client(app_of(service), service.access.new_token("owner", "manage")[1])
    site = owner.add("sites", **SITE)["id"]
    keep_record(service, site)
    reader = Client(owner.app, service.access.new_token("reader", "read")[1])
    for path in ("record", "record.html"):
        assert reader.get(f"/v1/sites/{site}/{path}").status == 200
        assert Client(owner.app).get(f"/v1/sites/{site}/{path}").status == 401
    assert reader("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site}).status == 403
    assert owner("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site}).status == 202


def test_a_hindcast_without_bounds_is_asked_for_once(tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path)))
    site = client.add("sites", **SITE)["id"]
    bodies: list[dict[str, Any]] = [{}, {"bounds": None}, {"bounds": {}}, {"bounds": {"first_graft": None}}]
    jobs = [client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site} | more).json for more in bodies]
    assert len({job["id"] for job in jobs}) == 1
    assert jobs[0]["bounds"] == dict.fromkeys(siterecords.BOUNDS)
    refresh = client("POST", "/v1/jobs", {"site_id": site}).json
    assert (refresh["kind"], refresh["bounds"]) == ("refresh", None)


def test_stored_runs_beside_the_files_are_looked_back_on(tmp_path: Path) -> None:
    """The question that the library is put holds the runs of the site's folder."""
    shutil.copy(SAMPLE / "past.json", tmp_path)
    (tmp_path / "runs").mkdir()
    shutil.copy(SAMPLE / "ensemble.json", tmp_path / "runs" / "2026-06-01T00Z.json")
    service = service_in(tmp_path, demo=False, weather=str(tmp_path), clock=Clock())
    site = Client(app_of(service)).add("sites", **SITE)["id"]
    service.jobs.ask("hindcast", site, siterecords.bounds_of(BOUNDS))
    seen = []

    def make(wanted: Wanted, *_: Any) -> MadeRecord:
        seen.append((hindcasting.question(wanted).ground.forecasts, [r.place.name for r in wanted.runs.runs.runs]))
        return short_record()

    assert hindcasts_of(service, make).run_one("me") is True
    ((forecasts, names),) = seen
    assert forecasts is not None
    assert names == ["2026-06-01T00Z.json"]
