"""A site takes over what a neighbour in its grid cell got, instead of asking the service for the same again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.weather.desk import site_name
from matewindow.weather.entries import Received
from matewindow.weather.live.archive import YEARS, years_wanted
from matewindow.weather.live.cells import SHARED_WITHIN_M, cell_of, height_m, is_moved, moved
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.openmeteo_fetch import OpenMeteo, archive_question

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Question
    from matewindow.weather.entries import Entry
    from matewindow.weather.normal import Weather

_PLACE = frozenset({"latitude", "longitude", "elevation"})


def sites_folder(desk: Desk) -> Path:
    """The folder of the store in which every site of Open-Meteo has one, by its name (``desk.site_name``)."""
    return desk.client.store.folder / "entries" / OPEN_METEO.name


def adopt(site: Site, desk: Desk, *, years: int = YEARS) -> int:
    """Give a site answers of its own from those that a neighbour in its cell got and that are still fresh.

    A pull for this site alone then finds them, and asks for the rest only: the forecast, whose mesh is fine, and the
    earlier runs, whose temperatures are told for a height and kept as they came. Nobody is asked here.

    Args:
        site: where.
        desk: its store, and its clock.
        years: past years wanted.

    Returns:
        How many answers were taken over.

    Raises:
        StoreError: the store cannot be read or written.
    """
    near = _names_near(site, desk)
    if not near:
        return 0
    questions = [OpenMeteo("ensemble").question(site, desk)]
    questions += [archive_question(site, desk, year) for year in years_wanted(desk, years)]
    missing = [q for q in questions if desk.fresh(q.request) is None]
    entries = {kind: _entries_of(near, kind, desk) for kind in {q.request.kind for q in missing}}
    return sum(_adopted(question, entries[question.request.kind], site, desk) for question in missing)


def _names_near(site: Site, desk: Desk) -> list[str]:
    """Folders of other sites in the same cell."""
    own, cell = site_name(site, OPEN_METEO), cell_of(site.latitude, site.longitude)
    found = []
    for folder in sites_folder(desk).glob("*_*"):
        latitude, _, longitude = folder.name.partition("_")
        try:
            here = cell_of(float(latitude), float(longitude))
        except ValueError:
            continue
        if here == cell and folder.name != own:
            found.append(folder.name)
    return sorted(found)


def _entries_of(names: Sequence[str], kind: str, desk: Desk) -> list[Entry]:
    """Their fresh answers of a kind, the newest first."""
    store, now = desk.client.store, desk.client.store.now()
    found = [e for n in names for e in store.entries(source=OPEN_METEO.name, site=n, kind=kind)]
    fresh = [e for e in found if e.fresh_until is not None and now < e.fresh_until and e.has_body]
    return sorted(fresh, key=lambda e: e.id, reverse=True)


def _adopted(question: Question[Weather], entries: Iterable[Entry], site: Site, desk: Desk) -> bool:
    """Take over the first answer that answers the question, if there is one."""
    store = desk.client.store
    for entry in entries:
        weather = _shareable(entry, question, site, desk)
        if weather is None:
            continue
        request = question.request
        own = store.put(
            Received(
                key=request.key,
                url=request.url,
                params=request.params,
                fetched_at=entry.fetched_at,
                status=entry.status,
                body=store.body(entry),
                content_type=entry.content_type,
                fresh_until=entry.fresh_until,
            )
        )
        store.save_normal(own, moved(weather, int(entry.params["elevation"]), height_m(site)))
        return True
    return False


def _shareable(entry: Entry, question: Question[Weather], site: Site, desk: Desk) -> Weather | None:
    """What a neighbour's answer says, if the question was the same but for the place, and the heights are alike."""
    request = question.request
    here, there = ({k: v for k, v in p.items() if k not in _PLACE} for p in (request.params, entry.params))
    if entry.url != request.url or here != there:
        return None
    if abs(int(entry.params["elevation"]) - height_m(site)) > SHARED_WITHIN_M:
        return None
    weather = desk.client.store.load_normal(entry)
    return None if weather is None or is_moved(weather) else weather
