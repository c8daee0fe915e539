"""The outlook of a batch or nuc for somebody who asks once, without a running service."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from matewindow.keeping.working import expected_of
from matewindow.outlook import batch_outlook
from matewindow.register.life import site_of
from matewindow.register.records import as_data
from matewindow.reporting import window_report

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.keeping.outlooks import Keeper
    from matewindow.register.register import Register
    from matewindow.site import Site


def shown_outlook(keeper: Keeper, kind: str, thing: str, *, keep: bool) -> dict[str, Any]:
    """The report that the service gives.

    Args:
        keeper: issues outlooks.
        kind: "batch" or "nuc".
        thing: its id.
        keep: whether it goes on record, as it does when the service is asked; not where weather or clock are made up.

    Raises:
        NotThereError, SourceError, InputError: as ``Keeper.outlook``.
    """
    if kind == "nuc":
        return keeper.nuc_outlook(thing)
    if keep:
        report: dict[str, Any] = json.loads(keeper.outlook(thing).body)
        return report
    records, held, now = keeper.basis(thing)
    using, batch = keeper.models.at(records.site), records.batch
    outlook = using.put_right(batch_outlook(batch, records.site, held.sources, now, using.biology))
    head = {"batch_id": thing, "site_id": records.row["site_id"], "name": records.row["name"]} | as_data({"now": now})
    return (
        {"outlook_id": None, "issued_at": None}
        | head
        | {"expected_laying": expected_of(records, outlook, using.biology)}
        | window_report(outlook, records.site, held.sources, using.biology, using.made(batch))
    )


def site_beside(register: Register, kind: str, thing: str) -> Site:
    """The site of a batch or nuc.

    Raises:
        NotThereError: there is no such record.
    """
    return site_of(register.get("site", register.get(kind, thing)["site_id"]))


def refresh_beside(keeper: Keeper, kind: str, thing: str, on_year: Callable[[int, int], None] | None = None) -> str:
    """Ask for the newest weather at the site of a batch or nuc, as a refresh of the service does.

    Returns:
        What went wrong; empty if nothing did.

    Raises:
        NotThereError: there is no such record.
    """
    from matewindow.keeping.refresh import Refresher

    return Refresher(keeper).refresh(keeper.register.get(kind, thing)["site_id"], on_year).trouble
