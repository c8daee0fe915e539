"""Sites, builders, batches, nucs and checks over HTTP: added, read, changed, deleted, restored, undone, listed."""

from __future__ import annotations

import asyncio
import gzip
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.register.records import KINDS
from tests.service.made import GRAFTED, SITE, Client, Ticking, app_of, service_in

if TYPE_CHECKING:
    from pathlib import Path

    from tests.service.made import Answer

PLURALS = {"site": "sites", "builder": "builders", "batch": "batches", "nuc": "nucs", "check": "checks"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Client:
    """A client of one service for all tests here, which get by with what the others leave behind."""
    return Client(app_of(service_in(tmp_path_factory.mktemp("service"), Ticking(), open_door=True)))


def added(client: Client, kind: str) -> dict[str, Any]:
    """A record of a kind, with what it stands on."""
    if kind == "site":
        return client.add("sites", **SITE)
    site = client.add("sites", **SITE)["id"]
    if kind == "builder":
        return client.add("builders", site_id=site, name="Builder")
    batch = client.add("batches", site_id=site, grafted_on=GRAFTED)
    if kind == "batch":
        return batch
    nuc = client.add("nucs", site_id=site, batch_id=batch["id"], name="Nuc")
    return nuc if kind == "nuc" else client.add("checks", batch_id=batch["id"], day="2026-05-31", saw="virgin")


def place(kind: str, record: dict[str, Any]) -> str:
    return f"/v1/{PLURALS[kind]}/{record['id']}"


def change(client: Client, path: str, tag: str | None, body: Any, **headers: str) -> Answer:
    return client("PATCH", path, body, headers=({} if tag is None else {"If-Match": tag}) | headers)


# --- one record ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_lives_from_its_adding_to_its_restoring(client: Client, kind: str) -> None:
    record = added(client, kind)
    path = place(kind, record)
    assert client.get(path).json == record

    changed = change(client, path, client.get(path)["etag"], {"notes": "Seen."})
    assert (changed.status, changed.json["notes"], changed.json["version"], changed["etag"]) == (200, "Seen.", 2, '"2"')

    undone = client("POST", f"{path}/undo", headers={"If-Match": '"2"'})
    assert (undone.status, undone.json["notes"], undone.json["version"]) == (200, "", 3)

    deleted = client("DELETE", path, headers={"If-Match": '"3"'})
    assert (deleted.status, deleted.body) == (204, b"")
    gone = client.get(path)
    assert (gone.status, gone.slug) == (404, "not-found")
    assert "It can be brought back" in gone.json["fix"]

    restored = client("POST", f"{path}/restore")
    assert (restored.status, restored.json["version"], restored.json["deleted_at"]) == (200, 5, None)
    history = client.get(f"{path}/history").json["items"]
    assert [h["action"] for h in history] == ["added", "changed", "undone", "deleted", "brought back"]
    assert history[1]["before"]["notes"] == ""
    assert history[1]["after"]["notes"] == "Seen."
    assert {h["who"] for h in history} == {"this machine"}


def test_an_added_record_tells_its_address_and_version(client: Client) -> None:
    answer = client("POST", "/v1/sites", SITE)

    assert answer.status == 201
    assert answer["location"] == f"/v1/sites/{answer.json['id']}"
    assert answer["etag"] == '"1"'
    assert client.get(answer["location"])["etag"] == '"1"'


@pytest.mark.parametrize(
    ("tag", "status", "slug"),
    [
        (None, 428, "precondition-required"),
        ('"2"', 412, "precondition-failed"),
        ('W/"1"', 412, "precondition-failed"),
        ("1", 400, "malformed-request"),
        ('"1"', 200, None),
        ('"7", "1"', 200, None),
        ("*", 200, None),
        ('"1-gz"', 200, None),  # the gzip form of the same version
    ],
)
def test_a_change_needs_the_version_that_it_is_made_to(
    client: Client, tag: str | None, status: int, slug: str | None
) -> None:
    path = place("site", added(client, "site"))

    answer = change(client, path, tag, {"notes": "Seen."})

    assert answer.status == status
    assert slug is None or answer.slug == slug
    assert client.get(path).json["version"] == (2 if status == 200 else 1)


@pytest.mark.parametrize(("method", "inner"), [("DELETE", ""), ("POST", "/undo")])
def test_deleting_and_undoing_need_it_too(client: Client, method: str, inner: str) -> None:
    path = place("site", added(client, "site"))

    assert client(method, path + inner).slug == "precondition-required"
    assert client(method, path + inner, headers={"If-Match": '"9"'}).slug == "precondition-failed"


def test_of_two_changes_to_one_version_the_second_is_refused(client: Client) -> None:
    path = place("site", added(client, "site"))

    first, second = (change(client, path, '"1"', {"notes": text}) for text in ("One.", "Two."))

    assert (first.status, second.status) == (200, 412)
    assert client.get(path).json["notes"] == "One."


def test_a_change_that_changes_nothing_makes_no_version(client: Client) -> None:
    path = place("site", added(client, "site"))

    answer = change(client, path, '"1"', {"name": SITE["name"]})

    assert (answer.status, answer.json["version"], answer["etag"]) == (200, 1, '"1"')


def test_null_clears_what_may_be_null_and_is_refused_elsewhere(client: Client) -> None:
    path = place("site", added(client, "site"))

    cleared = change(client, path, '"1"', {"drones_mature_from": None})
    refused = change(client, path, '"2"', {"name": None, "exposure": None, "notes": None})

    assert (cleared.status, cleared.json["drones_mature_from"]) == (200, None)
    assert (refused.status, refused.slug) == (422, "invalid-request")
    assert refused.pointers == ["/name", "/exposure", "/notes"]


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, [""]),
        ({"nmae": "Slip of the pen"}, ["/nmae"]),
        ({"version": 9}, ["/version"]),
        ({"latitude": "53"}, ["/latitude"]),
        ({"latitude": True}, ["/latitude"]),
        ({"drones_mature_from": 0}, ["/drones_mature_from"]),
        ({"drones_mature_from": "2026-02-30"}, ["/drones_mature_from"]),
        ({"drones_mature_from": "1949-12-31"}, ["/drones_mature_from"]),
        ({"thresholds": {"strict_temp_c": "17"}}, ["/thresholds/strict_temp_c"]),
        ({"thresholds": {f"t{n}": 1.0 for n in range(65)}}, ["/thresholds"]),
        ({"name": "x" * 200 + " "}, ["/name"]),
        ({"notes": "\r\n" * 2501}, ["/notes"]),
        ([], [""]),
        ("text", [""]),
    ],
)
def test_a_body_that_is_no_change_is_refused_by_field(client: Client, body: Any, pointers: list[str]) -> None:
    path = place("site", added(client, "site"))

    answer = change(client, path, '"1"', body)

    assert (answer.status, answer.slug) == (422, "invalid-request")
    assert answer.pointers == pointers or answer.pointers == ["body"] == [p or "body" for p in pointers]
    assert client.get(path).json["version"] == 1


