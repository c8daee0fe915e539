"""Forecast members joined to past years: the paths of weather on which everything else is computed.

Skill-thinned path splicing. Each path follows one ensemble member up to its own switch day and one block of a past
year after
it; the share of paths still on the forecast at lead day l is the weight w(l). Every path has one seam, at local
midnight, and
all variables switch together. Days already past come from observation. Only daily sums are spliced: the flight
kernel runs once over members and once over years, so the cost is theirs and not that of the paths.

Sources for the choices: ``models/literature.md``, section on the forecast; the weights are judgement between
    published anchors.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import RequestError
from matewindow.flight import resolve_pent_up

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from matewindow.biology import Biology, Forecast
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

SHIFTS_D = (-7, -4, 0, 4, 7)
"""Each past year serves five times, moved by so many days: worth about two independent years each."""
OBSERVED, FORECAST, PAST_YEARS = 0, 1, 2
ORIGINS = ("observed", "forecast", "past_years")
_FILL_REACH_D = 3  # a missing day of a past year takes the nearest known one this close, or the year is left out
_SEED = 20_260_601


@dataclass(frozen=True)
class Sources:
    """What is known of a site's weather: any part may be absent.

    Attributes:
        observed: record of this season up to now, one series.
        run: a single forecast run, one series; its days before today serve where ``observed`` has none.
        members: an ensemble, one series a member.
        past: the record that past years are cut from, one series over many years, or one typical year.
    """

    observed: SiteWeather | None = None
    run: SiteWeather | None = None
    members: SiteWeather | None = None
    past: SiteWeather | None = None


@dataclass(frozen=True)
class Rows:
    """Daily flight hours of S sources of one kind over the L days of the paths.

    ``effective_h`` (S, L, n_levels) and ``strict_h`` (S, L), NaN where a source does not reach; ``lost`` works out
    the lost hours by cause (S, L, n_levels, n_causes) when they are asked for.
    """

    kind: int
    effective_h: Floats
    strict_h: Floats
    lost: Callable[[], Floats] = field(repr=False)


@dataclass(frozen=True)
class Paths:
    """N paths of daily weather over L days.

    Attributes:
        days: solar days, shape (L,).
        hours: effective flight hours with pent-up drive resolved, shape (L, N).
        level: level of pent-up drive on each day, shape (L, N).
        source: which of the S source rows each path follows on each day, shape (L, N).
        rows: the source rows by kind, in the order in which ``source`` counts them.
        origin: kind of each source row, one of ``OBSERVED``, ``FORECAST``, ``PAST_YEARS``, shape (S,).
        window_h: length of the mating window of each day, shape (L,).
        member, year: which member and which past year (index into ``years``) each path draws on, shape (N,).
        years: the past years in use, shape (Y,); a typical year is 0.
        n_members: members in use.
        trend_k: warming added to the mean past year [K].
        notes: remarks for the user.
    """

    days: NDArray[np.datetime64]
    hours: Floats
    level: Indices
    source: Indices
    rows: tuple[Rows, ...]
    origin: Indices
    window_h: Floats
    member: Indices
    year: Indices
    years: NDArray[np.int64]
    n_members: int
    trend_k: float
    notes: tuple[str, ...] = ()

    def shares(self, days: NDArray[np.bool_]) -> Floats:
        """Share of path-days observed, forecast and from past years over chosen days, (3,), adding up to 1."""
        shares: Floats = self.daily_shares()[days].mean(axis=0)
        return shares

    def daily_shares(self) -> Floats:
        """Share of paths that each day takes from observation, forecast and past years, shape (L, 3)."""
        origin = self.origin[self.source]
        return np.stack([(origin == kind).mean(axis=1) for kind in range(3)], axis=1)

    def uses(self, kind: int) -> NDArray[np.bool_]:
        """Which paths draw on a kind of source on any day, shape (N,)."""
        result: NDArray[np.bool_] = (self.origin[self.source] == kind).any(axis=0)
        return result

    def strict_hours(self) -> Floats:
        """Strict flight hours of each day and path, shape (L, N)."""
        table = np.concatenate([rows.strict_h for rows in self.rows])
        return table[self.source, np.arange(len(self.days))[:, None]]

    def mean_losses(self) -> Floats:
        """Hours lost on each day by cause, mean over paths, shape (L, n_causes)."""
        table = np.concatenate([rows.lost() for rows in self.rows])
        lost: Floats = table[self.source, np.arange(len(self.days))[:, None], self.level].mean(axis=1)
        return lost


def ensemble_weight(lead_d: Floats, forecast: Forecast) -> Floats:
    """Weight of an ensemble forecast against past years at lead day 0, 1, 2 …: 0.90 / (1 + (l / 9.8)^3.5).

    Source: Hill form from Dirmeyer & Ford 2020, doi 10.1175/MWR-D-19-0076.1; the values are judgement.
    """
    return forecast.ensemble_weight / (1.0 + (lead_d / forecast.ensemble_half_d) ** forecast.ensemble_power)


def single_weight(lead_d: Floats, forecast: Forecast) -> Floats:
    """Weight of a single run at lead day 0, 1, 2 …: 0.55 / (1 + (l / 4.5)^2.5). Source as ``ensemble_weight``."""
    return forecast.single_weight / (1.0 + (lead_d / forecast.single_half_d) ** forecast.single_power)


def switch_days(weight: Floats, n_paths: int, rng: np.random.Generator) -> Indices:
    """Number of lead days that each path stays on the forecast, shape (n_paths,), with P(K > l) = weight[l].

    Weights are made non-increasing first. One stratified uniform number a path gives the shares exactly up to
    1/n_paths.
    """
    weight = np.minimum.accumulate(np.clip(weight, 0.0, 1.0))
    u = (rng.permutation(n_paths) + rng.random(n_paths)) / n_paths
    result: Indices = (weight[None, :] > u[:, None]).sum(axis=1)
    return result


def even_draw(n_paths: int, size: int, rng: np.random.Generator) -> Indices:
    """Indices 0..size-1, each drawn equally often up to one, in random order, shape (n_paths,)."""
    return rng.permutation(np.arange(n_paths) * size // n_paths)


def build_paths(
    sources: Sources,
    first_day: np.datetime64,
    n_days: int,
    today: np.datetime64,
    biology: Biology,
    exposure: float,
    *,
    n_paths: int = 1000,
    seed: int = _SEED,
) -> tuple[Paths, Paths | None]:
    """Join what is known to paths over a run of solar days.

    Args:
        sources: weather on the site's solar days.
        first_day, n_days: the days wanted; give some before the first that matters, so that pent-up drive is known.
        today: the solar day of now; days before it may be observed.
        biology: parameters, with the site's thresholds.
        exposure: share of the 10 m wind met at flight height.
        n_paths: at least so many paths; rounded up so that every past block serves equally often.
        seed: of the draw of members, blocks and switch days.

    Returns:
        The paths, and those of past years alone (``usual``), None where there are none. Hours are NaN on days that
        nothing covers.

    Raises:
        RequestError: neither past years nor a forecast hold any of the days.
    """
    days = first_day + np.arange(n_days)
    past, years, trend_k, notes = _past_rows(sources.past, days, today, biology, exposure)
    single = _rows(FORECAST, _aligned(issued(sources.run, today), days), biology, exposure)
    members = _rows(FORECAST, _aligned(issued(sources.members, today), days), biology, exposure)
    observed = _rows(OBSERVED, _aligned(sources.observed, days, before=today), biology, exposure)
    kinds = [rows for rows in (observed, single, members, past) if rows is not None]
    if not kinds:
        raise RequestError(
            f"the weather holds nothing for {days[0]} to {days[-1]}, neither forecast nor whole past years",
            where="weather",
            fix="Add past years that reach over these dates (past.json or past.csv), or choose other dates.",
        )
    lead = (days - today).astype(np.int64)
    pool, weight = _forecast_pool(single, members, lead, biology.forecast)
    n_blocks = 0 if past is None else len(past.effective_h)
    alone = len(pool) == 0 and observed is None and single is None
    if n_blocks == 0 and len(pool) == 0:
        n_paths = 1  # nothing is drawn: every path would be the same
    n_paths = n_blocks if alone and n_blocks else max(1, n_blocks) * -(-n_paths // max(1, n_blocks))
    rng = np.random.default_rng(seed)
    member = even_draw(n_paths, max(1, len(pool)), rng)
    block = rng.permutation(np.arange(n_paths) % max(1, n_blocks))
    switch = switch_days(weight if past is not None else np.ceil(weight), n_paths, rng)
    start = np.cumsum([0] + [len(rows.effective_h) for rows in kinds])
    first_of = {id(rows): int(i) for rows, i in zip(kinds, start, strict=False)}
    source = np.full((n_days, n_paths), -1)
    if past is not None:
        source[:] = first_of[id(past)] + block
    if len(pool):
        _follow(source, kinds, first_of, pool[member], switch, lead)
    if single is not None:
        _overlay(source, first_of[id(single)], single, lead < 0)
    if observed is not None:
        _overlay(source, first_of[id(observed)], observed, lead < 0)
    common = _Common(days, years, trend_k, notes, _window_h(sources, days), biology)
    paths = _paths(common, tuple(kinds), source, member, block // len(SHIFTS_D), len(pool))
    if past is None:
        return paths, None
    every = np.arange(n_blocks)
    usual = _paths(common, (past,), np.tile(every, (n_days, 1)), every * 0, every // len(SHIFTS_D), 0)
    return paths, usual


@dataclass(frozen=True)
class _Common:
    days: NDArray[np.datetime64]
    years: NDArray[np.int64]
    trend_k: float
    notes: tuple[str, ...]
    window_h: Floats
    biology: Biology


def _paths(
    common: _Common, rows: tuple[Rows, ...], source: Indices, member: Indices, year: Indices, n_members: int
) -> Paths:
    table = np.concatenate([r.effective_h for r in rows])
    spliced = table[source, np.arange(len(common.days))[:, None]]  # (L, N, levels)
    spliced[source < 0] = np.nan
    hours, level = resolve_pent_up(np.moveaxis(spliced, 0, 1), common.biology.flight)
    return Paths(
        days=common.days,
        hours=np.ascontiguousarray(hours.T),
        level=level.T,
        source=source,
        rows=rows,
        origin=np.concatenate([np.full(len(r.effective_h), r.kind) for r in rows]),
        window_h=common.window_h,
        member=member,
        year=year,
        years=common.years,
        n_members=n_members,
        trend_k=common.trend_k,
        notes=common.notes,
    )


def _window_h(sources: Sources, days: NDArray[np.datetime64]) -> Floats:
    """Length of the mating window of each day: the same for every source, and so taken from any that there is."""
    weather = next(w for w in (sources.past, sources.members, sources.run, sources.observed) if w is not None)
    return np.full(len(days), float(np.median(weather.share.sum(axis=-1))))


def _rows(kind: int, weather: SiteWeather | None, biology: Biology, exposure: float) -> Rows | None:
    if weather is None:
        return None
    flown = weather.flight(biology.flight, exposure)
    return Rows(kind, flown.effective_h, flown.strict_h, lambda: weather.losses(biology.flight, exposure))


def issued(forecast: SiteWeather | None, today: np.datetime64) -> SiteWeather | None:
    """The forecast, or None if it begins only after tomorrow: today it has not been issued yet."""
    return None if forecast is None or forecast.days[0] > today + 1 else forecast


def _aligned(
    weather: SiteWeather | None, days: NDArray[np.datetime64], *, before: np.datetime64 | None = None
) -> SiteWeather | None:
    """The same series over exactly ``days``, missing where they do not reach; None where they hold none of them."""
    if weather is None:
        return None
    at = (days - weather.days[0]).astype(np.int64)
    known = (at >= 0) & (at < len(weather.days))
    if before is not None:
        known &= days < before
    if not known.any():
        return None
    return weather.on_days(np.where(known, at, -1))


def _forecast_pool(
    single: Rows | None, members: Rows | None, lead: Indices, forecast: Forecast
) -> tuple[Indices, Floats]:
    """The members that paths may follow, and the forecast's weight at each lead day from 0 on.

    A single run joins an ensemble as one more member if it reaches as far. Members are numbered from 0 through the
    single run (if there is one) and the ensemble.
    """
    n_lead = max(0, int(lead[-1]) + 1)
    leads = np.arange(n_lead, dtype=np.float64)

    def reach(rows: Rows) -> Indices:
        """Last lead day that each series knows; -1 for none."""
        known = ~np.isnan(rows.strict_h) & (lead >= 0)
        return np.where(known.any(axis=1), lead[lead.size - 1 - known[:, ::-1].argmax(axis=1)], -1)

    if members is not None and (reach(members) >= 0).any():
        reaches = reach(members)
        last, weight = int(np.median(reaches)), ensemble_weight(leads, forecast)
        offset = 0 if single is None else 1
        pool = offset + np.flatnonzero(reaches >= last)
        if single is not None and reach(single)[0] >= last:
            pool = np.concatenate([[0], pool])
    elif single is not None and reach(single)[0] >= 0:
        last, weight, pool = int(reach(single)[0]), single_weight(leads, forecast), np.array([0])
    else:
        return np.array([], dtype=np.intp), np.zeros(n_lead)
    return pool, np.where(leads <= last, weight, 0.0)


def _follow(
    source: Indices,
    kinds: list[Rows],
    first_of: dict[int, int],
    member: Indices,
    switch: Indices,
    lead: Indices,
) -> None:
    """Put each path on its member from today up to its switch day, in place.

    A day that the member lacks (an ensemble that starts this afternoon, say) is taken from the single run if that
    has it.
    """
    forecasts = [rows for rows in kinds if rows.kind == FORECAST]
    row_of = np.concatenate([first_of[id(rows)] + np.arange(len(rows.strict_h)) for rows in forecasts])
    known = ~np.isnan(np.concatenate([rows.strict_h for rows in forecasts]))
    wanted = (lead[:, None] >= 0) & (lead[:, None] < switch[None, :])
    if len(forecasts) > 1:  # then the first row is the single run
        source[...] = np.where(wanted & known[0][:, None], row_of[0], source)
    source[...] = np.where(wanted & known[member].T, row_of[member][None, :], source)


def _overlay(source: Indices, row: int, rows: Rows, days: NDArray[np.bool_]) -> None:
    """Let every path take a row on the given days where the row is known, in place."""
    source[days & ~np.isnan(rows.strict_h[0])] = row


def _past_rows(
    past: SiteWeather | None,
    days: NDArray[np.datetime64],
    today: np.datetime64,
    biology: Biology,
    exposure: float,
) -> tuple[Rows | None, NDArray[np.int64], float, tuple[str, ...]]:
    """Past years as blocks (years x shifts) over the days, with the years, the warming added and remarks."""
    nothing = None, np.array([], dtype=np.int64), 0.0, ()
    if past is None:
        return nothing
    margin = max(SHIFTS_D)
    wide = np.arange(-margin, len(days) + margin)
    years, at = year_rows(past, days[0], wide, today)
    if len(years) == 0:
        return nothing
    offset_c = _warming(past, at, years, int(str(days[0])[:4]), biology.forecast)
    weather = past.take(at, offset_c)
    flown = weather.flight(biology.flight, exposure)
    nearest = _nearest_known(~np.isnan(flown.strict_h))
    whole = (nearest >= 0).all(axis=1)
    dropped = int((~whole & (~np.isnan(flown.strict_h)).any(axis=1)).sum())
    left_out = "1 past year lacks" if dropped == 1 else f"{dropped} past years lack"
    notes = (f"{left_out} too much weather around these dates: left out",) if dropped else ()
    if not whole.any():
        return nothing[0], nothing[1], 0.0, notes

    def blocks(values: Floats) -> Floats:
        """(years, wide days, ...) to (years x shifts, days, ...), missing days filled."""
        filled = values[np.arange(len(years))[:, None], nearest][whole]
        cut = [filled[:, margin + shift : margin + shift + len(days)] for shift in SHIFTS_D]
        return np.stack(cut, axis=1).reshape(-1, len(days), *values.shape[2:])

    rows = Rows(
        PAST_YEARS,
        blocks(flown.effective_h),
        blocks(flown.strict_h),
        lambda: blocks(weather.losses(biology.flight, exposure)),
    )
    return rows, years[whole], float(np.mean(offset_c[whole])), notes


def year_rows(
    past: SiteWeather, first_day: np.datetime64, wide: Indices, today: np.datetime64
) -> tuple[NDArray[np.int64], Indices]:
    """For each past year the rows of ``past`` that hold the same dates, contiguous from the first.

    Args:
        past: many years, or one typical year.
        first_day: the day that ``wide`` counts from.
        wide: days wanted, counted from ``first_day``, shape (n_days,).
        today: years that reach into the days being judged, or past today, are left out.

    Returns:
        The years (n_years,), 0 for a typical one, and day indices of ``past`` (n_years, n_days), -1 where it does
        not reach.
    """
    month_day = str(first_day)[5:]

    def start(year: int) -> np.datetime64:
        day = "02-28" if month_day == "02-29" else month_day
        return np.datetime64(f"{year:04d}-{day}", "D")

    if past.provenance.kind == "typical":
        at = ((start(2001) - past.days[0]).astype(int) + wide) % len(past.days)
        return np.array([0]), at[None, :]
    first_year, last_year = int(str(past.days[0])[:4]), int(str(past.days[-1])[:4])
    years, rows = [], []
    for year in range(first_year - 1, last_year + 1):
        at = int((start(year) - past.days[0]).astype(int)) + wide
        inside = (at >= 0) & (at < len(past.days))
        # a year that reaches into the days being judged would tell their outcome
        if inside.mean() > 0.5 and start(year) + wide[-1] < min(today, first_day + wide[0]):
            years.append(year)
            rows.append(np.where(inside, at, -1))
    return np.array(years, dtype=np.int64), np.array(rows, dtype=np.intp).reshape(len(rows), len(wide))


def _warming(past: SiteWeather, at: Indices, years: NDArray[np.int64], target: int, forecast: Forecast) -> Floats:
    """Temperature to add to each past year so that it fits the target year [K], shape (n_years,).

    A straight line through the yearly means of these dates, its slope kept within 0 and the cap; nothing with too
    few years.
    """
    temp = past.take(at).temp_c
    means = np.array([np.nanmean(t) if not np.isnan(t).all() else np.nan for t in temp])
    good = ~np.isnan(means)
    if good.sum() < forecast.trend_min_years:
        return np.zeros(len(years))
    slope = np.polyfit(years[good], means[good], 1)[0]
    return float(np.clip(slope, 0.0, forecast.trend_cap_k_per_a)) * (target - years).astype(np.float64)


def _nearest_known(known: NDArray[np.bool_]) -> Indices:
    """For each row and day the nearest known day of that row, -1 where none is close enough; shape as ``known``."""
    day = np.arange(known.shape[1])
    nearest = np.where(known, day, -1)
    for reach in range(1, _FILL_REACH_D + 1):
        for step in (-reach, reach):
            other = np.clip(day + step, 0, len(day) - 1)
            nearest = np.where((nearest < 0) & known[:, other], other, nearest)
    return nearest
