"""Figures of the running service for Prometheus, in its own text format or as OpenMetrics.

Names follow the naming practices of Prometheus (prometheus.io/docs/practices/naming): base units, points in time
instead of ages, ``_total`` for what only rises, ``_ratio`` from 0 to 1. Labels are ids of our own making and words from
short fixed lists: no names, no addresses, no tokens; and neither ``job`` nor ``instance``, which Prometheus itself
sets. What is not known is left out and never becomes a zero.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.exposition import generate_latest as as_prometheus
from prometheus_client.openmetrics.exposition import generate_latest as as_openmetrics
from prometheus_client.registry import Collector

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from prometheus_client.metrics_core import Metric

    Series = Iterable[tuple[tuple[str, ...], float | None]]

PROMETHEUS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
OPENMETRICS_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
SECONDS_PER_HOUR = 3600.0
_LABELS = {
    "site": re.compile(r"site_[0-9A-Za-z]{1,32}"),
    "batch": re.compile(r"btch_[0-9A-Za-z]{1,32}"),
    "channel": re.compile(r"[a-z][a-z_]{0,31}"),
    "task": re.compile(r"[a-z][a-z_]{0,31}"),
}
_UNITS = ("seconds", "ratio")


@dataclass(frozen=True)
class SiteFigures:
    """Of one site; times are aware, None where there is none yet.

    Attributes:
        site: id of the register.
        weather_fetched: when weather last came in.
        forecast_made: run time of the forecast in use.
        outlook_computed: when its batches were last worked out.
        batches_open: batches under way.
        warnings_open: warnings that hold.
    """

    site: str
    weather_fetched: datetime | None = None
    forecast_made: datetime | None = None
    outlook_computed: datetime | None = None
    batches_open: int | None = None
    warnings_open: int | None = None


@dataclass(frozen=True)
class BatchFigures:
    """Of one batch; None where there is no outlook.

    Attributes:
        batch, site: ids of the register.
        well_mated: odds that a virgin is well mated, 0 to 1.
        flight_today_h: flight hours expected today.
        prime_flight_h: flight hours expected in the prime window.
    """

    batch: str
    site: str
    well_mated: float | None = None
    flight_today_h: float | None = None
    prime_flight_h: float | None = None


@dataclass(frozen=True)
class OutboxFigures:
    """Of one way out.

    Attributes:
        channel: a word from a fixed list, such as ``webhook``.
        waiting: messages not yet delivered.
        oldest_waiting: when the oldest of them was written; None if none waits.
        delivered, failed, given_up: deliveries, failed tries and messages given up; they only rise.
    """

    channel: str
    waiting: int | None = None
    oldest_waiting: datetime | None = None
    delivered: int | None = None
    failed: int | None = None
    given_up: int | None = None


@dataclass(frozen=True)
class TaskFigures:
    """Of one task of the scheduler; a task that runs but gets nowhere shows in ``last_success``.

    Attributes:
        task: a word from a fixed list, such as ``refresh``.
        last_run, last_success: when it last began, and when it last began a run that did its work.
    """

    task: str
    last_run: datetime | None = None
    last_success: datetime | None = None


@dataclass(frozen=True)
class Figures:
    """All of it at one moment."""

    version: str
    sites: Sequence[SiteFigures] = ()
    batches: Sequence[BatchFigures] = ()
    outbox: Sequence[OutboxFigures] = ()
    tasks: Sequence[TaskFigures] = ()


def exposition(
    figures: Figures, content_type: str = PROMETHEUS_TYPE, *, batches: bool = False, meters: Iterable[Collector] = ()
) -> bytes:
    """The figures as text.

    Args:
        figures: what is known.
        content_type: as ``negotiated`` gave it.
        batches: whether to name each batch. Their number has no bound, so this is for those who ask for it.
        meters: collectors that count by themselves, such as ``requestmeter.RequestMeter``.

    Raises:
        ValueError: an id or word that may not be a label, the same one twice, a naive time, a number that is not
            finite, odds outside 0 to 1, or a count or time below 0.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Reading(figures, batches=batches))
    for meter in meters:
        registry.register(meter)
    if content_type == OPENMETRICS_TYPE:
        text: bytes = as_openmetrics(registry)  # type: ignore[no-untyped-call]  # the library gives it no types
        return text
    return as_prometheus(registry)


def negotiated(accept: str | None) -> str:
    """The content type to answer an Accept field with: OpenMetrics if it is asked for, Prometheus text otherwise.

    Given is OpenMetrics 1.0.0 only. The answer depends on the field, so send ``Vary: Accept`` with it; nothing of the
    field is copied into the answer.
    """
    openmetrics = plain = 0.0
    for part in (accept or "").lower().split(","):
        kind, *parameters = (piece.strip() for piece in part.split(";"))
        said = {name.strip(): value.strip(' "') for name, _, value in (p.partition("=") for p in parameters)}
        weight = _weight(said.get("q", "1"))
        if kind == "application/openmetrics-text" and said.get("version", "1.0.0") == "1.0.0":
            openmetrics = max(openmetrics, weight)
        elif kind == "text/plain":
            plain = max(plain, weight)
    return OPENMETRICS_TYPE if openmetrics > 0.0 and openmetrics >= plain else PROMETHEUS_TYPE


def _weight(text: str) -> float:
    """A quality value as RFC 9110 section 12.4.2 has it; anything else weighs nothing."""
    return float(text) if re.fullmatch(r"0(\.[0-9]{0,3})?|1(\.0{0,3})?", text) else 0.0


