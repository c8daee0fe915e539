"""Which seasons are looked back on, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from matewindow.errors import RequestError
from matewindow.hindcast.seasons import Plan, make_plan
from matewindow.weather.normal import Provenance
from tests.hindcast.made_seasons import BIOLOGY, sample, small
from tests.made_weather import changeable, stand


def test_the_season_is_cut_to_what_the_record_covers() -> None:
    """The sample's archive holds May to August: windows of the other years, moved by a week, must fit in as well."""
    plan = make_plan(sample().record, sample().site, BIOLOGY)
    assert plan.years == tuple(range(2006, 2026))
    grafts = plan.grafts(2010)
    assert (grafts[0], grafts[-1]) == (date(2010, 4, 21), date(2010, 7, 23))


def test_the_south_has_its_season_in_the_other_half_of_the_year() -> None:
    record = changeable("2010-01-01", 365 * 6 + 1, np.random.default_rng(1))
    plan = make_plan(record, stand(latitude=-38.0), BIOLOGY)
    assert plan.years == (2010, 2011, 2012, 2013, 2014)
    grafts = plan.grafts(2012)
    assert (grafts[0], grafts[-1]) == (date(2012, 10, 15), date(2013, 2, 10))


def test_a_leap_day_is_a_day_like_another() -> None:
    plan = make_plan(small().record, small().site, BIOLOGY, first=(2, 29), last=(3, 5))
    assert plan.grafts(2012)[0] == date(2012, 2, 28)
    assert plan.n_days == 6


def test_only_some_seasons_may_be_asked_for() -> None:
    plan = make_plan(small().record, small().site, BIOLOGY, first=(6, 1), last=(6, 10), years=(2011, 2013))
    assert plan == Plan((6, 1), 10, (2011, 2012, 2013))


def test_a_season_with_a_hole_is_left_out() -> None:
    record = small().record
    hole = (record.days >= np.datetime64("2012-06-15")) & (record.days < np.datetime64("2012-07-20"))
    holed = replace(record, temp_c=np.where(hole[:, None], np.nan, record.temp_c))
    plan = make_plan(holed, small().site, BIOLOGY, first=(6, 1), last=(6, 10))
    assert plan.years == (2010, 2011, 2013, 2014, 2015)


def test_two_seasons_are_too_few() -> None:
    record = changeable("2010-01-01", 730, np.random.default_rng(1))
    with pytest.raises(RequestError, match=r"covers only 2010, 2011 of grafts from 1 June to 10 June") as refused:
        make_plan(record, small().site, BIOLOGY, first=(6, 1), last=(6, 10))
    assert "At least 3 seasons" in str(refused.value)


@pytest.mark.parametrize("kind", ["typical", None])
def test_there_must_be_a_record(kind: str | None) -> None:
    record = None if kind is None else replace(small().record, provenance=Provenance("invented", "typical", "none"))
    with pytest.raises(RequestError, match=r"typical year|no past years"):
        make_plan(record, small().site, BIOLOGY)


def test_a_season_of_nearly_a_year_is_none() -> None:
    with pytest.raises(RequestError, match="a season of 361 days"):
        make_plan(small().record, small().site, BIOLOGY, first=(6, 5), last=(5, 31))
