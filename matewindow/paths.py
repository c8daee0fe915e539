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

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import RequestError
from matewindow.flight import CAUSES, resolve_pent_up
from matewindow.pastyears import SHIFTS_D, past_rows
from matewindow.pathparts import FORECAST, OBSERVED, Rows, rows_of, unknown_row

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology, Forecast
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_DRESSED_TO_D = 7
_SEED = 20_260_601


@dataclass(frozen=True)
class Sources:
    """What is known of a site's weather: any part may be absent.

    Attributes:
        observed: record of this season up to now, one series.
        run: a single forecast run, one series; its days before today serve where ``observed`` has none.
        members: an ensemble, one series a member.
        past: the record that past years are cut from, one series over many years, or one typical year.
        remarks: what there is to say about how the weather was come by.
    """

    observed: SiteWeather | None = None
    run: SiteWeather | None = None
    members: SiteWeather | None = None
    past: SiteWeather | None = None
    remarks: tuple[str, ...] = ()


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
        """Hours lost on each day by cause, mean over paths, shape (L, n_causes).

        Where nothing is known, no cause is: lost and effective hours then fall short of the window by that share.
        """
        table = np.concatenate([rows.lost() for rows in self.rows])
        lost = table[self.source, np.arange(len(self.days))[:, None], self.level]
        mean: Floats = np.where(np.isnan(lost), 0.0, lost).mean(axis=1)
        return mean


def ensemble_weight(lead_d: Floats, forecast: Forecast) -> Floats:
    """Weight of an ensemble forecast against past years at lead day 0, 1, 2 …: 0.90 / (1 + (l / 9.8)^3.5).

    Source: Hill form from Dirmeyer & Ford 2020, doi 10.1175/MWR-D-19-0076.1; the values are judgement.
    """
    return forecast.ensemble_weight / (1.0 + (lead_d / forecast.ensemble_half_d) ** forecast.ensemble_power)


def single_weight(lead_d: Floats, forecast: Forecast) -> Floats:
    """Weight of a single run at lead day 0, 1, 2 …: 0.55 / (1 + (l / 4.5)^2.5). Source as ``ensemble_weight``."""
    return forecast.single_weight / (1.0 + (lead_d / forecast.single_half_d) ** forecast.single_power)


