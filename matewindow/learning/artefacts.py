"""The shelf of models: every one that was ever made, checked when it is taken down, and which of them are in use.

::

    models/
        in-use.json                               {"flight-rate": "flight-rate-20261102-1a2b3c4d", ...}
        flight-rate-20261102-1a2b3c4d/
            model.json                            what it sets and what it was made from: plain JSON, nothing that runs
            card.md                               the same for people
            manifest.json                         SHA-256 of both

A model is written once, whole or not at all, and never changed; its name ends with the beginning of its digest. What is
in use is a small file of its own, so every earlier model can be chosen again, and the literature always.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.learning.cards import card_of
from matewindow.learning.model import FLIGHT_RATE, KINDS, LITERATURE, Model, ModelError, applied, parse_model
from matewindow.register.wholefiles import whole_file, whole_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matewindow.biology import Biology
    from matewindow.learning.recalibration import Recalibration

MODEL, CARD, MANIFEST, IN_USE = "model.json", "card.md", "manifest.json", "in-use.json"
_NAME = re.compile(r"(flight-rate|recalibration)-\d{8}-[0-9a-f]{8}", re.ASCII)
_MOST_BYTES = 1_000_000
_BACK = "Go back to the literature with: matewindow models use literature"


def default_home() -> Path:
    """The folder of models in the user's data folder."""
    import platformdirs

    return Path(platformdirs.user_data_dir("matewindow", appauthor=False)) / "models"


@dataclass(frozen=True)
class Entry:
    """One model on the shelf: its name, and the model, or why it cannot be used."""

    name: str
    model: Model | None
    fault: str
    in_use: bool


@dataclass(frozen=True)
class InUse:
    """What is in use: the parameters, under a version that names their model, and what puts their odds right.

    Attributes:
        biology: the literature's parameters, or those of a flight-rate model.
        recalibration: None where odds are left as they are worked out.
        names: of the models in use, by kind.
    """

    biology: Biology
    recalibration: Recalibration | None
    names: dict[str, str]

    @property
    def version(self) -> str:
        """Version that outlooks carry: of the parameters, and of what puts their odds right."""
        extra = [self.names[kind] for kind in self.names if kind != FLIGHT_RATE]
        return "+".join([self.biology.version, *extra])


