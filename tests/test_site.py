"""Site files: what may stand in them and what comes of it."""

from __future__ import annotations

from datetime import date

import pytest

from matewindow.biology import load_biology
from matewindow.errors import ParameterError, SiteFileError
from matewindow.site import parse_site
from matewindow.sources import site_biology

MINIMAL = """
name = "Test yard"
latitude = 51.2
longitude = -1.8
elevation = 120
timezone = "Europe/London"
"""


def test_five_keys_are_enough_and_the_rest_has_defaults() -> None:
    site = parse_site(MINIMAL)

    assert (site.latitude, site.longitude, site.elevation_m) == (51.2, -1.8, 120.0)
    assert (site.exposure, site.drones_mature_from, site.quiet_hours) == (1.0, None, None)


def test_all_optional_keys_are_read() -> None:
    site = parse_site(
        MINIMAL
        + 'exposure = 0.7\ndrones_mature_from = 2026-05-20\nquiet_hours = ["10:30", 17]\n'
        + "[thresholds]\ntemp_midpoint_c = 18\n"
    )

    assert site.exposure == 0.7
    assert site.drones_mature_from == date(2026, 5, 20)
    assert site.quiet_hours == (10.5, 17.0)
    assert site_biology(site, load_biology()).flight.temp_midpoint_c == 18.0


@pytest.mark.parametrize("key", ["name", "latitude", "longitude", "elevation", "timezone"])
def test_each_required_key_is_named_when_it_is_missing(key: str) -> None:
    text = "\n".join(line for line in MINIMAL.splitlines() if not line.startswith(key))

    with pytest.raises(SiteFileError, match=key):
        parse_site(text)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("exposure = 7", "exposure 7 is outside 0.2 to 1.2"),
        ("exposure = nan", "not a number"),
        ("exposure = true", "not a number"),
        ('drones_mature_from = "soon"', "2026-05-20"),
        ("quiet_hours = [16, 11]", r"\[11, 16\]"),
        ("quiet_hours = 11", r"\[11, 16\]"),
        ("thresholds = 3", "section"),
    ],
)
def test_an_impossible_optional_value_is_refused_with_the_fix(line: str, words: str) -> None:
    with pytest.raises(SiteFileError, match=words):
        parse_site(MINIMAL + line)


def test_thresholds_that_contradict_each_other_are_refused() -> None:
    site = parse_site(MINIMAL + "[thresholds]\nwind_full_to_ms = 4.5\nwind_none_from_ms = 4.5\n")

    with pytest.raises(ParameterError, match="not below wind_none_from_ms"):
        site_biology(site, load_biology())


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (-36.8, 174.8, "Pacific/Auckland"),
        (-17.8, 178.0, "Pacific/Fiji"),
        (52.5, 13.4, "Europe/Berlin"),
        (43.8, 87.6, "Asia/Shanghai"),  # sun and clock more than two hours apart
        (64.8, -147.7, "America/Anchorage"),
        (42.2, -8.7, "Europe/Madrid"),  # and again in summer
        (-13.8, -171.8, "Pacific/Apia"),  # UTC+13 east of the date line's usual place
    ],
)
def test_real_places_with_odd_clocks_are_accepted(latitude: float, longitude: float, zone: str) -> None:
    text = MINIMAL.replace("51.2", str(latitude)).replace("-1.8", str(longitude)).replace("Europe/London", zone)

    assert parse_site(text).timezone == zone


def test_a_missing_minus_before_the_longitude_is_noticed() -> None:
    text = MINIMAL.replace("-1.8", "105.2").replace("Europe/London", "America/Denver")

    with pytest.raises(SiteFileError, match="West is negative"):
        parse_site(text)
