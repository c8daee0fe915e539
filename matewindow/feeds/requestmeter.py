"""Counts and times of requests, for whoever stands around the application and calls ``observe`` once a request."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from prometheus_client import Counter, Histogram
from prometheus_client.registry import Collector

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from prometheus_client.metrics_core import Metric

METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
OTHER = "other"


class RequestMeter(Collector):
    """A counter and a histogram of requests, apart from all global registries.

    Feed tokens stand in paths, and anybody can make up paths. So only routes named here beforehand become labels; all
    else is counted as ``other``.

    Args:
        routes: templates of all routes, such as ``/v1/batches/{id}``.
    """

    def __init__(self, routes: Iterable[str]) -> None:
        self._routes = frozenset(routes)
        self._requests = Counter(
            "matewindow_http_requests_total",
            "Requests answered.",
            ("method", "route", "status"),
            registry=None,
        )
        self._times = Histogram(
            "matewindow_http_request_duration_seconds",
            "Time from request to the last octet of the answer.",
            ("route",),
            buckets=BUCKETS_S,
            registry=None,
        )

    def observe(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one request that was answered; safe from several threads.

        Args:
            method: of the request.
            route: template of the route that answered it, or anything else if none did.
            status: of the answer.
            seconds: that it took.

        Raises:
            ValueError: the time is not finite or below 0.
        """
        if not (isfinite(seconds) and seconds >= 0.0):
            raise ValueError(f"a request cannot take {seconds} seconds")
        place = route if route in self._routes else OTHER
        self._requests.labels(method if method in METHODS else OTHER, place, _status(status)).inc()
        self._times.labels(place).observe(seconds)

    def collect(self) -> Iterator[Metric]:
        """The two families, without the times at which their series were made: those tell nothing to the reader."""
        for metric in (self._requests, self._times):
            for family in metric.collect():
                family.samples = [s for s in family.samples if not s.name.endswith("_created")]
                yield family


def _status(status: int) -> str:
    return f"{status // 100}xx" if 100 <= status <= 599 else OTHER
