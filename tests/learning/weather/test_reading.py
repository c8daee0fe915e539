"""From stored runs to cases: each part beside a plain count of its own, and nothing that was not known."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from matewindow.biology import Biology
from matewindow.errors import RequestError, WeatherFileError
from matewindow.learning.weather.biasfinding import bias_finding
from matewindow.learning.weather.cases import DayCases
from matewindow.learning.weather.reading import Ground, Read, read_cases
from matewindow.pastyears import SHIFTS_D
from matewindow.siteweather import SiteWeather
from matewindow.sources import load_sources, runs_on_site
from matewindow.storedruns import NO_RUNS, StoredRuns
from tests.made_runs import SITE, Seasons

YEARS = range(2016, 2026)
N_DAYS = 70
MADE = Seasons.made(YEARS, N_DAYS, seed=31)
ISSUED = [(2023, day) for day in range(20, 50)] + [(2025, day) for day in range(20, 50)]
MEMBERS, LEADS, WARM_K = 6, 8, 3.0


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Invented seasons of ten years and runs of two of them, 3 K too warm."""
    folder = tmp_path_factory.mktemp("runs")
    MADE.write_past(folder)
    MADE.write_runs(folder, ISSUED, 7, members=MEMBERS, leads=LEADS, warm_k=WARM_K)
    return folder


@pytest.fixture(scope="module")
def ground(home: Path, biology: Biology) -> Ground:
    return Ground(SITE, load_sources(home, SITE, biology).past, StoredRuns.of_folder(home), biology)


@pytest.fixture(scope="module")
def read(ground: Ground) -> Read:
    return read_cases(ground)


def record_of(ground: Ground) -> SiteWeather:
    assert ground.record is not None
    return ground.record


def plain_flying(effective: NDArray[np.float64], biology: Biology) -> list[float]:
    """Flying days of one series (n_days, n_levels), day after day by the rule of pent-up drive."""
    flown: list[float] = []
    level = 0
    for day in effective:
        hours = day[level]
        if np.isnan(hours):
            flown.append(np.nan)
            continue
        flown.append(float(hours >= 1.0))
        level = min(level + 1, len(day) - 1) if hours < biology.flight.pent_up_below_h else 0
    return flown


def row(cases: DayCases, issued: str, lead: int) -> DayCases:
    found = cases.take((cases.issued == np.datetime64(issued)) & (cases.lead == lead))
    assert len(found) == 1
    return found


# --- what a case says ---------------------------------------------------------------------------------------------


def test_each_run_gives_a_case_for_each_of_its_days_once(read: Read) -> None:
    cases = read.cases
    assert read.n_runs == len(ISSUED)
    assert len(cases) == len(ISSUED) * LEADS
    assert cases.n_site_days == len(ISSUED)
    assert len(set(zip(cases.issued.tolist(), cases.lead.tolist(), strict=True))) == len(cases)
    assert set(cases.season) == {"2023", "2025"}
    assert (cases.members == MEMBERS).all()
    assert np.array_equal(np.unique(cases.lead), np.arange(LEADS))
    assert 0.1 < cases.came.mean() < 0.9


def test_share_usual_and_outcome_are_what_a_plain_count_gives(ground: Ground, read: Read) -> None:
    record, biology = record_of(ground), ground.biology
    flown = record.flight(biology.flight, SITE.exposure).effective_h[0]
    at = {day: i for i, day in enumerate(record.days)}
    for year, day in [(2023, 25), (2025, 40)]:
        today = MADE.first_day(year) + day
        run = ground.runs.at(datetime.fromisoformat(f"{today}T12:00:00+00:00"))
        assert run is not None
        members = (
            runs_on_site(ground.record, SITE, biology.flight)(run).flight(biology.flight, SITE.exposure).effective_h
        )
        before = flown[at[today] - 10 : at[today]]
        series = [plain_flying(np.concatenate([before, member]), biology)[10:] for member in members]
        for lead in (0, 3, 7):
            case = row(read.cases, str(today), lead)
            assert case.share[0] == pytest.approx(np.mean([s[lead] for s in series]), abs=1e-12)
            came = plain_flying(flown[at[today + lead] - 25 : at[today + lead] + 1], biology)[-1]
            assert case.came[0] == came
            others = [y for y in YEARS if y != year]
            moved = [(y, s) for y in others for s in SHIFTS_D]
            usual = []
            for y, shift in moved:
                target = MADE.first_day(y) + day + lead + shift
                start = at.get(target - 30, at[MADE.first_day(y)])
                usual.append(plain_flying(flown[start : at[target] + 1], biology)[-1])
            assert case.usual[0] == pytest.approx(np.mean(usual), abs=0.05)  # their pent-up drive began elsewhere


def test_a_planted_signal_is_in_the_cases(read: Read) -> None:
    cases = read.cases
    near = cases.take(cases.lead <= 2)
    assert np.corrcoef(near.share, near.came)[0, 1] > 0.5


# --- nothing that was not known -----------------------------------------------------------------------------------


