"""The doctor's look at the store of fetched weather."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import platformdirs

from matewindow.errors import StoreError
from matewindow.upkeep.doctor import Finding
from matewindow.upkeep.lookprogram import SLACK
from matewindow.weather.store import WeatherStore

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.upkeep.doctor import Patient


def look_at_weather(patient: Patient) -> Iterator[Finding]:
    """Whether it can be read and written, how large it is, and whether its times can be."""
    settings = patient.settings
    folder = settings.store_folder or Path(platformdirs.user_data_dir("matewindow", appauthor=False)) / "weather"
    if not folder.is_dir():
        place = next(path for path in folder.absolute().parents if path.exists())
        if os.access(place, os.W_OK | os.X_OK) and place.is_dir() and not folder.exists():
            yield Finding("weather store", "note", f"there is none yet at {folder}; the first fetch makes it")
        else:
            what, fix = (
                f"no folder can be made at {folder}",
                "Set MATEWINDOW_STORE_FOLDER to one that you may write to.",
            )
            yield Finding("weather store", "fault", what, fix)
        return
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        what = f"{folder} cannot be written ({fault.strerror})"
        yield Finding("weather store", "fault", what, "Give it to the user who runs this, or make room.")
        return
    yield from _held(WeatherStore(folder, settings.store_max_mb, now=lambda: patient.now), patient)


def _held(store: WeatherStore, patient: Patient) -> Iterator[Finding]:
    try:
        damaged = store.verify() if patient.thorough else 0
        state = store.state()
    except StoreError as fault:
        yield Finding("weather store", "fault", str(fault))
        return
    size = (
        f"{state.n_answers} answers, {state.size_bytes / 1e6:.0f} of {state.max_bytes / 1e6:.0f} MB at {state.folder}"
    )
    yield Finding("weather store", "ok", size)
    if damaged:
        what = f"{damaged} answers were damaged and have been set aside"
        yield Finding("weather store", "warning", what, "Nothing to do for them; look whether the disk is failing.")
    elif state.n_set_aside:
        what = f"{state.n_set_aside} damaged answers were set aside"
        yield Finding(
            "weather store", "note", what, f"Look whether the disk is failing; then empty {state.folder}/aside."
        )
    if state.over:
        what = "it is larger than it may be, and the newest weather is never dropped"
        yield Finding("weather store", "warning", what, "Raise MATEWINDOW_STORE_MAX_MB.")
    if state.newest is not None and state.newest - patient.now > SLACK:
        what = f"its newest answer is of {state.newest:%Y-%m-%d %H:%M} UTC, which lies in the future"
        yield Finding("clock", "warning", what, "Set the machine's clock, or leave it if it was ahead then.")
