"""Metrics: read back by the parsers of the Prometheus library, named by its practices, nothing made up or told twice."""

from __future__ import annotations

import re
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import REGISTRY
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse_prometheus

from matewindow.feeds.metrics import (
    OPENMETRICS_TYPE,
    PROMETHEUS_TYPE,
    BatchFigures,
    Figures,
    OutboxFigures,
    SiteFigures,
    TaskFigures,
    exposition,
    negotiated,
)
from matewindow.feeds.requestmeter import BUCKETS_S, RequestMeter

if TYPE_CHECKING:
    from collections.abc import Iterable

    from prometheus_client.metrics_core import Metric

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
NOON_S = 1780315200.0  # date -u -d 2026-06-01T12:00 +%s
FULL = Figures(
    version="1.2.3",
    sites=(
        SiteFigures("site_0a", NOON, NOON - timedelta(hours=6), NOON, 3, 0),
        SiteFigures("site_0b", warnings_open=2),
    ),
    batches=(BatchFigures("btch_0a", "site_0a", 0.84, 2.5, 12.0), BatchFigures("btch_0b", "site_0b")),
    outbox=(OutboxFigures("webhook", 4, NOON, 10, 2, 1), OutboxFigures("message", 0, None, 0, 0, 0)),
    tasks=(TaskFigures("refresh", NOON, NOON), TaskFigures("backup")),
)
Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]


def samples(families: Iterable[Metric]) -> Samples:
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


def opened(data: bytes) -> Iterable[Metric]:
    families: Iterable[Metric] = parse_openmetrics(data.decode())  # type: ignore[no-untyped-call]  # it has no types
    return families


def read(data: bytes) -> Samples:
    return samples(parse_prometheus(data.decode()))


def named(read_: Samples, name: str) -> dict[str, float]:
    """Samples of one name by the values of their labels."""
    return {",".join(v for _, v in labels): value for (n, labels), value in read_.items() if n == name}


# --- what is told -----------------------------------------------------------------------------------------------


def test_each_figure_is_read_back_in_base_units() -> None:
    seen = read(exposition(FULL, batches=True))
    assert named(seen, "matewindow_build_info") == {"1.2.3": 1.0}
    assert named(seen, "matewindow_weather_fetched_timestamp_seconds") == {"site_0a": NOON_S}
    assert named(seen, "matewindow_forecast_made_timestamp_seconds") == {"site_0a": NOON_S - 21600.0}
    assert named(seen, "matewindow_batches_open") == {"site_0a": 3.0}
    assert named(seen, "matewindow_warnings_open") == {"site_0a": 0.0, "site_0b": 2.0}
    assert named(seen, "matewindow_batch_well_mated_ratio") == {"btch_0a,site_0a": 0.84}
    assert named(seen, "matewindow_batch_flight_today_seconds") == {"btch_0a,site_0a": 9000.0}
    assert named(seen, "matewindow_batch_prime_flight_seconds") == {"btch_0a,site_0a": 43200.0}
    assert named(seen, "matewindow_outbox_messages_waiting") == {"webhook": 4.0, "message": 0.0}
    assert named(seen, "matewindow_outbox_oldest_waiting_timestamp_seconds") == {"webhook": NOON_S}
    assert named(seen, "matewindow_outbox_deliveries_total") == {"webhook": 10.0, "message": 0.0}
    assert named(seen, "matewindow_outbox_failures_total") == {"webhook": 2.0, "message": 0.0}
    assert named(seen, "matewindow_outbox_given_up_total") == {"webhook": 1.0, "message": 0.0}
    assert named(seen, "matewindow_scheduler_last_run_timestamp_seconds") == {"refresh": NOON_S}
    assert named(seen, "matewindow_scheduler_last_success_timestamp_seconds") == {"refresh": NOON_S}


def test_batches_are_named_only_if_asked_for() -> None:
    assert b"btch_" not in exposition(FULL)


def test_both_formats_tell_the_same_and_only_openmetrics_ends_with_its_mark() -> None:
    meter = RequestMeter(["/v1/sites"])
    meter.observe("GET", "/v1/sites", 200, 0.02)
    plain = exposition(FULL, PROMETHEUS_TYPE, batches=True, meters=[meter])
    other = exposition(FULL, OPENMETRICS_TYPE, batches=True, meters=[meter])
    assert samples(opened(other)) == read(plain)
    assert other.endswith(b"# EOF\n")
    assert b"# EOF" not in plain


