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
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.learning.cards import card_of
from matewindow.learning.covariates import of_batch
from matewindow.learning.model import (
    DAY_RECALIBRATION,
    KINDS,
    LITERATURE,
    PARAMETERS,
    RECALIBRATION,
    Model,
    ModelError,
    applied,
    parse_model,
)
from matewindow.learning.recalibration import NO_CHANGE
from matewindow.learning.reported import OfDays, recalibrated, recalibrated_days, recalibrated_laying
from matewindow.register.wholefiles import whole_file, whole_folder
from matewindow.sources import site_biology

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, tzinfo

    from matewindow.biology import Biology
    from matewindow.laying import LayingOutlook
    from matewindow.learning.recalibration import Recalibration
    from matewindow.outlook import Outlook
    from matewindow.site import Site
    from matewindow.timeline import Batch

MODEL, CARD, MANIFEST, IN_USE = "model.json", "card.md", "manifest.json", "in-use.json"
_NAME = re.compile(rf"({'|'.join(KINDS)})-\d{{8}}-[0-9a-f]{{8}}", re.ASCII)
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
        biology: the literature's parameters, with those that models set.
        recalibration: of the odds of being well mated; None where they are left as they are worked out.
        names: of the models in use, by kind.
        zone: whose calendar grafts are dated by; None = that of their own times.
        days: recalibration of the odds of a flying day; None as above.
    """

    biology: Biology
    recalibration: Recalibration | None
    names: dict[str, str]
    zone: tzinfo | None = None
    days: Recalibration | None = None

    @property
    def version(self) -> str:
        """Version that outlooks carry: of the parameters, and of what puts their odds right."""
        extra = [self.names[kind] for kind in KINDS if kind in self.names and kind not in PARAMETERS]
        return "+".join([self.biology.version, *extra])

    def made(self, batch: Batch) -> str:
        """Version of what makes a batch's odds: once there was a look only those of its days are put right."""
        return self.weather_version if batch.checks else self.version

    @property
    def weather_version(self) -> str:
        """Version of the parameters, and of what puts the odds of flying days right."""
        days = [self.names[DAY_RECALIBRATION]] if DAY_RECALIBRATION in self.names else []
        return "+".join([self.biology.version, *days])

    def at(self, site: Site) -> InUse:
        """The same with a site's own thresholds and calendar."""
        return replace(self, biology=site_biology(site, self.biology), zone=site.zone)

    def put_right(self, outlook: Outlook) -> Outlook:
        """An outlook that was worked out with these parameters, as it is to be given out (``reported``)."""
        return recalibrated_days(recalibrated(outlook, self._of_batch(outlook.batch)), self.days)

    def put_laying_right(self, outlook: LayingOutlook) -> LayingOutlook:
        """The same for a laying check."""
        return recalibrated_laying(outlook, self._of_batch(outlook.batch))

    def for_days(self, first_day: date, n_days: int) -> OfDays | None:
        """What puts the odds of grafts on some days in a row right, as ``put_right`` would those of such batches."""
        if self.recalibration is None:
            return None
        return OfDays(self.recalibration, first_day, n_days)

    def _of_batch(self, batch: Batch) -> Recalibration | None:
        if self.recalibration is None:
            return None
        grafted = batch.grafted if self.zone is None else batch.grafted.astimezone(self.zone)
        return self.recalibration.at(of_batch(grafted.date(), batch.larva_age_h))


class Shelf:
    """The models of one user.

    Args:
        home: folder; it need not be there yet.
    """

    def __init__(self, home: Path) -> None:
        self.home = home

    def add(self, model: Model, questions: Sequence[str] = ()) -> str:
        """Put a model on the shelf; it is not put to use. The same model twice is one, whenever it was made.

        Args:
            model: what to keep.
            questions: what is open about its records, for its card.

        Returns:
            Its name.

        Raises:
            RequestError: the disk refuses it; nothing half-written is left.
        """
        for entry in self.entries():
            if entry.model is not None and replace(entry.model, made_at=model.made_at, program=model.program) == model:
                return entry.name
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

    def undo(self, biology: Biology) -> dict[str, Recalibration]:
        """By version that outlooks carry, what the odds of the parameters in use have been put right with.

        Args:
            biology: the literature's parameters.
        """
        base = self.in_use(biology).biology.version
        mine = {e.name: e.model for e in self.entries() if e.model is not None and e.model.base == base}
        days = ["", *(f"+{name}" for name, model in mine.items() if model.kind == DAY_RECALIBRATION)]
        undone = {f"{base}{day}": NO_CHANGE for day in days if day}  # which leaves the odds of a batch as they are
        for name, model in mine.items():
            if model.kind == RECALIBRATION:
                undone |= {f"{base}{day}+{name}": model.recalibration(base, name) for day in days}
        return undone

    def use(self, name: str, biology: Biology) -> InUse:
        """Put a model to use in place of the one of its kind, or ``literature`` in place of all.

        A new model of parameters ends the use of what put odds right, which was made for those of other parameters.

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
            chosen = {k: n for k, n in self.using().items() if k in PARAMETERS or kind not in PARAMETERS} | {kind: name}
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
        changed = biology
        for kind in PARAMETERS:
            changed = applied(changed, models.get(kind), names.get(kind, ""))
        right = {
            kind: models[kind].recalibration(changed.version, names[kind])
            for kind in (RECALIBRATION, DAY_RECALIBRATION)
            if kind in models
        }
        return InUse(changed, right.get(RECALIBRATION), names, days=right.get(DAY_RECALIBRATION))

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
