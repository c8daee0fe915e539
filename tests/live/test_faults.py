"""Every fault that the services can have: an answer still comes, soon, from the next source or from the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.live.helpers import GERMANY, CountingClock, Stopwatch, answered, decide, later, pull, sound
from tests.loopback.faults import ANSWER, CONTENT, LINE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

PRIMARY = ("open-meteo-forecast", "open-meteo-ensemble")
ALIKE = {"reset", "slow_headers", "stalled", "truncated_gzip", "broken_stream"}
"""Faults that fare like a neighbour here; the client's own tests tell them apart."""
FAULTS = [name for name in (*LINE, *ANSWER, *CONTENT) if name not in ALIKE]
HARMLESS = {
    "ten_times_size": "valid and below the limit: the blanks are read over",
    "members_missing": "26 of 51 members are an ensemble yet",
    "renamed_model_suffix": "one model is one model, whatever its name",
}
"""After these the same service answers, and why that is right."""
NEXT = ("DWD MOSMIX, network", "Bright Sky (DWD), fresh")
KEPT = ("Open-Meteo, stale", "Open-Meteo, stale")
ALL_BUT = {
    "undefined_units": NEXT,  # Bright Sky and MOSMIX send no units
    "text_after_json": (NEXT[0], KEPT[1]),  # MOSMIX is a zip, whose own sums prove what is in it
}
HEADING = "faults: who answers for ensemble and forecast, after how many seconds, and what is said first"


@pytest.mark.parametrize("whose", ["primary", "all"])
@pytest.mark.parametrize("fault", FAULTS)
def test_after_any_fault_a_decision_comes_within_ten_seconds_and_says_what_it_stands_on(
    fault: str,
    whose: str,
    server: LoopbackServer,
    warm: Path,
    clock: CountingClock,
    tell: Callable[[str, str], None],
) -> None:
    """The store is two hours old. "primary": Open-Meteo's forecast and ensemble; "all": every service there is."""
    later(server, hours=2)
    able = [s for s in PRIMARY if fault != "members_missing" or s.endswith("ensemble")]
    for service in able if whose == "primary" else [None]:
        server.faults.on(fault, service)

    with Stopwatch(clock) as watch:
        live = pull(server, GERMANY, warm)
        decision = decide(live, GERMANY, server)

    ours = [r for r in live.sources.remarks if not r.startswith("The ensemble was corrected")]
    got = answered(live, "ensemble"), answered(live, "forecast")
    said = next((r for r in ours if "Open-Meteo" in r), HARMLESS.get(fault, ""))
    tell(HEADING, f"{fault:<21}{whose:<8} {got[0]:<20} {got[1]:<24}{watch.seconds:4.1f} s  {said[:110]}")
    if fault in HARMLESS:
        assert got == ("Open-Meteo, network", "Open-Meteo, network")
        assert not ours
    else:
        assert got == (NEXT if whose == "primary" else ALL_BUT.get(fault, KEPT))
        for part, who in zip(("ensemble", "forecast"), got, strict=True):
            failed, old = f"Open-Meteo gave no {part}: ", f"The {part} of Open-Meteo is 2 hours old; no newer one: "
            assert any(r.startswith(old if who == KEPT[0] else failed) for r in ours)
    assert watch.seconds < 10.0
    assert set(live.sources.remarks) <= set(decision.warnings)
    assert all(0.0 < day.well_mated.value < 1.0 for day in decision.days)
    assert sound(warm, server)