class _Reading(Collector):
    """One reading, told to one registry and forgotten."""

    def __init__(self, figures: Figures, *, batches: bool) -> None:
        self.figures, self.batches = figures, batches

    def collect(self) -> Iterator[Metric]:
        yield InfoMetricFamily("matewindow_build", "The program that answers.", {"version": self.figures.version})
        yield from _of_sites(self.figures.sites)
        if self.batches:
            yield from _of_batches(self.figures.batches)
        yield from _of_outbox(self.figures.outbox)
        yield from _of_tasks(self.figures.tasks)


def _of_sites(sites: Sequence[SiteFigures]) -> Iterator[Metric]:
    def told(name: str, text: str, values: Iterable[float | None]) -> Iterator[Metric]:
        return _family(f"matewindow_{name}", text, ("site",), zip(((s.site,) for s in sites), values, strict=True))

    fetched, made = (_time(s.weather_fetched) for s in sites), (_time(s.forecast_made) for s in sites)
    yield from told("weather_fetched_timestamp_seconds", "When weather last came in", fetched)
    yield from told("forecast_made_timestamp_seconds", "Run time of the forecast in use", made)
    computed = (_time(s.outlook_computed) for s in sites)
    yield from told("outlook_computed_timestamp_seconds", "When a site's batches were last worked out", computed)
    yield from told("batches_open", "Batches under way", (_not_negative(s.batches_open) for s in sites))
    yield from told("warnings_open", "Warnings that hold", (_not_negative(s.warnings_open) for s in sites))


def _of_batches(batches: Sequence[BatchFigures]) -> Iterator[Metric]:
    labels = ("site", "batch")

    def told(name: str, text: str, values: Iterable[float | None]) -> Iterator[Metric]:
        series = zip(((b.site, b.batch) for b in batches), values, strict=True)
        return _family(f"matewindow_batch_{name}", text, labels, series)

    yield from told("well_mated_ratio", "Odds that a virgin is well mated", (_share(b.well_mated) for b in batches))
    today, prime = (_seconds(b.flight_today_h) for b in batches), (_seconds(b.prime_flight_h) for b in batches)
    yield from told("flight_today_seconds", "Time fit for its mating flights expected today", today)
    yield from told("prime_flight_seconds", "Time fit for mating flights expected in the prime window", prime)


def _of_outbox(outbox: Sequence[OutboxFigures]) -> Iterator[Metric]:
    def told(name: str, text: str, values: Iterable[float | None]) -> Iterator[Metric]:
        series = zip(((o.channel,) for o in outbox), values, strict=True)
        return _family(f"matewindow_outbox_{name}", text, ("channel",), series)

    yield from told("messages_waiting", "Messages not yet delivered", (_not_negative(o.waiting) for o in outbox))
    oldest = (_time(o.oldest_waiting) for o in outbox)
    yield from told("oldest_waiting_timestamp_seconds", "When the oldest message that waits was written", oldest)
    yield from told("deliveries_total", "Messages delivered", (_not_negative(o.delivered) for o in outbox))
    yield from told("failures_total", "Tries to deliver that failed", (_not_negative(o.failed) for o in outbox))
    yield from told("given_up_total", "Messages given up", (_not_negative(o.given_up) for o in outbox))


def _of_tasks(tasks: Sequence[TaskFigures]) -> Iterator[Metric]:
    def told(name: str, text: str, values: Iterable[float | None]) -> Iterator[Metric]:
        series = zip(((t.task,) for t in tasks), values, strict=True)
        return _family(f"matewindow_scheduler_{name}", text, ("task",), series)

    yield from told("last_run_timestamp_seconds", "When a task last began", (_time(t.last_run) for t in tasks))
    success = (_time(t.last_success) for t in tasks)
    yield from told("last_success_timestamp_seconds", "When a task last began a run that did its work", success)


def _family(name: str, text: str, labels: tuple[str, ...], series: Series) -> Iterator[Metric]:
    """A family with one sample for each known value; no family if none is known."""
    known: dict[tuple[str, ...], float] = {}
    for values, number in series:
        for label, value in zip(labels, values, strict=True):
            if not _LABELS[label].fullmatch(value):
                raise ValueError(f"{value!r} may not be the label {label} of {name}")
        if values in known:
            raise ValueError(f"{name} was given twice for {values}")
        if number is not None:
            known[values] = number
    if not known:
        return
    unit = next((u for u in _UNITS if name.endswith(f"_{u}")), "")
    family: CounterMetricFamily | GaugeMetricFamily
    if name.endswith("_total"):
        family = CounterMetricFamily(name, f"{text}.", labels=labels)
    else:
        family = GaugeMetricFamily(name, f"{text}.", labels=labels, unit=unit)
    for values, number in known.items():
        family.add_metric(values, number)
    yield family


def _time(moment: datetime | None) -> float | None:
    if moment is None:
        return None
    if moment.utcoffset() is None:
        raise ValueError(f"{moment} has no time zone")
    return moment.timestamp()


def _not_negative(number: float | None) -> float | None:
    if number is not None and not (isfinite(number) and number >= 0.0):
        raise ValueError(f"{number} is no count and no span of time")
    return number


def _seconds(hours: float | None) -> float | None:
    return None if hours is None else _not_negative(hours * SECONDS_PER_HOUR)


def _share(share: float | None) -> float | None:
    if share is not None and not 0.0 <= share <= 1.0:
        raise ValueError(f"{share} is no probability")
    return share