def test_what_cannot_be_true_is_refused_with_every_field_and_what_to_do(client: Client) -> None:
    site = added(client, "site")

    answer = client(
        "POST",
        "/v1/batches",
        {"site_id": site["id"], "grafted_on": GRAFTED, "sealed_on": "2026-05-31", "n_grafted": 10, "n_taken": 11},
    )

    assert (answer.status, answer.slug) == (422, "record-refused")
    errors = {e["pointer"]: e for e in answer.json["errors"]}
    assert sorted(errors) == ["/n_taken", "/sealed_on"]
    assert errors["/n_taken"]["message"] == "more taken (11) than grafted (10)"
    assert errors["/sealed_on"]["fix"] == "They are sealed about five days after it: check both dates."
    assert errors["/sealed_on"]["location"] == ["body", "sealed_on"]


@pytest.mark.parametrize(
    ("plural", "body", "pointer"),
    [
        ("builders", {"site_id": "site_0123456789abcdef", "name": "B"}, "/site_id"),
        ("batches", {"site_id": "site_0123456789abcdef", "grafted_on": GRAFTED}, "/site_id"),
        ("checks", {"batch_id": "btch_0123456789abcdef", "day": "2026-05-31", "saw": "eggs"}, "/batch_id"),
        ("feeds", {"site_id": "site_0123456789abcdef", "name": "F", "kind": "calendar"}, "/site_id"),
    ],
)
def test_a_record_that_names_one_that_is_not_there_is_refused_by_its_field_not_by_404(
    client: Client, plural: str, body: dict[str, Any], pointer: str
) -> None:
    answer = client("POST", f"/v1/{plural}", body)

    assert (answer.status, answer.slug) == (422, "record-refused")
    assert answer.pointers == [pointer]


