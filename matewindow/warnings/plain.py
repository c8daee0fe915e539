"""Frozen dataclasses as plain JSON data and back, with a version, and strict about everything."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from matewindow.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Mapping

T = TypeVar("T")

STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
"""No key too many or too few, no text for a number, no NaN."""

DIGITS = 5
"""Shares are kept to so many digits: more say nothing and take room in the register."""


class Plain(Generic[T]):
    """Turns one kind of frozen dataclass into plain data and back.

    Args:
        kind: the dataclass; it carries ``STRICT`` as ``__pydantic_config__``.
        version: written into the data; data of any other version are refused.
        name: what errors call it.
    """

    def __init__(self, kind: type[T], version: int, name: str) -> None:
        self._adapter = TypeAdapter(kind)
        self._version = version
        self._name = name

    def data(self, thing: T) -> dict[str, Any]:
        """JSON-able data: dates and times as ISO 8601, nothing that JSON has no word for."""
        return {"version": self._version, **self._adapter.dump_python(thing, mode="json")}

    def thing(self, data: Mapping[str, Any]) -> T:
        """What the data stand for.

        Raises:
            StoreError: another version, a key missing or unknown, or a value of the wrong kind.
        """
        if not isinstance(data, dict) or data.get("version") != self._version:
            found = data.get("version", "no") if isinstance(data, dict) else "no"
            raise StoreError(
                f"{self._name} of version {found!r}, not {self._version}",
                where="register",
                fix="Another release of matewindow wrote it: start that one, or the newest.",
            )
        fields = {key: value for key, value in data.items() if key != "version"}
        try:
            return self._adapter.validate_json(json.dumps(fields, allow_nan=False))
        except (ValidationError, ValueError, TypeError) as fault:
            raise StoreError(
                f"{self._name} is damaged ({_first(fault)})", where="register", fix="Restore it from a backup."
            ) from fault


def _first(fault: Exception) -> str:
    """The first thing wrong, in one line."""
    if isinstance(fault, ValidationError):
        error = fault.errors(include_url=False)[0]
        return f"{'.'.join(str(x) for x in error['loc'])}: {error['msg']}"
    return str(fault)
