"""Wind measured at 2 m, as home stations do, is brought to 10 m."""

from __future__ import annotations

import pytest

from matewindow.errors import WeatherFileError
from matewindow.weather.plain_csv import parse_csv


def test_wind_at_two_metres_is_raised_by_the_profile_over_short_grass() -> None:
    """FAO-56 (Allen et al. 1998), example 14 backwards: 2.4 m/s at 2 m are 3.2 m/s at 10 m."""
    weather = parse_csv("time,temp_c,wind_2m_ms\n2026-06-01T12:00Z,18,2.4\n2026-06-01T13:00Z,18,0\n")
    wind = weather.values("wind_ms")

    assert wind is not None
    assert wind[0].tolist() == pytest.approx([3.2, 0.0], abs=0.02)
    assert any("2 m" in note for note in weather.provenance.notes)


def test_two_columns_of_wind_are_refused() -> None:
    with pytest.raises(WeatherFileError, match="two columns of wind"):
        parse_csv("time,temp_c,wind_ms,wind_2m_ms\n2026-06-01T12:00Z,18,3,2\n")


def test_no_wind_at_all_is_refused() -> None:
    with pytest.raises(WeatherFileError, match="no column wind_ms"):
        parse_csv("time,temp_c\n2026-06-01T12:00Z,18\n")