def test_what_others_stand_on_is_not_deleted_and_nothing_is_restored_without_what_it_stands_on(client: Client) -> None:
    batch = added(client, "batch")
    site, path = f"/v1/sites/{batch['site_id']}", place("batch", batch)

    kept = client("DELETE", site, headers={"If-Match": "*"})
    assert (kept.status, kept.slug, kept.json["detail"]) == (409, "conflict", "this site has 1 batch on record.")

    assert client("DELETE", path, headers={"If-Match": '"1"'}).status == 204
    assert client("DELETE", site, headers={"If-Match": '"1"'}).status == 204
    early = client("POST", f"{path}/restore")
    assert (early.status, early.slug) == (409, "conflict")
    assert "What it stands on is not there" in early.json["detail"]
    assert client("POST", f"{site}/restore").status == 200
    assert client("POST", f"{path}/restore").status == 200
    assert client("POST", f"{path}/restore").slug == "conflict"


def test_a_deleted_record_can_be_undone_with_the_version_in_the_list_of_the_deleted(client: Client) -> None:
    site = added(client, "site")
    path = place("site", site)
    client("DELETE", path, headers={"If-Match": '"1"'})
    listed = next(s for s in _all(client, "/v1/sites?deleted=true") if s["id"] == site["id"])

    answer = client("POST", f"{path}/undo", headers={"If-Match": f'"{listed["version"]}"'})

    assert (answer.status, answer.json["deleted_at"]) == (200, None)


@pytest.mark.parametrize(
    "path",
    [
        "/v1/sites/site_0123456789abcdef",
        "/v1/sites/btch_0123456789abcdef",
        "/v1/sites/site_0123456789abcdef/history",
        "/v1/sites/site_0123456789abcdef/hours",
        "/v1/batches/btch_0123456789abcdef/outlook",
        "/v1/batches/btch_0123456789abcdef/outlooks",
        "/v1/outlooks/otlk_0123456789abcdef",
        "/v1/nucs/nuc_0123456789abcdef/laying-check",
        "/v1/warnings/warn_0123456789abcdef",
        "/v1/jobs/jobs_0123456789abcdef",
        "/v1/tokens/tokn_0123456789abcdef",
        "/v1/tokens/feed_0123456789abcdef",
        "/v1/feeds/feed_0123456789abcdef",
        "/v1/nothing",
    ],
)
def test_what_is_not_there_is_a_problem_that_says_so(client: Client, path: str) -> None:
    answer = client.get(path)

    assert (answer.status, answer.slug) == (404, "not-found")
    assert answer.json["detail"]
    assert answer.json["fix"]


def test_an_id_that_is_none_is_refused_by_its_form(client: Client) -> None:
    answer = client.get("/v1/sites/1")

    assert (answer.status, answer.json["errors"][0]["location"]) == (422, ["path", "site_id"])


# --- repeated creations --------------------------------------------------------------------------------------


def test_a_repeated_creation_gets_the_first_answer_and_makes_nothing_new(client: Client) -> None:
    key = {"Idempotency-Key": '"first-key"'}
    first = client("POST", "/v1/sites", SITE, headers=key)
    again = client("POST", "/v1/sites", SITE | {"exposure": 0.8}, headers={"idempotency-key": "first-key"})

    assert (first.status, again.status) == (201, 201)
    assert (first.body, first["location"], first["etag"]) == (again.body, again["location"], again["etag"])