def test_what_is_not_known_is_left_out_and_never_nought() -> None:
    empty = Figures("1", sites=(SiteFigures("site_0a"),), batches=(BatchFigures("btch_0a", "site_0a"),))
    assert list(read(exposition(empty, batches=True))) == [("matewindow_build_info", (("version", "1"),))]


def test_the_same_figures_give_the_same_octets() -> None:
    assert exposition(FULL) == exposition(replace(FULL))


def test_nothing_is_left_in_the_librarys_global_registry() -> None:
    exposition(FULL, batches=True, meters=[RequestMeter([])])
    assert not [family.name for family in REGISTRY.collect() if "matewindow" in family.name]


def test_names_follow_the_practices_of_prometheus() -> None:
    """prometheus.io/docs/practices/naming and writing_exporters: prefix, base units, _total for counters and only those."""
    meter = RequestMeter([])
    meter.observe("GET", "/", 200, 0.1)
    for family in opened(exposition(FULL, OPENMETRICS_TYPE, batches=True, meters=[meter])):
        assert re.fullmatch(r"matewindow(_[a-z]+)+", family.name)
        assert family.documentation.endswith(".")
        assert not re.search(r"hours|minutes|_ms|percent|_age|celsius", family.name)
        for sample in family.samples:
            assert sample.name.endswith("_total") == (family.type == "counter")
            assert {"job", "instance"}.isdisjoint(sample.labels)
        if family.unit:
            assert family.name.endswith(f"_{family.unit}")


