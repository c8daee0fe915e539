"""The main path: sites with their weather and stored runs -> cases -> fits -> a test of each -> models."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from matewindow.learning.weather.biasfinding import bias_finding
from matewindow.learning.weather.cases import DayCases
from matewindow.learning.weather.dayfinding import day_finding
from matewindow.learning.weather.reading import read_cases
from matewindow.learning.weather.weightfinding import weight_finding

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matewindow.biology import Biology
    from matewindow.learning.findings import Maker
    from matewindow.learning.weather.findings import WeatherFinding
    from matewindow.learning.weather.reading import Ground, Read

_LEARN_AGAIN = " It is made for the weights in use: once the new ones are put to use, learn again."


@dataclass(frozen=True)
class WeatherLearned:
    """What stored runs say.

    Attributes:
        reads: what was read of each site, by its name.
        cases: of all of them.
        findings: on the weight of the forecast, the odds of a flying day, and what the runs get wrong.
    """

    reads: Mapping[str, Read]
    cases: DayCases
    findings: list[WeatherFinding]


def learn_weather(
    grounds: Sequence[Ground],
    using: Biology,
    literature: Biology,
    maker: Maker,
    on_run: Callable[[str, int, int], None] | None = None,
) -> WeatherLearned:
    """See what stored runs say, and make the models that have earned it; none is put to use.

    Args:
        grounds: sites with their record and runs, told apart by name.
        using: parameters in use.
        literature: the parameters that ship with the program.
        maker: for the models' papers.
        on_run: told the site, how many days with runs are done, and of how many.

    Raises:
        RequestError: a site has no record of past years.
        WeatherFileError: a run cannot be read, or is of another place.
    """
    reads: dict[str, Read] = {}
    for ground in grounds:
        name = ground.site.name
        told = None if on_run is None else lambda done, of, name=name: on_run(name, done, of)
        reads[name] = read_cases(ground, told)
    cases = DayCases.joined([read.cases for read in reads.values()])
    weight, days = weight_finding(cases, using, literature, maker), day_finding(cases, using, maker)
    if weight.model is not None and days.model is not None:
        days = replace(days, sentence=days.sentence + _LEARN_AGAIN)
    return WeatherLearned(reads, cases, [weight, days, bias_finding(reads)])


def weather_report(learned: WeatherLearned, kept: Mapping[str, str], *, dry_run: bool) -> dict[str, Any]:
    """What stored runs say, as plain data.

    Args:
        learned: from ``learn_weather``.
        kept: name of the model that was kept, by kind.
        dry_run: whether none was to be.
    """
    cases = learned.cases
    aside: Counter[str] = Counter()
    for read in learned.reads.values():
        aside.update(read.set_aside)
    return {
        "cases": len(cases),
        "flying_days": int(cases.came.sum()),
        "site_days": cases.n_site_days,
        "seasons": sorted(set(cases.season.tolist())),
        "set_aside": dict(aside),
        "sites": [
            {"site": name, "runs": read.n_runs, "cases": len(read.cases)} for name, read in learned.reads.items()
        ],
        "findings": [_finding(f, kept.get(f.kind)) for f in learned.findings],
        "dry_run": dry_run,
    }


def _finding(finding: WeatherFinding, name: str | None) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "cases": finding.n,
        "site_days": finding.site_days,
        "set_aside": finding.set_aside,
        "estimate": finding.estimate,
        "rows": finding.rows,
        "earned": finding.model is not None,
        "test": asdict(finding.verdict),
        "sentence": finding.sentence,
        "model": name,
    }