def test_a_key_that_was_used_for_something_else_is_refused(client: Client) -> None:
    key = {"Idempotency-Key": '"second-key"'}
    client("POST", "/v1/sites", SITE, headers=key)

    other = client("POST", "/v1/sites", SITE | {"name": "Another"}, headers=key)
    elsewhere = client("POST", "/v1/builders", {"site_id": added(client, "site")["id"], "name": "B"}, headers=key)

    assert (other.status, other.slug) == (422, "idempotency-key-reused")
    assert elsewhere.status == 201  # keys are told apart by the kind of record too


def test_a_refused_creation_uses_no_key_up(client: Client) -> None:
    key = {"Idempotency-Key": '"third-key"'}

    assert client("POST", "/v1/sites", SITE | {"timezone": "Europe/Nowhere"}, headers=key).slug == "record-refused"
    assert client("POST", "/v1/sites", SITE, headers=key).status == 201


@pytest.mark.parametrize("key", ['""', "", " ", '"', "with blank", "ä", "x" * 201, 'a"b', "back\\slash"])
def test_a_key_that_is_none_is_refused(client: Client, key: str) -> None:
    answer = client("POST", "/v1/sites", SITE, headers={"Idempotency-Key": key})

    assert (answer.status, answer.json["errors"][0]["location"]) == (422, ["header", "Idempotency-Key"])


def test_the_same_key_sent_many_times_at_once_makes_one_record(client: Client) -> None:
    async def all_at_once() -> list[Answer]:
        key = {"Idempotency-Key": '"hasty-key"'}
        return await asyncio.gather(*(client.send("POST", "/v1/sites", SITE, headers=key) for _ in range(12)))

    answers = asyncio.run(all_at_once())

    assert {a.status for a in answers} == {201}
    assert len({a.body for a in answers}) == 1


def test_keys_of_two_tokens_with_one_name_are_told_apart(tmp_path: Path) -> None:
    service = service_in(tmp_path)
    app = app_of(service)
    one, two = (Client(app, service.access.new_token("Phone", "record")[1]) for _ in range(2))
    key = {"Idempotency-Key": '"the-same"'}

    mine, theirs = one("POST", "/v1/sites", SITE, headers=key), two("POST", "/v1/sites", SITE, headers=key)

    assert mine.json["id"] != theirs.json["id"]
    assert one("POST", "/v1/sites", SITE, headers=key).json["id"] == mine.json["id"]


# --- lists ---------------------------------------------------------------------------------------------------


def _all(client: Client, path: str) -> list[dict[str, Any]]:
    """All records of a list, page by page along the Link."""
    found: list[dict[str, Any]] = []
    while path:
        answer = client.get(path)
        assert answer.status == 200, answer.body
        found += answer.json["items"]
        link = answer["link"]
        assert bool(link) == (answer.json["next_after"] is not None)
        path = link[1 : link.index(">")] if link else ""
    return found


def test_pages_give_every_record_once_in_order_while_others_come(client: Client) -> None:
    site = added(client, "site")["id"]
    wanted = [client.add("builders", site_id=site, name=f"Builder {n}")["id"] for n in range(7)]

    seen: list[str] = []
    path = f"/v1/builders?site_id={site}&limit=3"
    first = client.get(path).json
    seen += [b["id"] for b in first["items"]]
    late = client.add("builders", site_id=site, name="Late")["id"]
    seen += [b["id"] for b in _all(client, f"{path}&after={first['next_after']}")]

    assert seen == sorted(seen)
    assert sorted(seen) == sorted([*wanted, late])


def test_a_page_that_is_just_full_is_the_last(client: Client) -> None:
    site = added(client, "site")["id"]
    for n in range(3):
        client.add("builders", site_id=site, name=f"Builder {n}")

    answer = client.get(f"/v1/builders?site_id={site}&limit=3")

    assert (len(answer.json["items"]), answer.json["next_after"], answer["link"]) == (3, None, "")


