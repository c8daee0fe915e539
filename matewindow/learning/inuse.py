"""Which parameters and models odds are given with: asked once by a command, and again and again by a service.

A service looks at which models are chosen whenever it is asked for something or refreshes a site: at the time and size
of one small file, as it does for weather files. So a choice made by ``matewindow models use`` holds from the next
answer or refresh on (but for answers of the last two seconds, which may be given again), in every process alike, and no
restart is needed. Outlooks that were issued stay as they are.
"""

from __future__ import annotations

import logging
from threading import Lock
from typing import TYPE_CHECKING, Any

from matewindow.biology import load_biology
from matewindow.errors import InputError
from matewindow.learning.artefacts import IN_USE, Entry, InUse, Shelf, default_home
from matewindow.learning.model import ModelError
from matewindow.learning.report import models_report

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.settings import Settings
    from matewindow.site import Site

_log = logging.getLogger(__name__)
_BACK = "Go back to the literature with: matewindow models use literature"
_NOT_THERE = "-"


def shelf_of(settings: Settings) -> Shelf:
    """The shelf of models that the settings name, or the one in the user's data folder."""
    return Shelf(settings.learned_folder or default_home())


def in_use(settings: Settings) -> InUse:
    """The parameters and models in use.

    Raises:
        ModelError: a model in use is gone, damaged, or does not fit the parameters any more.
        ParameterError: the literature's parameters cannot be read.
    """
    return _checked(shelf_of(settings), load_biology(settings.models_folder))


def literature_alone(biology: Biology) -> InUse:
    """The literature's parameters and no model."""
    return InUse(biology, None, {})


def _checked(shelf: Shelf, literature: Biology) -> InUse:
    """What is in use; where it cannot be used, one error that names the way back."""
    try:
        return shelf.in_use(literature)
    except InputError as fault:
        fix = fault.fix if _BACK in fault.fix else f"{fault.fix} {_BACK}".strip()
        raise ModelError(f"the model in use cannot be used: {fault.what}", where=fault.where, fix=fix) from fault


class Models:
    """What is in use, kept up to date; safe between threads.

    A new choice that cannot be used is told of once in the log and in ``told``, and what was in use before stays in
    use until there is a sound one. A program that starts with such a choice refuses to.

    Args:
        literature: the parameters that ship with the program.
        shelf: of models; None = the literature alone, whatever is chosen.

    Raises:
        ModelError: what is chosen cannot be used.
    """

    def __init__(self, literature: Biology, shelf: Shelf | None = None) -> None:
        self._literature, self._shelf, self._lock = literature, shelf, Lock()
        self._trouble, self._seen = "", self._choice()
        self._using = literature_alone(literature) if shelf is None else _checked(shelf, literature)

    def now(self) -> InUse:
        """What is in use."""
        choice = self._choice()
        if choice == self._seen or self._shelf is None:
            return self._using
        with self._lock:
            if choice != self._seen:
                self._look(self._shelf)
                self._seen = choice  # looked at before it was read: what is chosen meanwhile is seen the next time
        return self._using

    def at(self, site: Site) -> InUse:
        """What is in use, with a site's own thresholds."""
        return self.now().at(site)

    def told(self) -> dict[str, Any]:
        """What is in use, every parameter in it, and all models there are, as plain data; no word of where they lie."""
        using = self.now()
        right = using.recalibration
        odds = None if right is None else {"a": right.a, "b": right.b, "effects": {n: e.value for n, e in right.more}}
        return {
            "version": using.biology.version,
            "model": using.version,
            "in_use": list(using.names.values()),
            "recalibration": odds,
            "trouble": self._trouble,
            "models": models_report(self._entries(using), using.names, self._literature)["models"],
            "parameters": [_parameter(name, using.biology, self._literature) for name in self._literature.parameters],
        }

    def _entries(self, using: InUse) -> list[Entry]:
        """All models there are, and which of them are in use here, whatever has been chosen since."""
        shelf, found, names = self._shelf, [], set(using.names.values())
        for name in [] if shelf is None else shelf.names():
            assert shelf is not None
            try:
                found.append(Entry(name, shelf.get(name), "", name in names))
            except ModelError as fault:
                found.append(Entry(name, None, fault.what, name in names))
        return found

    def _choice(self) -> str:
        """What tells one choice from another without reading it."""
        if self._shelf is None:
            return _NOT_THERE
        try:
            state = (self._shelf.home / IN_USE).stat()
        except OSError:
            return _NOT_THERE
        return f"{state.st_mtime_ns} {state.st_size} {state.st_ino}"

    def _look(self, shelf: Shelf) -> None:
        try:
            self._using, self._trouble = _checked(shelf, self._literature), ""
            _log.info("in use from now on: %s", self._using.version)
        except ModelError as fault:
            self._trouble = f"{fault.what}. {fault.fix}"
            _log.warning("%s stays in use: %s", self._using.version, fault)


def _parameter(name: str, biology: Biology, literature: Biology) -> dict[str, Any]:
    section, _, key = name.partition(".")
    said = literature.parameters[name]
    return {
        "name": name,
        "value": getattr(getattr(biology, section), key),
        "unit": said.unit,
        "low": said.low,
        "high": said.high,
        "source": said.source,
        "flag": said.flag,
    }