def test_what_came_later_changes_no_share_and_no_usual_of_the_same_season(ground: Ground, read: Read) -> None:
    """The season of 2025 from the first run on is replaced by another: only what came may differ."""
    record = record_of(ground)
    later = record.days >= MADE.first_day(2025) + ISSUED[-1][1]
    cold = np.where(later[:, None], 2.0, record.temp_c[0])
    rainy = np.where(later[:, None], 5.0, record.rain_mm[0] if record.rain_mm is not None else 0.0)
    other = read_cases(replace(ground, record=replace(record, temp_c=cold[None], rain_mm=rainy[None]))).cases
    mine = read.cases.season == "2025"
    np.testing.assert_array_equal(other.share, read.cases.share)
    np.testing.assert_array_equal(other.usual[mine], read.cases.usual[mine])
    assert not np.array_equal(other.came[mine], read.cases.came[mine])
    assert not np.array_equal(other.usual[~mine], read.cases.usual[~mine])  # 2025 is another year to 2023


def test_days_before_a_run_was_known_are_no_cases(tmp_path: Path, home: Path, ground: Ground) -> None:
    """A run of 12 UTC comes into use on the next day: of its own day nothing is said any more."""
    (tmp_path / "runs").mkdir()
    text = (home / "runs" / "2025-05-25T00Z.json").read_text()
    (tmp_path / "runs" / "2025-05-25T12Z.json").write_text(text)
    cases = read_cases(replace(ground, runs=StoredRuns.of_folder(tmp_path))).cases
    assert cases.n_site_days == 1
    assert cases.lead.tolist() == list(range(1, LEADS))
    assert (cases.issued == np.datetime64("2025-05-25")).all()


def test_days_that_the_record_does_not_know_are_left_out_with_the_reason(ground: Ground) -> None:
    record = record_of(ground)
    end = int(np.flatnonzero(record.days == MADE.first_day(2025) + 45)[0])
    short = read_cases(replace(ground, record=record.between(0, end)))
    assert short.set_aside["the record lacks the weather that came"] == sum(
        min(LEADS, max(0, day + LEADS - 45)) for year, day in ISSUED if year == 2025
    )
    assert len(short.cases) == len(ISSUED) * LEADS - sum(short.set_aside.values())


def test_with_fewer_than_five_other_years_there_is_no_usual(ground: Ground) -> None:
    record = record_of(ground)
    start = int(np.flatnonzero(record.days == MADE.first_day(2022))[0])
    found = read_cases(replace(ground, record=record.between(start, len(record.days))))
    assert len(found.cases) == 0
    assert found.set_aside == {"fewer than 5 other years tell what is usual": len(ISSUED) * LEADS}


def test_a_site_without_past_years_or_runs_of_another_place_are_refused(ground: Ground) -> None:
    with pytest.raises(RequestError, match="no past years to hold the runs against"):
        read_cases(replace(ground, record=None))
    elsewhere = replace(SITE, name="Elsewhere", latitude=45.0)
    with pytest.raises(WeatherFileError, match="weather for latitude 52"):
        read_cases(replace(ground, site=elsewhere))


def test_no_runs_give_no_cases(ground: Ground) -> None:
    found = read_cases(replace(ground, runs=NO_RUNS))
    assert len(found.cases) == 0
    assert found.n_runs == 0
    assert "cannot be told yet" in bias_finding({"home": found}).sentence


# --- what the runs get wrong --------------------------------------------------------------------------------------


def test_a_planted_error_is_found_told_and_made_no_model_of(read: Read, ground: Ground, tmp_path: Path) -> None:
    MADE.write_runs(tmp_path, ISSUED, 7, members=MEMBERS, leads=LEADS)  # the same runs, not too warm
    right = read_cases(replace(ground, runs=StoredRuns.of_folder(tmp_path)))
    found, beside = (bias_finding({SITE.name: r}) for r in (read, right))
    assert found.model is None
    temp, plain = ([r for r in f.rows if r["variable"] == "temp_c"] for f in (found, beside))
    assert {tuple(r["leads"]) for r in temp} == {(1, 3), (4, 7)}
    for warm, other in zip(temp, plain, strict=True):
        assert warm["forecast"] - other["forecast"] == pytest.approx(WARM_K, abs=0.02)
        assert warm["analysis"] == other["analysis"]
        shrunken = (warm["forecast"] - warm["analysis"]) * warm["days"] / (warm["days"] + 12.0)
        assert warm["amount"] == pytest.approx(-shrunken, abs=1e-9)
    assert found.estimate["temp_c_after"] < 0.6 * found.estimate["temp_c_before"]
    assert found.estimate["wind_ms_before"] == pytest.approx(beside.estimate["wind_ms_before"])
    assert "told and not used" in found.sentence


def test_runs_whose_days_are_yet_to_come_are_no_fault(ground: Ground, read: Read, tmp_path: Path) -> None:
    last = int((record_of(ground).days[-1] - MADE.first_day(2025)).astype(int))
    MADE.write_runs(tmp_path, [*ISSUED, (2025, last)], 7, members=MEMBERS, leads=LEADS, warm_k=WARM_K)
    with_newest = read_cases(replace(ground, runs=StoredRuns.of_folder(tmp_path)))
    assert with_newest.n_runs == read.n_runs + 1
    assert bias_finding({SITE.name: with_newest}).rows == bias_finding({SITE.name: read}).rows

    alone = tmp_path / "alone"
    MADE.write_runs(alone, [(2025, last)], 7, members=MEMBERS, leads=LEADS)
    newest = read_cases(replace(ground, runs=StoredRuns.of_folder(alone)))
    assert newest.n_runs == 1
    assert "cannot be told yet" in bias_finding({SITE.name: newest}).sentence
