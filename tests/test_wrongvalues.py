"""What is wrong with a value is told to people in words of ours, and the value itself is never repeated."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from matewindow.wrongvalues import in_words


class Inner(BaseModel):
    """A part."""

    model_config = ConfigDict(extra="forbid", strict=True)
    name: str = Field(min_length=1, max_length=5)


class Outer(BaseModel):
    """One field for each thing that can be wrong."""

    model_config = ConfigDict(extra="forbid", strict=True)
    text: str = Field("ab", min_length=2, pattern=r"^[a-z]+$")
    count: int = Field(1, ge=1, le=2**53)
    share: float = Field(0.5, gt=0.0, lt=0.9, allow_inf_nan=False)
    flag: bool = False
    saw: Literal["eggs", "virgin"] = "eggs"
    many: Literal[tuple(f"event.{i:03d}" for i in range(40))] = "event.000"  # type: ignore[valid-type]
    names: Annotated[list[str], Field(min_length=1, max_length=2)] = ["a"]
    inner: Inner = Inner(name="a")


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"text": 1}, "must be text"),
        ({"text": "S"}, "must have at least 2 characters"),
        ({"text": "SECRET"}, "is not written like ^[a-z]+$"),
        ({"count": 0}, "must be at least 1"),
        ({"count": 2**53 + 1}, "must be at most 9007199254740992"),
        ({"count": 1.5}, "must be a whole number"),
        ({"share": 0.0}, "must be more than 0"),
        ({"share": 0.9}, "must be less than 0.9"),
        ({"share": float("nan")}, "must be a number"),
        ({"flag": "SECRET"}, "must be true or false"),
        ({"saw": "SECRET"}, "must be 'eggs' or 'virgin'"),
        ({"many": "SECRET"}, "is none of the words that the description of the interface names"),
        ({"names": "SECRET"}, "must be a list"),
        ({"names": []}, "must not be empty"),
        ({"names": ["SECRET"] * 3}, "has more than 2 entries"),
        ({"inner": ["SECRET"]}, "must be an object with names and values"),
        ({"inner": {}}, "is missing"),
        ({"inner": {"name": ""}}, "must not be empty"),
        ({"inner": {"name": "SECRET"}}, "is longer than 5 characters"),
        ({"more": "SECRET"}, "is not known here"),
    ],
)
def test_each_thing_that_can_be_wrong_has_its_words(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError) as refused:
        Outer.model_validate(given)
    assert [in_words(error) for error in refused.value.errors()] == [words]


def test_errors_of_our_own_keep_their_words() -> None:
    assert in_words({"msg": "Value error, There is no such day"}) == "there is no such day"
    assert in_words({"msg": "is given more than once"}) == "is given more than once"
    assert in_words({"type": "missing", "msg": "Field required"}, {"missing": "is wanted"}) == "is wanted"
    assert not re.search("Input|Field", in_words({"type": "missing", "msg": "Field required"}))