def test_lists_are_filtered(client: Client) -> None:
    site, other = added(client, "site")["id"], added(client, "site")["id"]
    builder = client.add("builders", site_id=site, name="B")["id"]
    early = client.add("batches", site_id=site, grafted_on="2026-05-01", ended_on="2026-05-20")["id"]
    late = client.add("batches", site_id=site, grafted_on="2026-05-20", builder_id=builder)["id"]
    client.add("batches", site_id=other, grafted_on="2026-05-20")
    batches = client.add("batches", site_id=site, grafted_on=GRAFTED)["id"]
    nuc = client.add("nucs", site_id=site, batch_id=batches, name="N", outcome="lost", outcome_on="2026-05-31")["id"]
    check = client.add("checks", batch_id=batches, nuc_id=nuc, day="2026-05-29", saw="virgin")["id"]

    def ids(path: str) -> list[str]:
        return [r["id"] for r in _all(client, path)]

    here = f"/v1/batches?site_id={site}"
    assert sorted(ids(here)) == sorted([early, late, batches])
    assert ids(f"{here}&grafted_from=2026-05-14") == [late]
    assert ids(f"{here}&grafted_to=2026-05-12") == [early]
    assert ids(f"{here}&grafted_from=2026-05-20&grafted_to=2026-05-20") == [late]
    assert sorted(ids(f"{here}&under_way=true")) == sorted([late, batches])
    assert ids(f"{here}&builder_id={builder}") == [late]
    assert ids(f"/v1/nucs?site_id={site}&outcome=lost") == [nuc]
    assert ids(f"/v1/nucs?batch_id={batches}&outcome=laying") == []
    assert ids(f"/v1/checks?nuc_id={nuc}&saw=virgin") == [check]
    assert ids(f"/v1/checks?batch_id={batches}&saw=eggs") == []
    client("DELETE", f"/v1/checks/{check}", headers={"If-Match": '"1"'})
    assert ids(f"/v1/checks?nuc_id={nuc}") == []
    assert ids(f"/v1/checks?nuc_id={nuc}&deleted=true") == [check]


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/v1/sites?site_id=site_0123456789abcdef", "query.site_id: is not known here"),
        ("/v1/batches?graftedfrom=2026-05-01", "query.graftedfrom: is not known here"),
        ("/v1/sites?limit=1&limit=2", "query.limit: is given more than once"),
        ("/v1/sites?limit=0", "query.limit"),
        ("/v1/sites?limit=201", "query.limit"),
        ("/v1/sites?limit=1_0", "query.limit"),
        ("/v1/sites?limit=%201", "query.limit"),
        ("/v1/sites?limit=1.0", "query.limit"),
        ("/v1/sites?deleted=yes", "query.deleted"),
        ("/v1/sites?deleted=1", "query.deleted"),
        ("/v1/sites?after=", "query.after"),
        ("/v1/sites?after=1", "query.after"),
        ("/v1/batches?grafted_from=yesterday", "query.grafted_from"),
        ("/v1/batches?grafted_from=1779926400", "query.grafted_from"),
        ("/v1/batches?grafted_from=9999-12-31", "query.grafted_from"),
        ("/v1/nucs?outcome=LOST", "query.outcome"),
        ("/v1/health?verbose=true", "query.verbose: is not known here; nothing can be asked for in this query"),
        ("/v1/models?", ""),
    ],
)
def test_a_query_that_a_route_does_not_know_is_refused(client: Client, path: str, words: str) -> None:
    answer = client.get(path)

    assert answer.status == (422 if words else 200)
    assert words in (answer.json.get("detail") or "")


# --- forms of answers ----------------------------------------------------------------------------------------


def test_who_has_the_present_version_gets_304_and_nothing_else(client: Client) -> None:
    record = added(client, "site")
    path = place("site", record)
    tag = client.get(path)["etag"]

    same, listed = client.get(path, if_none_match=tag), client.get("/v1/sites")
    other = client.get("/v1/sites", if_none_match=listed["etag"])
    change(client, path, '"1"', {"notes": "Seen."})

    assert (same.status, same.body, same["etag"]) == (304, b"", tag)
    assert other.status == 304
    assert client.get(path, if_none_match=tag).status == 200
    assert client.get("/v1/sites", if_none_match=listed["etag"]).status == 200


