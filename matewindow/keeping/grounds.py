"""The weather of the register's sites, for learning from the records of their queens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.errors import SourceError
from matewindow.keeping.refresh import Refresher
from matewindow.learning.eggpaths import Ground

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matewindow.keeping.outlooks import Keeper
    from matewindow.site import Site


def grounds_of(
    keeper: Keeper, sites: Mapping[str, Site], *, refresh: bool, on_year: Callable[[int, int], None] | None = None
) -> tuple[list[Ground], dict[str, str]]:
    """Sites with the weather that is held of them.

    Args:
        keeper: knows register and weather.
        sites: by id.
        refresh: whether the newest is asked for first, as a refresh of the service does.
        on_year: progress of past years, done and wanted.

    Returns:
        Those that there is weather of, and what the services lacked by the name of the site.

    Raises:
        WeatherFileError: files that cannot be used.
        RegisterError: the register cannot be read or written.
    """
    found, trouble = [], {}
    refresher = Refresher(keeper)
    for site_id, site in sites.items():
        if refresh and (said := refresher.refresh(site_id, on_year).trouble):
            trouble[site.name] = said
        try:
            found.append(Ground(site, keeper.desk.held(site_id, site).sources))
        except SourceError as fault:
            trouble.setdefault(site.name, str(fault))
    return found, trouble