class Shelf:
    """The models of one user.

    Args:
        home: folder; it need not be there yet.
    """

    def __init__(self, home: Path) -> None:
        self.home = home

    def add(self, model: Model, questions: Sequence[str] = ()) -> str:
        """Put a model on the shelf; it is not put to use. The same model twice is one.

        Args:
            model: what to keep.
            questions: what is open about its records, for its card.

        Returns:
            Its name.

        Raises:
            RequestError: the disk refuses it; nothing half-written is left.
        """
        text = model.as_text()
        digest = _sha256(text.encode())
        name = f"{model.kind}-{model.made_at[:10].replace('-', '')}-{digest[:8]}"
        if (self.home / name).is_dir():
            self.get(name)
            return name
        contents = {MODEL: text, CARD: card_of(model, name, questions)}
        seals = {file: _sha256(body.encode()) for file, body in contents.items()}
        contents[MANIFEST] = json.dumps({"name": name, "sha256": seals}, indent=2, sort_keys=True) + "\n"
        with whole_folder(self.home / name, overwrite=False, ours=frozenset(contents)) as folder:
            for file, body in contents.items():
                (folder / file).write_bytes(body.encode())
        return name

    def names(self) -> list[str]:
        """Of all models, oldest first."""
        if not self.home.is_dir():
            return []
        found = [path.name for path in self.home.iterdir() if path.is_dir() and _NAME.fullmatch(path.name)]
        return sorted(found, key=lambda name: (name.split("-")[-2], name))

    def entries(self) -> list[Entry]:
        """All models, oldest first; those that are damaged with the reason."""
        using = set(self.using().values())
        found = []
        for name in self.names():
            try:
                model, fault = self.get(name), ""
            except ModelError as error:
                model, fault = None, str(error)
            found.append(Entry(name, model, fault, name in using))
        return found

    def get(self, name: str) -> Model:
        """A model by its name, checked against its digest.

        Raises:
            ModelError: there is none, or it is damaged, edited or of another make.
        """
        return parse_model(self._read(name, MODEL).decode("utf-8", errors="replace"), str(self.home / name / MODEL))

    def card(self, name: str) -> str:
        """A model's card; errors as ``get``."""
        return self._read(name, CARD).decode("utf-8", errors="replace")

    def use(self, name: str, biology: Biology) -> InUse:
        """Put a model to use in place of the one of its kind, or ``literature`` in place of all.

        A new flight-rate model ends the use of a recalibration, which was made for the odds of other parameters.

        Args:
            name: of the model.
            biology: the literature's parameters.

        Returns:
            What is in use now.

        Raises:
            ModelError: there is no such model, it is damaged, or it does not fit the parameters in use.
            ParameterError: its value lies outside the accepted range.
        """
        chosen: dict[str, str] = {}
        if name != LITERATURE:
            kind = self.get(name).kind
            before = {} if kind == FLIGHT_RATE else {k: n for k, n in self.using().items() if k == FLIGHT_RATE}
            chosen = before | {kind: name}
        result = self._in_use(chosen, biology)
        with whole_file(self.home / IN_USE, overwrite=True) as file:
            file.write_bytes((json.dumps(chosen, indent=2, sort_keys=True) + "\n").encode())
        return result

    def using(self) -> dict[str, str]:
        """Names of the models in use, by kind; none is the literature.

        Raises:
            ModelError: the file that says so is damaged.
        """
        file = self.home / IN_USE
        try:
            text = _bytes_of(file).decode("utf-8")
            data: Any = json.loads(text)
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, RecursionError) as fault:
            raise ModelError(f"it cannot be read ({fault})", where=str(file), fix=_BACK) from None
        if not isinstance(data, dict) or not all(
            kind in KINDS and isinstance(name, str) and _NAME.fullmatch(name) and name.startswith(kind)
            for kind, name in data.items()
        ):
            raise ModelError("it does not say which models are in use", where=str(file), fix=_BACK)
        return data

    def in_use(self, biology: Biology) -> InUse:
        """What is in use: models and all that they change.

        Args:
            biology: the literature's parameters.

        Raises:
            ModelError: a model in use is gone, damaged, or does not fit the parameters any more.
            ParameterError: its value lies outside the accepted range.
        """
        return self._in_use(self.using(), biology)

    def _in_use(self, names: dict[str, str], biology: Biology) -> InUse:
        models = {kind: self.get(name) for kind, name in names.items()}
        changed = applied(biology, models.get(FLIGHT_RATE), names.get(FLIGHT_RATE, ""))
        other = next((kind for kind in models if kind != FLIGHT_RATE), None)
        if other is None:
            return InUse(changed, None, names)
        return InUse(changed, models[other].recalibration(changed.version, names[other]), names)

    def _read(self, name: str, file: str) -> bytes:
        """One file of a model, as its manifest seals it."""
        if not _NAME.fullmatch(name) or not (self.home / name).is_dir():
            known = ", ".join([LITERATURE, *self.names()])
            raise ModelError(f"there is no model {name[:80]!r}", where=str(self.home), fix=f"There are: {known}.")
        folder = self.home / name
        try:
            manifest = json.loads(_bytes_of(folder / MANIFEST))
            seals = manifest["sha256"]
            contents = {part: _bytes_of(folder / part) for part in (MODEL, CARD)}
            whole = manifest["name"] == name and set(seals) == set(contents)
            whole = whole and all(seals[part] == _sha256(body) for part, body in contents.items())
            whole = whole and seals[MODEL].startswith(name.rsplit("-", 1)[1])
        except (OSError, ValueError, TypeError, KeyError, RecursionError) as fault:
            raise ModelError(f"it is damaged ({fault})", where=str(folder), fix=_BACK) from None
        if not whole:
            raise ModelError("it is not as it was written: damaged or edited", where=str(folder), fix=_BACK)
        return contents[file]


def _bytes_of(file: Path) -> bytes:
    with file.open("rb") as opened:
        data = opened.read(_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise ValueError(f"{file.name} is too long")
    return data


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