def test_a_long_answer_is_compressed_for_those_who_take_it_with_an_etag_of_its_own(client: Client) -> None:
    plain, squeezed = client.get("/v1/models"), client.get("/v1/models", accept_encoding="gzip")

    assert squeezed["content-encoding"] == "gzip"
    assert gzip.decompress(squeezed.body) == plain.body
    assert len(squeezed.body) < len(plain.body) / 2
    assert squeezed["etag"] != plain["etag"]
    assert {plain["vary"], squeezed["vary"]} == {"Accept-Encoding"}
    assert client.get("/v1/models", accept_encoding="gzip", if_none_match=squeezed["etag"]).status == 304
    assert client.get("/v1/models", accept_encoding="identity;q=0").slug == "not-acceptable"


@pytest.mark.parametrize("path", ["/v1/sites", "/v1/models", "/v1/health", "/v1/ready", "/v1/calendar.ics", "/v1/x"])
def test_head_is_answered_as_get_without_a_body(client: Client, path: str) -> None:
    got, head = client("GET", path), client("HEAD", path)

    assert (head.status, head.body) == (got.status, b"")
    left_out = {"x-request-id", "content-length"} if got.status >= 400 else {"x-request-id"}
    assert [f for f in head.fields if f[0] not in left_out] == [f for f in got.fields if f[0] not in left_out]


def test_a_method_that_a_path_does_not_take_is_told_with_those_that_it_does(client: Client) -> None:
    answer = client("PUT", "/v1/sites/site_0123456789abcdef", SITE)
    options = client("OPTIONS", "/v1/sites")

    assert (answer.status, answer.slug) == (405, "method-not-allowed")
    assert answer["allow"] == "GET, PATCH, DELETE, HEAD, OPTIONS"
    assert (options.status, options["allow"]) == (204, "GET, POST, HEAD, OPTIONS")


def test_no_other_origin_may_read_answers_unless_it_is_named(client: Client, tmp_path: Path) -> None:
    origin = "https://dashboard.example.org"
    named = Client(app_of(service_in(tmp_path, open_door=True), origins=(origin,)))

    closed, open_ = client.get("/v1/sites", origin=origin), named.get("/v1/sites", origin=origin)

    assert not [name for name, _ in closed.fields if name.startswith("access-control-")]
    assert open_["access-control-allow-origin"] == origin
    assert named.get("/v1/sites", origin="https://x.example")["access-control-allow-origin"] == ""


def test_the_request_id_of_the_caller_comes_back_and_stands_in_problems(client: Client) -> None:
    mine = client.get("/v1/nothing", x_request_id="my-request-17")
    theirs = client.get("/v1/nothing", x_request_id="a b")

    assert (mine["x-request-id"], mine.json["request_id"]) == ("my-request-17", "my-request-17")
    assert theirs["x-request-id"] == theirs.json["request_id"] != "a b"


def test_text_in_any_language_comes_back_as_it_was(client: Client) -> None:
    name = "Blæsbjerg 🐝 «Nº 7» \u202e"
    record = client.add("sites", **(SITE | {"name": name, "notes": "a\r\nb\tc"}))

    assert (record["name"], record["notes"]) == (name, "a\nb\tc")
    assert json.loads(client.get(place("site", record)).body)["name"] == name


def test_a_full_or_busy_register_is_a_problem_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from matewindow.errors import BusyError, UnavailableError

    service = service_in(tmp_path, open_door=True)
    client = Client(app_of(replace(service)))
    said = []
    for fault in (
        BusyError("another process is writing"),
        UnavailableError("disk full", full=True),
        UnavailableError("x"),
    ):
        monkeypatch.setattr(service.register.database, "write", _raising(fault))
        said.append(client("POST", "/v1/sites", SITE))

    assert [(a.status, a.slug) for a in said] == [
        (503, "busy"),
        (507, "storage-full"),
        (503, "storage-unavailable"),
    ]
    assert said[0]["retry-after"] == "1"
    assert str(tmp_path) not in "".join(a.body.decode() for a in said)


def _raising(fault: Exception) -> Any:
    def write() -> None:
        raise fault

    return write
