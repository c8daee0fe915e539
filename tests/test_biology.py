"""The parameters: every one has a unit, a range and a source; none can be set to nonsense."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from matewindow import biology
from matewindow.biology import FLAGS, load_biology
from matewindow.errors import ParameterError

BIOLOGY = load_biology()
MODELS = Path(__file__).parent.parent / "models"
LITERATURE = (MODELS / "literature.toml").read_text(encoding="utf-8")


def changed(tmp_path: Path, old: str, new: str) -> Path:
    """A models folder whose literature differs in one place."""
    assert LITERATURE.count(old) == 1
    (tmp_path / "literature.toml").write_text(LITERATURE.replace(old, new), encoding="utf-8")
    return tmp_path


# --- what ships -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BIOLOGY.parameters)
def test_every_parameter_has_a_unit_a_range_around_it_a_source_and_a_flag(name: str) -> None:
    parameter = BIOLOGY.parameters[name]
    assert parameter.unit
    assert parameter.low <= parameter.value <= parameter.high
    assert parameter.low < parameter.high
    assert parameter.flag in FLAGS
    if parameter.source == "-":  # no source: then it must own up to being our own choice
        assert parameter.flag == "judgement"


def test_every_field_of_every_group_carries_the_value_of_the_file() -> None:
    groups = {f.name: getattr(BIOLOGY, f.name) for f in dataclasses.fields(BIOLOGY)}
    read = {
        f"{group}.{name}": value
        for group, values in groups.items()
        if dataclasses.is_dataclass(values) and not isinstance(values, type)
        for name, value in dataclasses.asdict(values).items()
    }
    assert read == {name: parameter.value for name, parameter in BIOLOGY.parameters.items()}


def test_the_parameters_have_a_version() -> None:
    assert BIOLOGY.version not in ("", "unversioned")


def test_every_source_key_of_the_file_is_explained_on_the_card_beside_it() -> None:
    text = (MODELS / "literature.md").read_text(encoding="utf-8")
    keys = {
        key.split(" (")[0].strip()
        for parameter in BIOLOGY.parameters.values()
        for key in parameter.source.split(",")
        if key.strip()[:1].isupper()
    }
    assert {key for key in keys if key not in text} == set()


# --- changing values ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BIOLOGY.parameters)
@pytest.mark.parametrize("end", ["low", "high"])
def test_a_value_just_outside_its_range_is_refused_with_range_and_unit(name: str, end: str) -> None:
    parameter = BIOLOGY.parameters[name]
    limit = parameter.low if end == "low" else parameter.high
    beyond = limit + (-1 if end == "low" else 1) * max(0.01, 0.001 * abs(limit))
    with pytest.raises(ParameterError) as refused:
        BIOLOGY.with_values({name: beyond}, where="site.toml")
    text = str(refused.value)
    assert text.startswith("site.toml: ")
    assert f"{parameter.low:g} to {parameter.high:g} {parameter.unit}" in text


def test_a_changed_value_leaves_all_others_and_the_original_alone() -> None:
    warmer = BIOLOGY.with_values({"flight.temp_midpoint_c": 17})
    assert warmer.flight.temp_midpoint_c == 17.0
    assert isinstance(warmer.flight.temp_midpoint_c, float)
    assert dataclasses.replace(warmer.flight, temp_midpoint_c=19.0) == BIOLOGY.flight
    assert warmer.mating == BIOLOGY.mating
    assert BIOLOGY.flight.temp_midpoint_c == 19.0


def test_a_sites_thresholds_go_by_bare_names_and_reach_no_other_group() -> None:
    assert BIOLOGY.with_values({"wind_full_to_ms": 2.0}, group="flight").flight.wind_full_to_ms == 2.0
    with pytest.raises(ParameterError, match="no parameter 'late_age_d'"):
        BIOLOGY.with_values({"late_age_d": 20.0}, group="flight")


def test_a_misspelt_name_is_answered_with_the_nearest_and_all_ranges() -> None:
    with pytest.raises(ParameterError) as refused:
        BIOLOGY.with_values({"temp_midpont_c": 18.0}, group="flight", where="site.toml")
    text = str(refused.value)
    assert "Did you mean temp_midpoint_c?" in text
    assert "wind_none_from_ms (4.5 to 9)" in text


@pytest.mark.parametrize("value", ["18", True, None, [18.0]])
def test_what_is_no_number_is_refused(value: object) -> None:
    with pytest.raises(ParameterError, match="not a number"):
        BIOLOGY.with_values({"flight.temp_midpoint_c": value})  # type: ignore[dict-item]


def test_not_a_number_is_refused_as_well() -> None:
    with pytest.raises(ParameterError, match="outside the allowed range"):
        BIOLOGY.with_values({"flight.temp_midpoint_c": float("nan")})


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ({"flight.wind_full_to_ms": 4.5, "flight.wind_none_from_ms": 4.5}, "wind_full_to_ms"),
        ({"flight.rain_full_to_mm": 0.1, "flight.rain_none_from_mm": 0.1}, "rain_full_to_mm"),
        ({"mating.one_flight_share": 0.7}, "add up to 1.08"),
    ],
)
def test_values_that_contradict_each_other_are_refused_though_each_is_in_range(
    values: dict[str, float], named: str
) -> None:
    with pytest.raises(ParameterError, match=named):
        BIOLOGY.with_values(values)


# --- reading the file -----------------------------------------------------------------------------------------


def test_the_file_is_read_from_the_folder_given(tmp_path: Path) -> None:
    folder = changed(tmp_path, "temp_midpoint_c        = { value = 19.0", "temp_midpoint_c        = { value = 18.5")
    assert load_biology(folder).flight.temp_midpoint_c == 18.5


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("larva_age_h            = {", "larva_age              = {", "development.larva_age"),
        ("[quality]", "[qualities]", "quality.sperm_one_flight_m is missing|qualities"),
        ("temp_midpoint_c        = { value = 19.0", "temp_midpoint_c        = { value = 99.0", "temp_midpoint_c = 99"),
        ('flag = "read", note = "sealed cells kept', 'flag = "guess", note = "sealed cells kept', "guess"),
        (
            "emergence_h            = { value = 385.0, unit",
            'emergence_h            = { value = "385", unit',
            "emergence_h",
        ),
        (
            "emergence_h            = { value = 385.0, unit",
            "emergence_h            = { valu = 385.0, unit",
            "malformed",
        ),
        ('version = "2026.1"', "version = ", "cannot be read as TOML"),
    ],
)
def test_a_file_that_does_not_fit_is_refused_by_name(tmp_path: Path, old: str, new: str, said: str) -> None:
    folder = changed(tmp_path, old, new)
    with pytest.raises(ParameterError, match=said) as refused:
        load_biology(folder)
    assert "literature.toml" in str(refused.value)


def test_a_file_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match=r"literature\.toml"):
        load_biology(tmp_path)


def test_no_group_is_forgotten() -> None:
    groups = {f.name for f in dataclasses.fields(biology.Biology)} - {"version", "parameters"}
    assert {name.split(".")[0] for name in BIOLOGY.parameters} == groups
