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

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import RequestError
from matewindow.flight import CAUSES, follow_pent_up
from matewindow.pastyears import SHIFTS_D, KeptRows, past_rows
from matewindow.pathparts import FORECAST, OBSERVED, ORIGINS, Flown, Rows, unknown_row

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
        hindsight: whether ``past`` holds years after the one asked about, and these serve as past years too.
        kept: blocks of ``past`` that were worked out before; None to keep none.
    """

    observed: SiteWeather | None = None
    run: SiteWeather | None = None
    members: SiteWeather | None = None
    past: SiteWeather | None = None
    remarks: tuple[str, ...] = ()
    hindsight: bool = False
    kept: KeptRows | None = field(default=None, repr=False, compare=False)

    @property
    def window_only(self) -> Sources:
        """The same in the hours of the mating window alone, which are all that odds ask for."""
        parts = self.observed, self.run, self.members, self.past
        observed, run, members, past = (None if part is None else part.window_only for part in parts)
        return replace(self, observed=observed, run=run, members=members, past=past)


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
        block: which path of past years alone each one gives way to, shape (N,); None without past years.
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
    block: Indices | None = None

    def shares(self, days: NDArray[np.bool_]) -> Floats:
        """Share of path-days observed, forecast and from past years over chosen days, (3,), adding up to 1."""
        shares: Floats = self.daily_shares()[days].mean(axis=0)
        return shares

    def daily_shares(self, days: slice = slice(None)) -> Floats:
        """Share of paths that each day takes from observation, forecast and past years, shape (n_days, 3)."""
        return np.stack([(self._kinds[days] == kind).mean(axis=1) for kind in range(len(ORIGINS))], axis=1)

    def uses(self, kind: int) -> NDArray[np.bool_]:
        """Which paths draw on a kind of source on any day, shape (N,)."""
        result: NDArray[np.bool_] = (self._kinds == kind).any(axis=0)
        return result

    @cached_property
    def _kinds(self) -> NDArray[np.int8]:
        """Kind of what each path follows on each day, shape (L, N)."""
        return self.origin.astype(np.int8)[self.source]

    def strict_hours(self, days: slice = slice(None)) -> Floats:
        """Strict flight hours of each path on some of the days, all of them unless told, shape (n_days, N)."""
        table = np.concatenate([rows.strict_h[:, days] for rows in self.rows])
        return table[self.source[days], np.arange(table.shape[1])[:, None]]

    def mean_losses(self, days: slice = slice(None)) -> Floats:
        """Hours lost by cause, mean over paths, on some of the days, all of them unless told, (n_days, n_causes).

        Where nothing is known, no cause is: lost and effective hours then fall short of the window by that share.
        """
        source, level, day = self.source[days], self.level[days], np.arange(len(self.days))[days]
        shape = len(day), len(self.origin), int(level.max()) + 1
        cells = (np.arange(len(day))[:, None] * shape[1] + source) * shape[2] + level
        # paths that follow the same source at the same level lose the same: each such cell is worked out once
        paths = np.bincount(cells.ravel(), minlength=shape[0] * shape[1] * shape[2])
        once = np.flatnonzero(paths)
        of_day, of_source, at_level = np.unravel_index(once, shape)
        lost, first = np.empty((len(once), len(CAUSES))), 0
        for rows in self.rows:
            here = np.flatnonzero((of_source >= first) & (of_source < first + len(rows.strict_h)))
            if len(here):
                lost[here] = rows.lost(of_source[here] - first, day[of_day[here]], at_level[here])
            first += len(rows.strict_h)
        weighed = np.where(np.isnan(lost), 0.0, lost) * paths[once, None]
        total = np.stack([np.bincount(of_day, column, minlength=len(day)) for column in weighed.T], axis=1)
        mean: Floats = total / source.shape[1]
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
    return len(weight) - np.searchsorted(weight[::-1], u, side="right")


def even_draw(n_paths: int, size: int, rng: np.random.Generator) -> Indices:
    """Indices 0..size-1, each drawn equally often up to one, in random order, shape (n_paths,)."""
    return rng.permutation(np.arange(n_paths) * size // n_paths)


@dataclass(frozen=True)
class Judged:
    """The flight hours of a site's observed and forecast weather on some days: the same for all paths over these."""

    first_day: np.datetime64
    n_days: int
    observed: Flown | None
    run: Flown | None
    members: Flown | None

    def covers(self, days: NDArray[np.datetime64]) -> bool:
        """Whether all of some days in a row are among them."""
        return bool(self.first_day <= days[0] and days[-1] < self.first_day + self.n_days)

    @classmethod
    def of(
        cls,
        sources: Sources,
        first_day: np.datetime64,
        n_days: int,
        today: np.datetime64,
        biology: Biology,
        exposure: float,
    ) -> Judged:
        """Judge what is known of the days; arguments as in ``build_paths``."""
        parts = sources.observed, issued(sources.run, today), issued(sources.members, today)
        flown = (Flown.of(part, first_day, n_days, biology, exposure) for part in parts)
        return cls(first_day, n_days, *flown)


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
    judged: Judged | None = None,
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
        judged: flight hours over these days and more, where they have been worked out for several batches.

    Returns:
        The paths, and those of past years alone (``usual``), None where there are none. Hours are NaN on days that
        nothing covers.

    Raises:
        RequestError: neither past years nor a forecast hold any of the days.
    """
    days = first_day + np.arange(n_days)
    past, years, trend_k, notes = past_rows(
        sources.past, days, today, needed, biology, exposure, hindsight=sources.hindsight, kept=sources.kept
    )
    if judged is None or not judged.covers(days):
        judged = Judged.of(sources, first_day, n_days, today, biology, exposure)
    single = None if judged.run is None else judged.run.rows(FORECAST, days)
    members = None if judged.members is None else judged.members.rows(FORECAST, days)
    observed = None if judged.observed is None else judged.observed.rows(OBSERVED, days, before=today)
    kinds = [rows for rows in (observed, single, members, past) if rows is not None]
    if not kinds:
        raise RequestError(
            f"the weather holds nothing for {days[needed][0]} to {days[needed][-1]}: no forecast, no whole past years",
            where="weather",
            fix="Add past years for these dates (past.json or past.csv) to the folder, or choose other dates. "
            "Live weather brings past years along; where it lacks them, `matewindow weather get` shows why.",
        )
    kinds.append(unknown_row(n_days, kinds[0].effective_h.shape[-1], len(CAUSES)))
    start = np.cumsum([0] + [len(rows.effective_h) for rows in kinds])
    first_of = {id(rows): int(i) for rows, i in zip(kinds, start, strict=False)}
    pool, weight, lead = _forecast_pool(single, members, days, biology.forecast)
    n_blocks = 0 if past is None else len(past.effective_h)
    n_paths = _number_of_paths(n_paths, n_blocks, drawn=len(pool) > 0)
    rng = np.random.default_rng(seed)
    member = even_draw(n_paths, max(1, len(pool)), rng)
    block = rng.permutation(np.arange(n_paths) % max(1, n_blocks))
    # without past years to fall back on, the forecast is taken at face value; the result says so
    switch = switch_days(weight if past is not None else np.ceil(weight), n_paths, rng)
    both = np.full((n_days, n_paths + n_blocks), first_of[id(kinds[-1])])
    source, alone = both[:, :n_paths], both[:, n_paths:]
    if past is not None:
        alone[...] = first_of[id(past)] + np.arange(n_blocks)
        _overlay(source, first_of[id(past)] + block, ~np.isnan(past.strict_h.T)[:, block])
    if len(pool):
        _follow(source, kinds, first_of, pool[member], switch, lead)
    if single is not None:
        _overlay(
            source,
            first_of[id(single)],
            ((days < (single.issued or days[0])) & ~np.isnan(single.strict_h[0]))[:, None],
        )
    if observed is not None:
        _overlay(source, first_of[id(observed)], ~np.isnan(observed.strict_h.T))
    hours, level = follow_pent_up(np.concatenate([rows.effective_h for rows in kinds]), both, biology.flight)
    common = _Common(days, years, trend_k, notes, 2.0 * biology.flight.window_half_width_h)
    followed = hours[:, :n_paths], level[:, :n_paths], source
    paths = common.paths(tuple(kinds), followed, member, block, len(pool))
    if past is None:
        return replace(paths, block=None), None
    followed = hours[:, n_paths:], level[:, n_paths:], alone - first_of[id(past)]
    every = np.arange(n_blocks)
    return paths, common.paths((past,), followed, every * 0, every, 0)


def forecast_weights(
    sources: Sources, days: NDArray[np.datetime64], today: np.datetime64, biology: Biology, exposure: float
) -> Floats:
    """Share of paths that follow a forecast on each of some consecutive days, shape (n_days,), beside past years.

    What a run says of days before it was made is known: there the share is 1.
    """
    run, ensemble = issued(sources.run, today), issued(sources.members, today)
    made = [f.issued for f in (run, ensemble) if f is not None and f.issued is not None and f.days[-1] >= days[0]]
    wide = np.arange(min([days[0], *made]), days[-1] + 1)
    flown = [Flown.of(forecast, wide[0], len(wide), biology, exposure) for forecast in (run, ensemble)]
    single, members = (None if f is None else f.rows(FORECAST, wide) for f in flown)
    _, weight, lead = _forecast_pool(single, members, wide, biology.forecast)
    share, weighed = np.zeros(len(wide)), (lead >= 0) & (lead < len(weight))
    share[weighed] = weight[lead[weighed]]
    if single is not None and single.issued is not None:
        share[(wide < single.issued) & ~np.isnan(single.strict_h[0])] = 1.0
    return share[-len(days) :]


def _number_of_paths(wanted: int, n_blocks: int, *, drawn: bool) -> int:
    """So many paths that every past block serves equally often; no more than there are different ones.

    Where no forecast is drawn from, a path differs from others by its block alone, whatever was observed before it.
    """
    if not drawn:
        return max(1, n_blocks)
    return n_blocks * -(-wanted // n_blocks) if n_blocks else wanted


@dataclass(frozen=True)
class _Common:
    days: NDArray[np.datetime64]
    years: NDArray[np.int64]
    trend_k: float
    notes: tuple[str, ...]
    window_h: float

    def paths(
        self,
        rows: tuple[Rows, ...],
        followed: tuple[Floats, Indices, Indices],
        member: Indices,
        block: Indices,
        n_members: int,
    ) -> Paths:
        """Paths that follow some rows: their hours, levels and sources, each (L, N), and what each draws on, (N,)."""
        hours, level, source = followed
        return Paths(
            days=self.days,
            hours=hours,
            level=level,
            source=source,
            rows=rows,
            origin=np.concatenate([np.full(len(r.effective_h), r.kind) for r in rows]),
            window_h=np.full(len(self.days), self.window_h),
            member=member,
            year=block // len(SHIFTS_D),
            years=self.years,
            n_members=n_members,
            trend_k=self.trend_k,
            notes=self.notes,
            block=block,
        )


def issued(forecast: SiteWeather | None, today: np.datetime64) -> SiteWeather | None:
    """The forecast, or None if it begins or was made only after tomorrow: today there is no such forecast yet."""
    if forecast is None:
        return None
    there_from = forecast.days[0] if forecast.issued is None else max(forecast.days[0], forecast.issued)
    return None if there_from > today + 1 else forecast


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
    ahead = slice(*np.searchsorted(lead, [0, switch.max()]))  # no path is on its member on any other day
    source, wanted = source[ahead], lead[ahead, None] < switch
    known = ~np.isnan(np.concatenate([rows.strict_h[:, ahead] for rows in forecasts]).T)
    if len(forecasts) > 1:  # then the first row is the single run
        _overlay(source, row_of[0], wanted & known[:, :1])
    _overlay(source, row_of[member], wanted & known[:, member])


def _overlay(source: Indices, row: Indices | int, known: NDArray[np.bool_]) -> None:
    """Let paths take a row on the days on which it is known, (days, paths or 1), in place."""
    np.copyto(source, row, where=known)
