"""The records of queens out of the register's rows: nucs and their checks, batches only counted, odds as issued.

A queen came good if her outcome says ``laying``; she failed if it says ``poor``, ``lost`` or ``never laid``. A queen
that was ``removed``, or lost after she had laid, tells nothing of her mating. An outcome of ``laying`` or ``poor`` is a
look that found eggs, one of ``lost`` or ``never laid`` a look that found none.

The odds of a record are the last ones issued before any of the batch's virgins could fly (``ISSUED_BY_D`` days after
the graft), for the batch as a whole: what was issued later knew part of the answer.

Sites that are called the same are told apart by their ids.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from matewindow.learning.records import Record
from matewindow.register import tables
from matewindow.register.life import site_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from matewindow.site import Site

    Row = Mapping[str, Any]

ISSUED_BY_D = 12
"""Days after the graft up to which odds count as issued beforehand: virgins emerge about then and fly 6 days later."""
_SUCCESS = {"laying": True, "poor": False, "lost": False, "never laid": False, "removed": None, None: None}
_EGGS, _NO_EGGS = frozenset({"laying", "poor"}), frozenset({"lost", "never laid"})
_JULY = 183


@dataclass(frozen=True)
class Registered:
    """What the register tells of queens.

    Attributes:
        records: of all of them.
        sites: by id, those whose records tell of looks for eggs; named as in the records.
    """

    records: list[Record]
    sites: dict[str, Site]


def read_register(connection: sa.Connection) -> Registered:
    """Read the records of all queens out of a register, at one instant."""
    whole = (tables.sites, tables.batches, tables.nucs, tables.checks)
    site_rows, batches, nucs, checks = (
        [dict(row) for row in connection.execute(sa.select(t)).mappings()] for t in whole
    )
    o = tables.outlooks.c
    issued = connection.execute(sa.select(o.batch_id, o.issued_at, o.parameters, o.p_well_mated)).mappings()
    records = records_of_register(site_rows, batches, nucs, checks, [dict(row) for row in issued])
    names = _site_names(site_rows)
    looked = {record.site for record in records if record.last_look is not None}
    sites = {
        row["id"]: replace(site_of(row), name=names[row["id"]])
        for row in _there(site_rows)
        if names[row["id"]] in looked
    }
    return Registered(records, sites)


def _site_names(sites: Iterable[Row]) -> dict[str, str]:
    rows = _there(sites)
    called = Counter(row["name"] for row in rows)
    return {r["id"]: r["name"] if called[r["name"]] == 1 else f"{r['name']} ({r['id']})" for r in rows}


def records_of_register(
    sites: Iterable[Row], batches: Iterable[Row], nucs: Iterable[Row], checks: Iterable[Row], outlooks: Iterable[Row]
) -> list[Record]:
    """Records of all queens that the register tells of.

    Args:
        sites, batches, nucs, checks: rows of these tables as dictionaries (``register/tables.py``); deleted ones are
            left out.
        outlooks: rows of what was issued; ``batch_id``, ``issued_at`` (aware), ``parameters`` and ``p_well_mated`` are
            read.

    Returns:
        One record for each nuc with a batch, and for batches without nucs one for each queen counted, oldest first.
    """
    site_rows = {row["id"]: row for row in _there(sites)}
    names = _site_names(site_rows.values())
    batch_of = {row["id"]: row for row in _there(batches) if row["site_id"] in site_rows}
    looks = _grouped(_there(checks), "nuc_id")
    issued = _grouped(outlooks, "batch_id")
    stocked = _grouped([n for n in _there(nucs) if n["batch_id"] in batch_of], "batch_id")
    records: list[Record] = []
    for batch in sorted(batch_of.values(), key=lambda row: (row["grafted_on"], row["id"])):
        site = site_rows[batch["site_id"]]
        common = _common(batch, site, issued.get(batch["id"], [])) | {"site": names[site["id"]]}
        if batch["id"] in stocked:
            records += [_of_nuc(nuc, looks.get(nuc["id"], []), common) for nuc in stocked[batch["id"]]]
        else:
            records += _counted(batch, common)
    return records


def _there(rows: Iterable[Row]) -> list[Row]:
    return [row for row in rows if row.get("deleted_at") is None]


def _grouped(rows: Iterable[Row], key: str) -> dict[str, list[Row]]:
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row[key] is not None:
            groups.setdefault(row[key], []).append(row)
    return groups


def _common(batch: Row, site: Row, issued: Sequence[Row]) -> dict[str, Any]:
    """What all queens of a batch share."""
    odds = _issued_before(batch["grafted_on"], ZoneInfo(site["timezone"]), issued)
    placed = batch["n_placed"]
    return {
        "season": season_of(batch["grafted_on"], site["latitude"]),
        "grafted_on": batch["grafted_on"],
        "batch": batch["name"] or batch["id"],
        "grafted_at": batch["grafted_at"],
        "larva_age_h": batch["larva_age_h"],
        "sealed_temp_c": batch["sealed_temp_c"],
        "emerged_on": batch["emerged_on"],
        "model": "" if odds is None else odds["parameters"],
        "p_issued": None if odds is None else odds["p_well_mated"],
        "nucs_in_batch": placed or None,
    }


def season_of(day: date, latitude: float) -> str:
    """Name of the season that a graft belongs to: a calendar year in the north, from July to June in the south."""
    if latitude >= 0.0:
        return str(day.year)
    first = day.year if day.timetuple().tm_yday >= _JULY else day.year - 1
    return f"{first}/{(first + 1) % 100:02d}"


def _issued_before(grafted_on: date, zone: ZoneInfo, issued: Sequence[Row]) -> Row | None:
    end = datetime.combine(grafted_on + timedelta(days=ISSUED_BY_D + 1), time(0), tzinfo=zone)
    before = [row for row in issued if row["issued_at"] < end]
    return max(before, key=lambda row: row["issued_at"], default=None)


def _of_nuc(nuc: Row, looks: Sequence[Row], common: dict[str, Any]) -> Record:
    outcome, on = nuc["outcome"], nuc["outcome_on"]
    mine = [c for c in looks if c["batch_id"] == nuc["batch_id"]]
    eggs = [c["day"] for c in mine if c["saw"] == "eggs"]
    if outcome in _EGGS and on is not None:
        eggs.append(on)
    first = min(eggs, default=None)
    none = [c["day"] for c in mine if c["saw"] != "eggs"]
    if outcome in _NO_EGGS and on is not None:
        none.append(on)
    last = max((day for day in none if first is None or day < first), default=None)
    lost_later = outcome == "lost" and first is not None
    return Record(
        **common
        | {
            "nuc": nuc["name"],
            "nuc_kind": nuc["kind"],
            "success": None if lost_later else _SUCCESS[outcome],
            "emerged_on": nuc["emerged_on"] or common["emerged_on"],
            "last_without_eggs": last,
            "first_with_eggs": first,
            "reason": nuc["outcome_reason"] or ("" if outcome in {None, "laying"} else str(outcome)),
        }
    )


def _counted(batch: Row, common: dict[str, Any]) -> list[Record]:
    """A batch that was only counted: so many of the virgins that emerged came into lay, the others did not.

    Where nobody counted the virgins that emerged, cells that failed and queens that failed cannot be told apart, and
    only that there is no outcome is known.
    """
    emerged, laying, placed = batch["n_emerged"], batch["n_laying"], batch["n_placed"]
    if emerged is None or laying is None:
        return [Record(**common | {"success": None})] if placed or laying else []
    common = common | {"nucs_in_batch": emerged or None}
    return [Record(**common | {"success": i < laying}) for i in range(emerged)]
