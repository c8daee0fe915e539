"""A service for random requests: its register holds a few records of every kind whose ids the requests can name."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from unittest import mock

from api.edge.rates import Buckets
from matewindow.outbound import Guard
from matewindow.register.ids import PREFIXES
from tests.service.made import GRAFTED, PLENTY, SITE, Client, app_of, keep_record, service_in

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp

EXAMPLE = "0123456789abcdef"
LEAVES = 60
"""Checks on record. What else there is cannot be deleted while something stands on it, but for a few free ones."""
_DAYS = ["2026-05-13", "2026-05-20", "2026-05-25", "2026-05-31", "2026-06-01", "2026-06-13", "2026-06-27", "2199-12-31"]


@dataclass(frozen=True)
class Seeded:
    """An application, and values that requests to it may hold, by the name of the parameter or field."""

    app: ASGIApp
    values: dict[str, list[Any]]


def _resolve(host: str, port: int, **_: object) -> list[Any]:
    """Every name leads to an address of the documentation, as if there were a network."""
    return [(2, 1, 6, "", ("93.184.215.14", port))]


def _connect(*_: object) -> Any:
    raise ConnectionRefusedError("there is no network here")


def seeded(folder: Path) -> Seeded:
    """A service on the invented weather with records of every kind; nothing leaves the machine."""
    guard = Guard(resolve=_resolve, connect=_connect)
    service = service_in(folder, open_door=True)
    app = app_of(
        replace(service, guard=guard),
        hosts=("localhost", "127.0.0.1", "testserver"),
        failures=Buckets(PLENTY, PLENTY),
    )
    client = Client(app)
    found: dict[str, list[Any]] = {}

    def add(kind: str, plural: str, *, fixed: bool = False, **fields: Any) -> str:
        with mock.patch("matewindow.register.register.new_id", _example) if fixed else nullcontext():
            made: str = client.add(plural, **fields)["id"]
        found.setdefault(f"{kind}_id", []).append(made)
        return made

    for fixed in (True, False):
        site = add("site", "sites", fixed=fixed, **SITE, warn_below=0.9)
        builder = add("builder", "builders", fixed=fixed, site_id=site, name="Builder")
        batch = add("batch", "batches", fixed=fixed, site_id=site, builder_id=builder, grafted_on=GRAFTED, n_grafted=30)
        nuc = add("nuc", "nucs", fixed=fixed, site_id=site, batch_id=batch, name="Nuc")
        add("check", "checks", fixed=fixed, batch_id=batch, nuc_id=nuc, day="2026-05-31", saw="virgin")
        for n in range(LEAVES // 2):
            add("check", "checks", batch_id=batch, nuc_id=nuc, day="2026-05-30", saw="virgin")
            if n % 5 == 0:
                add("builder", "builders", site_id=site, name=f"Free builder {n}")
                add("batch", "batches", site_id=site, grafted_on=GRAFTED, name=f"Free batch {n}")
                add("nuc", "nucs", site_id=site, name=f"Free nuc {n}")
        outlook = client.get(f"/v1/batches/{batch}/outlook").json["outlook_id"]
        found.setdefault("outlook_id", []).append(outlook)
        warning = client.get(f"/v1/warnings?batch_id={batch}").json["items"][0]["id"]
        found.setdefault("warning_id", []).append(warning)
        keep_record(service, site)
        found.setdefault("job_id", []).append(client("POST", "/v1/jobs", {"site_id": site}).json["id"])
    wanted = {"url": "https://hooks.example.org/bees", "types": ["*"]}
    hook, *others = [client("POST", "/v1/webhooks", wanted).json["id"] for _ in range(4)]
    client("PATCH", f"/v1/sites/{site}", {"notes": "Seen."}, headers={"If-Match": '"1"'})
    deliveries = client.get(f"/v1/webhooks/{hook}/deliveries").json["items"]
    found |= {"webhook_id": [hook, *others], "delivery_id": [each["id"] for each in deliveries]}
    found["secret"] = []
    for kind in ("calendar", "metrics"):
        for site_id in (site, None):
            feed = client("POST", "/v1/feeds", {"name": kind, "kind": kind, "site_id": site_id}).json
            found["secret"].append(feed["path"].split("/")[3])
            found.setdefault("feed_id", []).append(feed["id"])
    found["token_id"] = [client("POST", "/v1/tokens", {"name": "Phone", "scope": "read"}).json["id"]]
    return Seeded(app, found)


def _example(kind: str, _now: object) -> str:
    return f"{PREFIXES[kind]}_{EXAMPLE}"


def configuration(values: dict[str, list[Any]], seed: int, *, examples: int = 0, scenarios: int = 0) -> dict[str, Any]:
    """Settings of schemathesis.

    Left off is only ``positive_data_acceptance``: most records that the schema allows cannot be true (a graft after
    its emergence, a site in another time zone than its longitude), and are refused with 422 as they should be.

    Args:
        values: that requests may hold, by name.
        seed: of all randomness.
        examples: random cases for each operation, beside the document's examples and bounds; 0 = none of all these.
        scenarios: chains of requests; 0 = none.
    """
    ids = {name: {"values": those} for name, those in values.items()}
    bound: dict[str, Any] = {}
    for name in ids:
        for place in ("path", "query", "body"):
            if not (place != "path" and name in {"secret", "outlook_id", "warning_id", "job_id"}):
                bound[f"{place}.{name}"] = {"dictionary": name, "probability": 0.7}
    ids |= {"days": {"values": _DAYS}, "tags": {"values": ['"1"', '"2"', "*"]}}
    for name in ("query.from", "query.graft", "query.emerged", "body.grafted_on", "body.day", "query.by"):
        bound[name] = {"dictionary": "days", "probability": 0.6}
    bound["header.If-Match"] = {"dictionary": "tags", "probability": 0.8}
    return {
        "seed": seed,
        "continue-on-failure": True,
        "dictionaries": ids,
        "parameters": bound,
        "generation": {"max-examples": examples or 1, "no-shrink": True, "database": "none"},
        "checks": {"positive_data_acceptance": {"enabled": False}},
        "phases": {
            "examples": {"enabled": examples > 0},
            "coverage": {"enabled": examples > 0, "generate-duplicate-query-parameters": True},
            "fuzzing": {"enabled": examples > 0},
            "stateful": {
                "enabled": scenarios > 0,
                "generation": {"max-examples": scenarios or 1},
                "max-steps": 8,
            },
        },
    }
