"""All that a machine or its owner can set from outside, read once at the entry point and passed in."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.errors import InputError
from matewindow.outbound_networks import AllowedNetwork, allowed_networks

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

PREFIX = "MATEWINDOW_"


def _positive(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(text)
    return value


def _yes_or_no(text: str) -> bool:
    return {"yes": True, "no": False}[text.lower()]


_READ: dict[str, Callable[[str], Any]] = {
    "Path | None": Path,
    "str | None": str,
    "float": _positive,
    "bool": _yes_or_no,
    "tuple[AllowedNetwork, ...]": allowed_networks,
}
"""How the text of a variable becomes the value of a field, by the field's type."""


@dataclass(frozen=True)
class Settings:
    """Settings of one process. Each field is read from ``MATEWINDOW_<FIELD>``."""

    models_folder: Path | None = None
    """Folder with the literature parameters, instead of the one that ships with the program."""
    learned_folder: Path | None = None
    """Folder of the models learnt from records and of the choice among them, instead of the user's data folder."""
    sample_weather_folder: Path | None = None
    """Folder with the invented weather of the demo, instead of the one that ships with the program."""
    contact: str | None = None
    """Mail address or web page under which whoever runs this can be reached. Sent to the weather sources as part
    of the User-Agent; MET Norway answers nobody without it."""
    store_folder: Path | None = None
    """Folder in which fetched weather is kept, instead of the user's data folder."""
    store_max_mb: float = 500.0
    """Size of that folder in megabytes (1e6 bytes) above which the oldest superseded weather is dropped."""
    ca_bundle: Path | None = None
    """File with the certificates to trust, where a company or school inspects encrypted traffic. Checking
    certificates cannot be switched off."""
    trade: bool = False
    """Whether the program serves trade ("yes" or "no"). Then services that are free for private use only, and for which
    no key is set, are left out."""
    addresses_file: Path | None = None
    """TOML file with other addresses for the weather services, for those who run one themselves."""
    register: str | None = field(default=None, repr=False)
    """The register: a file, or the URL of a PostgreSQL database. Not shown, since a URL may hold a password."""
    outbound_networks: tuple[AllowedNetwork, ...] = ()
    """Networks that webhooks may go to though they are not public, such as "192.168.1.0/24, 192.168.7.4:8123"."""
    openmeteo_api_key: str | None = field(default=None, repr=False)
    """Key of a paid Open-Meteo plan. Never shown, logged or stored."""

    @property
    def trade_without_key(self) -> bool:
        """Whether services that serve trade only with a key must be left out."""
        return self.trade and self.openmeteo_api_key is None

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> Settings:
        """Read the settings from a mapping such as ``os.environ``; empty values count as not set.

        Raises:
            InputError: a number is none, or not above zero; the text names the variable.
        """
        given: dict[str, Any] = {}
        for f in fields(cls):
            variable = PREFIX + f.name.upper()
            text = environment.get(variable, "").strip()
            if not text:
                continue
            try:
                given[f.name] = _READ[str(f.type)](text)
            except ValueError:
                raise InputError(
                    f"{text!r} is no number above zero", where=variable, fix="Give one such as 500."
                ) from None
            except KeyError:
                raise InputError(f"{text!r} is neither yes nor no", where=variable, fix="Write yes or no.") from None
        return cls(**given)