def dressed_weight(lead_d: Floats, forecast: Forecast) -> Floats:
    """Weight of members dressed from a single run: as an ensemble to lead day 7, as a single run beyond (judgement)."""
    return np.where(lead_d <= _DRESSED_TO_D, ensemble_weight(lead_d, forecast), single_weight(lead_d, forecast))


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
    needed: slice = slice(None),
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
        needed: the days that decide the answer: past years must know them all.
        n_paths: at least so many paths; rounded up so that every past block serves equally often.
        seed: of the draw of members, blocks and switch days.

    Returns:
        The paths, and those of past years alone (``usual``), None where there are none. Hours are NaN on days that
        nothing covers.

    Raises:
        RequestError: neither past years nor a forecast hold any of the days.
    """
    days = first_day + np.arange(n_days)
    past, years, trend_k, notes = past_rows(sources.past, days, today, needed, biology, exposure)
    single = rows_of(FORECAST, _aligned(issued(sources.run, today), days), biology, exposure)
    members = rows_of(FORECAST, _aligned(issued(sources.members, today), days), biology, exposure)
    observed = rows_of(OBSERVED, _aligned(sources.observed, days, before=today), biology, exposure)
    kinds = [rows for rows in (observed, single, members, past) if rows is not None]
    if not kinds:
        raise RequestError(
            f"the weather holds nothing for {days[needed][0]} to {days[needed][-1]}: no forecast, no whole past years",
            where="weather",
            fix="Add past years that reach over these dates (past.json or past.csv), or choose other dates.",
        )
    kinds.append(unknown_row(n_days, kinds[0].effective_h.shape[-1], len(CAUSES)))
    start = np.cumsum([0] + [len(rows.effective_h) for rows in kinds])
    first_of = {id(rows): int(i) for rows, i in zip(kinds, start, strict=False)}
    pool, weight, lead = _forecast_pool(single, members, days, biology.forecast)
    n_blocks = 0 if past is None else len(past.effective_h)
    n_paths = _number_of_paths(n_paths, n_blocks, drawn=len(pool) > 0, alone=len(kinds) == 2)
    rng = np.random.default_rng(seed)
    member = even_draw(n_paths, max(1, len(pool)), rng)
    block = rng.permutation(np.arange(n_paths) % max(1, n_blocks))
    # without past years to fall back on, the forecast is taken at face value; the result says so
    switch = switch_days(weight if past is not None else np.ceil(weight), n_paths, rng)
    source = np.full((n_days, n_paths), first_of[id(kinds[-1])])
    if past is not None:
        _overlay(source, first_of[id(past)] + block, past.strict_h[block].T)
    if len(pool):
        _follow(source, kinds, first_of, pool[member], switch, lead)
    if single is not None:
        _overlay(
            source,
            first_of[id(single)],
            np.where(days < (single.issued or days[0]), single.strict_h[0], np.nan)[:, None],
        )
    if observed is not None:
        _overlay(source, first_of[id(observed)], observed.strict_h.T)
    common = _Common(days, years, trend_k, notes, 2.0 * biology.flight.window_half_width_h, biology)
    paths = _paths(common, tuple(kinds), source, member, block // len(SHIFTS_D), len(pool))
    if past is None:
        return paths, None
    every = np.arange(n_blocks)
    usual = _paths(common, (past,), np.tile(every, (n_days, 1)), every * 0, every // len(SHIFTS_D), 0)
    return paths, usual


def forecast_weights(
    sources: Sources, days: NDArray[np.datetime64], today: np.datetime64, biology: Biology, exposure: float
) -> Floats:
    """Share of paths that follow a forecast on each of some consecutive days, shape (n_days,), beside past years.

    What a run says of days before it was made is known: there the share is 1.
    """
    run, ensemble = issued(sources.run, today), issued(sources.members, today)
    made = [f.issued for f in (run, ensemble) if f is not None and f.issued is not None and f.days[-1] >= days[0]]
    wide = np.arange(min([days[0], *made]), days[-1] + 1)
    single = rows_of(FORECAST, _aligned(run, wide), biology, exposure)
    members = rows_of(FORECAST, _aligned(ensemble, wide), biology, exposure)
    _, weight, lead = _forecast_pool(single, members, wide, biology.forecast)
    share, weighed = np.zeros(len(wide)), (lead >= 0) & (lead < len(weight))
    share[weighed] = weight[lead[weighed]]
    if single is not None and single.issued is not None:
        share[(wide < single.issued) & ~np.isnan(single.strict_h[0])] = 1.0
    return share[-len(days) :]


def _number_of_paths(wanted: int, n_blocks: int, *, drawn: bool, alone: bool) -> int:
    """So many paths that every past block serves equally often; no more than there are different ones."""
    if n_blocks == 0:
        return wanted if drawn else 1
    return n_blocks if alone else n_blocks * -(-wanted // n_blocks)


@dataclass(frozen=True)
class _Common:
    days: NDArray[np.datetime64]
    years: NDArray[np.int64]
    trend_k: float
    notes: tuple[str, ...]
    window_h: float
    biology: Biology


def _paths(
    common: _Common, rows: tuple[Rows, ...], source: Indices, member: Indices, year: Indices, n_members: int
) -> Paths:
    table = np.concatenate([r.effective_h for r in rows])
    spliced = table[source, np.arange(len(common.days))[:, None]]  # (L, N, levels)
    hours, level = resolve_pent_up(np.moveaxis(spliced, 0, 1), common.biology.flight)
    return Paths(
        days=common.days,
        hours=np.ascontiguousarray(hours.T),
        level=level.T,
        source=source,
        rows=rows,
        origin=np.concatenate([np.full(len(r.effective_h), r.kind) for r in rows]),
        window_h=np.full(len(common.days), common.window_h),
        member=member,
        year=year,
        years=common.years,
        n_members=n_members,
        trend_k=common.trend_k,
        notes=common.notes,
    )


def issued(forecast: SiteWeather | None, today: np.datetime64) -> SiteWeather | None:
    """The forecast, or None if it begins or was made only after tomorrow: today there is no such forecast yet."""
    if forecast is None:
        return None
    there_from = forecast.days[0] if forecast.issued is None else max(forecast.days[0], forecast.issued)
    return None if there_from > today + 1 else forecast


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
    single: Rows | None, members: Rows | None, days: NDArray[np.datetime64], forecast: Forecast
) -> tuple[Indices, Floats, Indices]:
    """The members that paths may follow, the forecast's weight at each lead day from 0 on, and the lead of each day.

    A single run joins an ensemble as one more member if it reaches as far. Members are numbered from 0 through the
    single run (if there is one) and the ensemble. Leads count from the day on which the forecast was made.
    """
    weigh_members = dressed_weight if members is not None and members.dressed else ensemble_weight
    for rows, weigh in ((members, weigh_members), (single, single_weight)):
        if rows is None or rows.issued is None:
            continue
        lead = (days - rows.issued).astype(np.int64)
        reaches = _reach(rows, lead)
        if (reaches < 0).all():
            continue
        leads = np.arange(max(0, int(lead[-1]) + 1), dtype=np.float64)
        last = int(np.median(reaches))
        pool = np.flatnonzero(reaches >= last)
        if rows is members and single is not None:
            pool = pool + 1
            if _reach(single, lead)[0] >= last:
                pool = np.concatenate([[0], pool])
        return pool, np.where(leads <= last, weigh(leads, forecast), 0.0), lead
    return np.array([], dtype=np.intp), np.zeros(0), (days - days[0]).astype(np.int64)


def _reach(rows: Rows, lead: Indices) -> Indices:
    """Last lead day that each series knows; -1 for none."""
    known = ~np.isnan(rows.strict_h) & (lead >= 0)
    last = lead[lead.size - 1 - known[:, ::-1].argmax(axis=1)]
    return np.where(known.any(axis=1), last, -1)


def _follow(
    source: Indices,
    kinds: list[Rows],
    first_of: dict[int, int],
    member: Indices,
    switch: Indices,
    lead: Indices,
) -> None:
    """Put each path on its member up to its switch day, in place.

    A day that the member lacks (an ensemble that starts this afternoon, say) is taken from the single run if that has
    it.
    """
    forecasts = [rows for rows in kinds if rows.kind == FORECAST]
    row_of = np.concatenate([first_of[id(rows)] + np.arange(len(rows.strict_h)) for rows in forecasts])
    strict_h = np.concatenate([rows.strict_h for rows in forecasts])
    wanted = (lead[:, None] >= 0) & (lead[:, None] < switch[None, :])
    if len(forecasts) > 1:  # then the first row is the single run
        _overlay(source, row_of[0], np.where(wanted, strict_h[0][:, None], np.nan))
    _overlay(source, row_of[member], np.where(wanted, strict_h[member].T, np.nan))


def _overlay(source: Indices, row: Indices | int, strict_h: Floats) -> None:
    """Let paths take a row on the days on which it is known (``strict_h`` not NaN, (days, paths or 1)), in place."""
    source[...] = np.where(np.isnan(strict_h), source, row)
