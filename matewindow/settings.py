"""All that a machine or its owner can set from outside, read once at the entry point and passed in."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

PREFIX = "MATEWINDOW_"


@dataclass(frozen=True)
class Settings:
    """Settings of one process. Each field is read from ``MATEWINDOW_<FIELD>``."""

    models_folder: Path | None = None
    """Folder with the literature parameters, instead of the one that ships with the program."""
    sample_weather_folder: Path | None = None
    """Folder with the invented weather of the demo, instead of the one that ships with the program."""

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> Settings:
        """Read the settings from a mapping such as ``os.environ``; empty values count as not set."""
        given = {f.name: environment.get(PREFIX + f.name.upper(), "") for f in fields(cls)}
        return cls(**{name: Path(value) for name, value in given.items() if value})