# --- what may not be told ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        (Figures("1", sites=(SiteFigures("Home apiary", NOON),)), "may not be the label site"),
        (Figures("1", sites=(SiteFigures("feed_secret", NOON),)), "may not be the label site"),
        (Figures("1", sites=(SiteFigures('site_0"}\nx 1', NOON),)), "may not be the label site"),
        (Figures("1", batches=(BatchFigures("Batch 3", "site_0a", 0.5),)), "may not be the label batch"),
        (Figures("1", outbox=(OutboxFigures("https://hook.example", 1),)), "may not be the label channel"),
        (Figures("1", tasks=(TaskFigures("Task 1", NOON),)), "may not be the label task"),
        (Figures("1", sites=(SiteFigures("site_0a", NOON), SiteFigures("site_0a", NOON))), "given twice"),
        (Figures("1", sites=(SiteFigures("site_0a", NOON.replace(tzinfo=None)),)), "no time zone"),
        (Figures("1", batches=(BatchFigures("btch_0a", "site_0a", 1.01),)), "no probability"),
        (Figures("1", batches=(BatchFigures("btch_0a", "site_0a", float("nan")),)), "no probability"),
        (Figures("1", batches=(BatchFigures("btch_0a", "site_0a", None, float("nan")),)), "no count"),
        (Figures("1", outbox=(OutboxFigures("webhook", -1),)), "no count"),
    ],
)
def test_names_tokens_and_impossible_numbers_are_refused(figures: Figures, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        exposition(figures, batches=True)


# --- requests ---------------------------------------------------------------------------------------------------


def test_requests_are_counted_by_method_route_and_class_of_status() -> None:
    meter = RequestMeter(["/v1/batches/{id}"])
    for status in (200, 201, 404):
        meter.observe("GET", "/v1/batches/{id}", status, 0.03)
    seen = read(exposition(Figures("1"), meters=[meter]))
    assert named(seen, "matewindow_http_requests_total") == {
        "GET,/v1/batches/{id},2xx": 2.0,
        "GET,/v1/batches/{id},4xx": 1.0,
    }
    counts = named(seen, "matewindow_http_request_duration_seconds_bucket")
    assert counts["0.025,/v1/batches/{id}"] == 0.0
    assert counts["0.05,/v1/batches/{id}"] == counts["+Inf,/v1/batches/{id}"] == 3.0
    assert len(counts) == len(BUCKETS_S) + 1
    assert named(seen, "matewindow_http_request_duration_seconds_sum") == pytest.approx({"/v1/batches/{id}": 0.09})


def test_paths_methods_and_statuses_that_people_make_up_become_no_labels() -> None:
    """A feed's token stands in its path, and a scan of ten thousand paths must not make ten thousand series."""
    meter = RequestMeter(["/v1/batches/{id}"])
    for number in range(50):
        meter.observe(f"BREW{number}", f"/feeds/secret{number}.ics", 600 + number, 0.01)
    seen = read(exposition(Figures("1"), meters=[meter]))
    assert named(seen, "matewindow_http_requests_total") == {"other,other,other": 50.0}
    assert b"secret" not in exposition(Figures("1"), meters=[meter])


def test_two_meters_know_nothing_of_each_other() -> None:
    first, second = RequestMeter(["/"]), RequestMeter(["/"])
    first.observe("GET", "/", 200, 0.1)
    assert named(read(exposition(Figures("1"), meters=[second])), "matewindow_http_requests_total") == {}


def test_a_meter_tells_no_times_of_its_own_making() -> None:
    meter = RequestMeter(["/"])
    meter.observe("GET", "/", 200, 0.1)
    for content_type in (PROMETHEUS_TYPE, OPENMETRICS_TYPE):
        assert b"_created" not in exposition(Figures("1"), content_type, meters=[meter])


def test_no_request_is_lost_between_threads() -> None:
    meter = RequestMeter(["/"])

    def work() -> None:
        for _ in range(500):
            meter.observe("GET", "/", 200, 0.001)

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    seen = read(exposition(Figures("1"), meters=[meter]))
    assert named(seen, "matewindow_http_requests_total") == {"GET,/,2xx": 4000.0}
    assert named(seen, "matewindow_http_request_duration_seconds_count") == {"/": 4000.0}


@pytest.mark.parametrize("seconds", [-0.1, float("nan"), float("inf")])
def test_an_impossible_time_is_refused_before_it_is_counted(seconds: float) -> None:
    meter = RequestMeter(["/"])
    with pytest.raises(ValueError, match="cannot take"):
        meter.observe("GET", "/", 200, seconds)
    assert named(read(exposition(Figures("1"), meters=[meter])), "matewindow_http_requests_total") == {}


# --- which format -----------------------------------------------------------------------------------------------


SERVER = (
    "application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.6,"
    "application/openmetrics-text;version=0.0.1;q=0.5,text/plain;version=1.0.0;q=0.4,"
    "text/plain;version=0.0.4;q=0.3,*/*;q=0.2"
)


@pytest.mark.parametrize(
    ("accept", "given"),
    [
        (None, PROMETHEUS_TYPE),
        ("", PROMETHEUS_TYPE),
        ("*/*", PROMETHEUS_TYPE),
        ("text/plain", PROMETHEUS_TYPE),
        ("application/openmetrics-text", OPENMETRICS_TYPE),
        ("application/openmetrics-text; version=1.0.0; charset=utf-8", OPENMETRICS_TYPE),
        ('APPLICATION/OpenMetrics-Text;Version="1.0.0"', OPENMETRICS_TYPE),
        ("application/openmetrics-text; version=0.0.1", PROMETHEUS_TYPE),
        ("application/openmetrics-text; version=2.0.0", PROMETHEUS_TYPE),
        ("application/openmetrics-text;q=0", PROMETHEUS_TYPE),
        ("application/openmetrics-text;q=0.3,text/plain;q=0.7", PROMETHEUS_TYPE),
        ("application/openmetrics-text;q=inf", PROMETHEUS_TYPE),
        ("application/openmetrics-text;q=-1", PROMETHEUS_TYPE),
        ("application/openmetrics-text; version=1.0.0\r\nX: y", PROMETHEUS_TYPE),
        (SERVER, OPENMETRICS_TYPE),
    ],
)
def test_openmetrics_is_given_where_it_is_wanted_most(accept: str | None, given: str) -> None:
    """The last case has the shape of what a Prometheus server sends (written from memory)."""
    assert negotiated(accept) == given


@given(accept=st.text(st.sampled_from('application/openmetrics-text; version=1.0.0,q=0.5"\r\n*é'), max_size=80))
def test_no_accept_field_is_ever_a_fault_and_nothing_of_it_comes_back(accept: str) -> None:
    assert negotiated(accept) in (OPENMETRICS_TYPE, PROMETHEUS_TYPE)
