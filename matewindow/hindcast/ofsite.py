"""The record of one site, whole: its seasons judged in processes of their own, and told as data and page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matewindow.apart import apart
from matewindow.hindcast.asof import Ground
from matewindow.hindcast.forecasts import KeptForecasts
from matewindow.hindcast.report import told
from matewindow.hindcast.running import hindcast
from matewindow.hindcast.seasons import make_plan

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.hindcast.seasons import MonthDay, Plan
    from matewindow.learning.recalibration import Recalibration
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.storedruns import StoredRuns


@dataclass(frozen=True)
class Question:
    """What is looked back on, and how.

    Attributes:
        ground: the site and all its weather.
        plan: which seasons and days.
        made_on: day to be named in the report.
        processes: how many seasons at once.
        keep: folder for seasons that are done, as in ``hindcast``.
    """

    ground: Ground
    plan: Plan
    made_on: date
    processes: int = 1
    keep: Path | None = None


@dataclass(frozen=True)
class Answer:
    """A record as plain data and as a page of HTML."""

    data: dict[str, Any]
    page: str


def question_of(
    site: Site,
    past: SiteWeather | None,
    biology: Biology,
    *,
    days_right: Recalibration | None = None,
    model: str = "",
    remarks: tuple[str, ...] = (),
    runs: StoredRuns | None = None,
    rain: SiteWeather | None = None,
    first: MonthDay | None = None,
    last: MonthDay | None = None,
    years: tuple[int, int] | None = None,
    seed: int = 1,
    made_on: date,
    processes: int = 1,
    keep: Path | None = None,
) -> Question:
    """Find the seasons that a site's weather covers.

    Args:
        site: where.
        past: hourly weather of many years, one series; the hours around the mating window are enough.
        biology: parameters with the site's thresholds.
        days_right, model, remarks: ``days``, ``model`` and ``remarks`` of the ground.
        runs: forecasts that were kept when they were made; None for none.
        rain: the same as ``past`` with the rain of all hours; None if ``past`` has them.
        first, last, years, seed: as in ``make_plan``.
        made_on, processes, keep: of the question.

    Raises:
        RequestError: as ``make_plan``.
    """
    plan = make_plan(past, site, biology, first=first, last=last, years=years, seed=seed)
    assert past is not None  # a plan needs a record
    forecasts = KeptForecasts(runs, rain or past, site, biology.flight) if runs else None
    ground = Ground(site, past, biology, forecasts, days_right, model, remarks)
    return Question(ground, plan, made_on, processes, keep)


def answer(question: Question, on_season: Callable[[int, int], None] | None = None) -> Answer:
    """Judge all seasons and tell of them."""
    q = question
    found = told(q.ground, hindcast(q.ground, q.plan, processes=q.processes, keep=q.keep, on_season=on_season))
    return Answer(found.data(q.made_on), found.page(q.made_on))


def answer_apart(
    question: Question,
    on_season: Callable[[int, int], None] | None = None,
    still: Callable[[], None] | None = None,
) -> Answer:
    """The same to the last digit, with all the work in processes of its own.

    Args:
        question: what is asked.
        on_season: called with how many seasons are done and how many there are; what it raises breaks the work off.
        still: called every second or so, likewise.

    Raises:
        EndedError: a process was killed.
    """
    q = question
    return apart(answer, Question(q.ground.portable, q.plan, q.made_on, q.processes, q.keep), on_season, still)
