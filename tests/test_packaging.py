"""What the project promises about its own shape."""

from __future__ import annotations

import importlib.metadata
import re
from pathlib import Path

import pytest

from matewindow.artefacts import data_folder
from matewindow.biology import load_biology
from matewindow.errors import InputError
from matewindow.settings import Settings

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("name", ["api", "models", "sample_weather"])
def test_no_other_installed_package_takes_our_top_level_names(name: str) -> None:
    owners = set(importlib.metadata.packages_distributions().get(name, []))

    assert owners <= {"matewindow"}, f"{owners} would shadow our {name}"


def test_data_folders_are_found_and_a_missing_one_names_its_setting(tmp_path: Path) -> None:
    assert (data_folder("models") / "literature.toml").is_file()
    assert (data_folder("sample_weather") / "site.toml").is_file()
    with pytest.raises(InputError, match="MATEWINDOW_MODELS_FOLDER"):
        data_folder("models", tmp_path / "nowhere")


def test_settings_come_from_the_environment_and_empty_ones_do_not_count() -> None:
    settings = Settings.from_environment(
        {"MATEWINDOW_MODELS_FOLDER": "/srv/models", "MATEWINDOW_SAMPLE_WEATHER_FOLDER": ""}
    )

    assert settings.models_folder == Path("/srv/models")
    assert settings.sample_weather_folder is None


def test_every_source_key_of_a_parameter_is_on_the_card() -> None:
    card = (ROOT / "models/literature.md").read_text(encoding="utf-8")
    keys = {
        key.strip().split(" (")[0]
        for parameter in load_biology().parameters.values()
        for key in parameter.source.split(",")
        if key.strip() != "-"
    }

    for key in keys:
        assert re.search(rf"^\| {re.escape(key)} \|", card, re.MULTILINE), f"{key} is not on the card"


def test_judgement_without_a_source_says_so() -> None:
    for parameter in load_biology().parameters.values():
        assert parameter.source != "-" or parameter.flag == "judgement", parameter


def test_every_module_of_the_library_is_on_the_contributors_map() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

    for module in (ROOT / "matewindow").glob("*.py"):
        if module.stem != "__init__":
            assert module.name in guide, f"{module.name} is not on the map"
    for folder in (ROOT / "matewindow").iterdir():
        if (folder / "__init__.py").is_file():
            assert f"{folder.name}/" in guide, f"{folder.name}/ is not on the map"
