"""Makes ``api/examples.json``: a whole answer for each operation, from the invented weather of the demo.

``python -m tests.service.examples`` writes it anew; a test holds the file against fresh answers.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from api.examples import EXAMPLES
from tests.service.made import Client, app_of, keep_record, service_in

if TYPE_CHECKING:
    from api.service import Service

_ID = re.compile(r"\b([a-z]{3,4})_[0-9a-hjkmnp-tv-z]{16}\b")
_SECRET = re.compile(r"mw_([tf])[A-Za-z0-9_-]{43}[0-9a-z]{6}")
LISTED: dict[type, int] = {dict: 2}
"""Entries that are shown of a list of objects."""
LISTED_IN: dict[str, dict[type, int]] = {"read_record": {dict: 1, int: 3, float: 3, str: 3}}
"""The same of answers that are long, by type of the entries."""


def answers(folder: Path) -> dict[str, Any]:
    """A whole answer for each operation, by its id, with the same ids and secrets every time."""
    service = service_in(folder)
    client = Client(app_of(service))
    document = client.get("/v1/openapi.json").json
    found = {}
    for operation, answer in _asked(client, service):
        assert answer.status in {200, 201, 202}, (operation, answer.body)
        found[operation] = _short(json.loads(_same(answer.body.decode())), LISTED_IN.get(operation, LISTED))
    wanted = {o["operationId"]: o for methods in document["paths"].values() for o in methods.values() if _has_json(o)}
    return {name: found[name] for name in wanted if name in found}


def _asked(client: Client, service: Service) -> Any:
    """What is asked, in the order of a keeper's work."""
    ids: dict[str, str] = {}

    def add(kind: str, plural: str, **fields: Any) -> Any:
        answer = client("POST", f"/v1/{plural}", fields)
        assert answer.status == 201, answer.body
        ids[kind] = answer.json["id"]
        return f"add_{kind}", answer

    from tests.service.made import GRAFTED, SITE

    yield add("site", "sites", **SITE, warn_below=0.9, notes="An invented place.")
    site = {"site_id": ids["site"]}
    yield add("builder", "builders", **site, name="Cell builder 2", queenright=False, strength_frames=12.0)
    yield add(
        "batch", "batches", **site, builder_id=ids["builder"], name="May, first graft", breeder_queen="Q 17",
        drone_stock="Hill apiary", grafted_on=GRAFTED, grafted_at="14:30", larva_age_h=18.0, taken_on="2026-05-14",
        sealed_on="2026-05-18", moved_on="2026-05-23", emerged_on="2026-05-25", n_grafted=30, n_taken=25, n_sealed=24,
        n_placed=22, n_emerged=21,
    )  # fmt: skip
    yield add(
        "nuc", "nucs", **site, batch_id=ids["batch"], name="Nuc 7", cell_placed_on="2026-05-23",
        broodless_since="2026-05-22", emerged_on="2026-05-25",
    )  # fmt: skip
    yield add("check", "checks", batch_id=ids["batch"], nuc_id=ids["nuc"], day="2026-05-31", saw="virgin")
    for kind, plural in (
        ("site", "sites"),
        ("builder", "builders"),
        ("batch", "batches"),
        ("nuc", "nucs"),
        ("check", "checks"),
    ):
        path = f"/v1/{plural}/{ids[kind]}"
        yield f"read_{kind}", client.get(path)
        yield f"change_{kind}", client("PATCH", path, {"notes": "Seen at noon."}, headers={"If-Match": '"1"'})
        yield f"undo_{kind}", client("POST", f"{path}/undo", headers={"If-Match": '"2"'})
        yield f"history_of_{kind}", client.get(f"{path}/history")
        yield f"list_{plural}", client.get(f"/v1/{plural}")
    path = f"/v1/checks/{ids['check']}"
    client("DELETE", path, headers={"If-Match": '"3"'})
    yield "restore_check", client("POST", f"{path}/restore")
    place, batch, nuc = f"/v1/sites/{ids['site']}", f"/v1/batches/{ids['batch']}", f"/v1/nucs/{ids['nuc']}"
    outlook = client.get(f"{batch}/outlook")
    yield "read_outlook", outlook
    yield "list_outlooks", client.get(f"{batch}/outlooks")
    yield "read_issued_outlook", client.get(f"/v1/outlooks/{outlook.json['outlook_id']}")
    yield "read_nuc_outlook", client.get(f"{nuc}/outlook")
    yield "read_laying_check", client.get(f"{batch}/laying-check")
    yield "read_nuc_laying_check", client.get(f"{nuc}/laying-check")
    yield (
        "read_graft_days",
        client.get(f"{place}/graft-days?from=2026-06-01&by=2026-07-05&builder_free_from=2026-06-02"),
    )
    yield "read_window", client.get(f"{place}/window?graft=2026-05-16&emerged=2026-05-28")
    yield "read_hours", client.get(f"{place}/hours?from=2026-06-01&days=2")
    yield "read_site_weather", client.get(f"{place}/weather")
    keep_record(service, ids["site"])
    yield "read_record", client.get(f"{place}/record")
    yield "list_sites_as_geojson", client.get("/v1/sites.geojson")
    warnings = client.get("/v1/warnings")
    yield "list_warnings", warnings
    yield "read_warning", client.get(f"/v1/warnings/{warnings.json['items'][0]['id']}")
    yield "read_health", client.get("/v1/health")
    yield "read_ready", client.get("/v1/ready")
    yield "read_models", client.get("/v1/models")
    job = client("POST", "/v1/jobs", {"kind": "hindcast", "bounds": {"first_graft": "04-20"}, **site})
    for name in ("ask", "ask_for_job"):
        yield name, job
    yield "list_jobs", client.get("/v1/jobs")
    yield "read_job", client.get(f"/v1/jobs/{job.json['id']}")
    yield "cancel_job", client("POST", f"/v1/jobs/{job.json['id']}/cancel")
    token = client("POST", "/v1/tokens", {"name": "Phone", "scope": "record"})
    yield "make_token", token
    yield "list_tokens", client.get("/v1/tokens")
    yield "read_token", client.get(f"/v1/tokens/{token.json['id']}")
    yield "revoke_token", client("POST", f"/v1/tokens/{token.json['id']}/revoke")
    feed = client("POST", "/v1/feeds", {"name": "Calendar of the phone", "kind": "calendar", **site})
    yield "make_feed", feed
    yield "list_feeds", client.get("/v1/feeds")
    yield "read_feed", client.get(f"/v1/feeds/{feed.json['id']}")
    yield "revoke_feed", client("POST", f"/v1/feeds/{feed.json['id']}/revoke")


def _has_json(operation: dict[str, Any]) -> bool:
    made = [r for status, r in operation["responses"].items() if status in {"200", "201", "202"}]
    return any("json" in kind for response in made for kind in response.get("content", {}))


def _same(text: str) -> str:
    """The text with ids and secrets that are no real ones."""
    text = _SECRET.sub(lambda found: f"mw_{found[1]}{'x' * 43}000000", text)
    return _ID.sub(lambda found: f"{found[1]}_0123456789abcdef", text)


def _short(value: Any, listed: dict[type, int]) -> Any:
    """The value with long lists cut short."""
    if isinstance(value, list):
        most = listed.get(type(value[0])) if value else None
        return [_short(part, listed) for part in value[:most]]
    return {name: _short(part, listed) for name, part in value.items()} if isinstance(value, dict) else value


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        made = answers(Path(folder))
    EXAMPLES.write_text(json.dumps(made, ensure_ascii=False, indent=1) + "\n", "utf-8")
    sys.stdout.write(f"{len(made)} answers written to {EXAMPLES}\n")
