"""A fitted model as data: what it changes, what it was made from, and how it is put to use."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal

from matewindow.errors import InputError
from matewindow.learning.covariates import COVARIATES
from matewindow.learning.recalibration import Effect, Recalibration
from matewindow.learning.records import STRICT, Ground

if TYPE_CHECKING:
    from matewindow.biology import Biology

FORMAT, VERSION = "matewindow model", 1
FLIGHT_RATE: Final = "flight-rate"
FORECAST_WEIGHT: Final = "forecast-weight"
DAY_RECALIBRATION: Final = "day-recalibration"
RECALIBRATION: Final = "recalibration"
KINDS = (FLIGHT_RATE, FORECAST_WEIGHT, DAY_RECALIBRATION, RECALIBRATION)
"""In the order in which a version names them."""
PARAMETERS = (FLIGHT_RATE, FORECAST_WEIGHT)
"""Kinds that set parameters, made beside the literature's; the others put odds right that parameters in use gave."""
OF_WEATHER = (FORECAST_WEIGHT, DAY_RECALIBRATION)
"""Kinds made from stored runs of the forecast and the weather that came, not from records of queens."""
Kind = Literal["flight-rate", "forecast-weight", "day-recalibration", "recalibration"]
VALUES = {
    FLIGHT_RATE: ("mating.flight_rate_per_h",),
    FORECAST_WEIGHT: tuple(
        f"forecast.{of}_{what}" for of in ("ensemble", "single") for what in ("weight", "half_d", "power")
    ),
    DAY_RECALIBRATION: ("a", "b"),
    RECALIBRATION: ("a", "b"),
}
"""What each kind of model sets."""
MORE: dict[str, tuple[str, ...]] = {RECALIBRATION: COVARIATES}
"""What it may set beside that; each needs its ``_sd`` and ``_centre`` among the numbers beside."""
BESIDE = {
    FLIGHT_RATE: ("literature", "prior_sd_log", "gone"),
    FORECAST_WEIGHT: ("site_days", "leads", "single"),
    DAY_RECALIBRATION: ("a_sd", "b_sd", "site_days"),
    RECALIBRATION: ("a_sd", "b_sd"),
}
"""Numbers that each kind of model has beside these at least."""
LIMITS = {"a": (-10.0, 10.0), "b": (0.01, 10.0)}
"""What odds may be put right by: a larger number would stand for one before it."""
LITERATURE = "literature"
"""Name of the parameters that ship with the program."""


class ModelError(InputError):
    """A model that is damaged, of another make, unknown, or not made for what it is to be used with."""


@dataclass(frozen=True)
class Proof:
    """How a model did on records that it was not made from.

    Attributes:
        by, n_groups: what was left out in turn (season or site), and how many there are.
        before, after: mean log score with the odds as they stood, and with the model [nats].
        gain, bound: how much better, and the lower end of its one-sided 90 % range over the groups.
        bound_records: the same over single records.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT

    by: str
    n_groups: int
    before: float
    after: float
    gain: float
    bound: float
    bound_records: float


@dataclass(frozen=True)
class Model:
    """One fitted model.

    Attributes:
        kind: one of ``KINDS``.
        base: version of the parameters that it was fitted beside, and alone fits.
        made_at: when, ISO 8601 in UTC.
        program: version of the program that made it.
        values: what it sets, see ``VALUES``.
        low, high: 90 % range of each.
        beside: other numbers of the fit, for its card.
        ground: the records that it was made from.
        tested: how it did.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT

    kind: Kind
    base: str
    made_at: str
    program: str
    values: dict[str, float]
    low: dict[str, float]
    high: dict[str, float]
    beside: dict[str, float]
    ground: Ground
    tested: Proof

    def as_text(self) -> str:
        """As JSON, the same for the same model."""
        data = {"format": FORMAT, "version": VERSION} | asdict(self)
        return json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"

    def applied(self, biology: Biology, name: str) -> Biology:
        """The parameters with those that the model sets, under a version that tells so.

        Args:
            biology: of the version that the model was fitted beside, perhaps with those of a model of another kind.
            name: of the model.

        Raises:
            ModelError: it is of another kind, or was fitted beside other parameters.
            ParameterError: its value lies outside the accepted range.
        """
        if self.kind not in PARAMETERS:
            raise ModelError(f"it is a {self.kind} model and sets no parameter", where=name)
        root, *others = biology.version.split("+")
        another = any(other.startswith(self.kind) for other in others)
        self._check_base(biology.version if another else root, name)
        changed = biology.with_values(self.values, where=name)
        return replace(changed, version=f"{biology.version}+{name}")

    def recalibration(self, version: str, name: str) -> Recalibration:
        """What a recalibration model does to odds that parameters of a version gave.

        Raises:
            ModelError: it is of another kind, or was made for odds of another version.
        """
        if self.kind in PARAMETERS:
            raise ModelError(f"it is a {self.kind} model and puts no odds right", where=name)
        self._check_base(version, name)
        values, beside = self.values, self.beside
        more = tuple(
            (x, Effect(values[x], beside[f"{x}_sd"], beside[f"{x}_centre"])) for x in COVARIATES if x in values
        )
        return Recalibration(values["a"], values["b"], beside["a_sd"], beside["b_sd"], more)

    def _check_base(self, version: str, name: str) -> None:
        if self.base != version:
            raise ModelError(
                f"it was fitted beside the parameters {self.base}, and those in use are {version}",
                where=name,
                fix="Learn again with these, or go back to what it was made with: matewindow models list shows all.",
            )


def applied(biology: Biology, model: Model | None, name: str = "") -> Biology:
    """The parameters with those that a model sets; as they are without one. Errors as ``Model.applied``."""
    return biology if model is None else model.applied(biology, name)


def parse_model(text: str, where: str) -> Model:
    """Read a model's JSON, believing nothing of it.

    Raises:
        ModelError: it is no JSON, of another make or version, or lacks or has too much of something.
    """
    from pydantic import TypeAdapter, ValidationError

    try:
        data = json.loads(text)
        if not isinstance(data, dict) or data.pop("format", None) != FORMAT:
            raise ModelError("it is no model of this program", where=where, fix=_OTHERS)
        if (version := data.pop("version", None)) != VERSION:
            raise ModelError(f"it is a model of version {version!r}, and this program reads {VERSION}", where=where)
        model = TypeAdapter(Model).validate_json(json.dumps(data))
    except ValidationError as fault:
        first = fault.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ModelError(f"{place}: {first['msg'].lower()}", where=where, fix=_OTHERS) from None
    except (ValueError, RecursionError) as fault:
        raise ModelError(f"it cannot be read ({fault})", where=where, fix=_OTHERS) from None
    more = set(model.values) & set(MORE.get(model.kind, ()))
    names = set(VALUES[model.kind]) | more
    whole = all(set(group) == names for group in (model.values, model.low, model.high))
    whole = whole and set(BESIDE[model.kind]) <= set(model.beside)
    whole = whole and all(f"{name}{end}" in model.beside for name in more for end in ("_sd", "_centre"))
    if not whole or not all(low <= model.values.get(name, low) <= high for name, (low, high) in LIMITS.items()):
        raise ModelError("what stands in it is no model that this program makes", where=where, fix=_OTHERS)
    return model


_OTHERS = "Choose another model: matewindow models list shows all."
