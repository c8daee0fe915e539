"""Hindcasts for the service: what ``keeping.hindcasts`` asks for, made by the library in processes of their own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.errors import RequestError
from matewindow.keeping.siterecords import MadeRecord

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.hindcast.ofsite import Answer, Question
    from matewindow.hindcast.seasons import MonthDay
    from matewindow.keeping.hindcasts import Maker, Wanted

_KEPT = "hindcasts"
_FIX = (
    "A record needs the hourly weather of at least {least} whole seasons at the site. Ask again when more past years "
    "have come, or for another season by first_graft and last_graft."
)
_ENDED = "A process that worked on it was ended from outside, for want of memory perhaps. Ask for it again."


def kept_seasons() -> Path:
    """The folder in the user's cache for seasons of hindcasts that are not done yet."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("matewindow", appauthor=False)) / _KEPT


def maker(processes: int, remarks: tuple[str, ...] = ()) -> Maker:
    """Makes records in so many processes, with what else their readers must know."""

    def make(wanted: Wanted, on_season: Callable[[int, int], None], still: Callable[[], None]) -> MadeRecord:
        from matewindow.apart import EndedError
        from matewindow.hindcast.ofsite import answer_apart

        try:
            return made(answer_apart(question(wanted, processes, remarks), on_season, still))
        except EndedError as fault:
            raise RequestError(str(fault), fix=_ENDED) from fault

    return make


def question(wanted: Wanted, processes: int = 1, remarks: tuple[str, ...] = ()) -> Question:
    """What the library is asked for.

    Raises:
        RequestError: the site's weather covers too few seasons, or the bounds make no season.
    """
    from matewindow.hindcast.ofsite import question_of
    from matewindow.hindcast.seasons import MIN_SEASONS

    asked = wanted.asked
    first, last = asked["first_season"], asked["last_season"]
    years = None if first is None and last is None else (first or 0, last or 9999)
    try:
        return question_of(
            wanted.site,
            wanted.past,
            wanted.using.biology,
            days_right=wanted.using.days,
            model=wanted.using.weather_version,
            remarks=remarks,
            runs=wanted.runs.runs,
            rain=wanted.runs.rain,
            first=_month_day(asked["first_graft"]),
            last=_month_day(asked["last_graft"]),
            years=years,
            made_on=wanted.made_on,
            processes=processes,
            keep=wanted.keep,
        )
    except RequestError as fault:
        fix = _FIX.format(least=MIN_SEASONS) if fault.where == "weather" else fault.fix
        raise RequestError(fault.what[:1].upper() + fault.what[1:], fix=fix) from fault


def made(found: Answer) -> MadeRecord:
    """What the library found, as it is kept."""
    data: dict[str, Any] = found.data
    seasons = len(data["seasons"])
    return MadeRecord(data, found.page, f"{seasons} seasons judged. {data['products'][0]['judgement']['headline']}")


def _month_day(text: str | None) -> MonthDay | None:
    if text is None:
        return None
    month, day = text.split("-")
    return int(month), int(day)
