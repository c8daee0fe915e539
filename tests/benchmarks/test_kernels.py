"""How fast the hot paths are, as ratios measured in one run on one machine.

Figures are printed always; a test fails only on a gross regression, far outside what a loaded machine does.
See README.md beside this file.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import time
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow import mating
from matewindow.biology import load_biology
from matewindow.flight import flight_days, pent_up_drops
from matewindow.graft import graft_decision
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, graft_time
from tests.made_weather import changeable, stand, window

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

pytestmark = pytest.mark.benchmark

BIOLOGY = load_biology()
FLIGHT = BIOLOGY.flight
NOW = datetime(2026, 5, 27, 6, tzinfo=UTC)
SITE = stand()


def best_of(work: Callable[[], object], n: int = 5) -> float:
    """Shortest of some runs, in seconds: what the machine can do when nothing else disturbs it."""
    taken = []
    for _ in range(n):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def best_alternating(first: Callable[[], object], second: Callable[[], object], n: int = 7) -> tuple[float, float]:
    """Shortest runs of two pieces of work, taken in turn so that a busy spell hits both."""
    pairs = [(best_of(first, 1), best_of(second, 1)) for _ in range(n)]
    return min(a for a, _ in pairs), min(b for _, b in pairs)


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print past pytest's capture, so that figures are seen in every run."""

    def tell(text: str) -> None:
        with capsys.disabled():
            print(f"\n  benchmark: {text}", flush=True)

    return tell


@pytest.fixture(scope="module")
def reference_s() -> float:
    """The yardstick: 200 times the exponential of a million numbers."""
    numbers = np.random.default_rng(0).uniform(-1.0, 1.0, 1_000_000)
    out = np.empty_like(numbers)
    once = best_of(lambda: np.exp(numbers, out=out), 20)
    return 200.0 * once


@pytest.fixture(scope="module")
def sources() -> Sources:
    """51 members over 16 days, 30 past years in 5 shifts, a record of this season; invented."""
    rng = np.random.default_rng(1)
    n_days = int((np.datetime64("2026-01-01") - np.datetime64("1996-01-01")).astype(int))
    return Sources(
        observed=changeable("2026-04-01", 56, rng),
        members=changeable("2026-05-27", 16, rng, n_series=51, kind="ensemble"),
        past=changeable("1996-01-01", n_days, rng),
    )


# --- the hourly kernel ------------------------------------------------------------------------------------------


def fused_loop() -> Callable[..., None]:
    """The same arithmetic as one compiled loop over hours, which touches every number once: the yardstick for the kernel."""
    import numba

    @numba.njit(fastmath={"contract", "reassoc", "arcp", "nsz"})
    def loop(
        temp: Any, wind: Any, rain: Any, ghi: Any, share: Any, inside: Any, drops: Any, effective_h: Any, strict_h: Any
    ) -> None:
        lowered = np.exp(-0.9 * drops)
        for s in range(temp.shape[0]):
            for d in range(temp.shape[1]):
                strict = 0.0
                for k in range(len(drops)):
                    effective_h[s, d, k] = 0.0
                for h in range(24):
                    if share[d, h] == 0.0:
                        continue
                    t, u, r, g = temp[s, d, h], wind[s, d, h], rain[s, d, h], ghi[s, d, h]
                    base = share[d, h] * min(max((40.0 - t) / 8.0, 0.0), 1.0) * min(max((6.7 - u) / 3.7, 0.0), 1.0)
                    base *= min(max((0.3 - r) / 0.25, 0.0), 1.0) * min(max((g - 100.0) / 200.0, 0.0), 1.0)
                    cold = np.exp(-0.9 * (t - 19.0))
                    for k in range(len(drops)):
                        effective_h[s, d, k] += base / (1.0 + cold * lowered[k])
                    if inside[d, h] and t >= 18.0 and u <= 6.7 and r < 0.1 and g >= 100.0:
                        strict += 1.0
                strict_h[s, d] = strict

    compiled: Callable[..., None] = loop
    return compiled


def test_the_hourly_kernel_against_a_compiled_loop(say: Callable[[str], None]) -> None:
    """2,000 series of 16 days. Aim: half the speed of the compiled loop; fails below a tenth."""
    pytest.importorskip(
        "numba", reason="numba is not installed: the kernel has no compiled loop to be measured against"
    )
    weather = changeable("2026-05-27", 16, np.random.default_rng(2), n_series=2000)
    share, inside = window(16)
    share[:, 11], share[:, 15] = 0.3, 0.7
    rain, ghi = weather.rain_mm, weather.ghi_wm2
    assert rain is not None
    assert ghi is not None
    hourly = weather.temp_c, weather.wind_ms, rain, ghi
    drops = pent_up_drops(FLIGHT)
    effective_h, strict_h = np.empty((2000, 16, len(drops))), np.empty((2000, 16))
    loop = fused_loop()
    loop(*hourly, share, inside, drops, effective_h, strict_h)  # compiles
    found = flight_days(*hourly, share, inside, FLIGHT)
    np.testing.assert_allclose(found.effective_h, effective_h, atol=1e-12)
    np.testing.assert_array_equal(found.strict_h, strict_h)
    compiled_s, kernel_s = best_alternating(
        lambda: loop(*hourly, share, inside, drops, effective_h, strict_h),
        lambda: flight_days(*hourly, share, inside, FLIGHT),
    )
    ratio = compiled_s / kernel_s
    rate = weather.temp_c.size / kernel_s / 1e6
    say(
        f"hourly kernel {1e3 * kernel_s:.1f} ms, compiled loop {1e3 * compiled_s:.1f} ms: {ratio:.2f} of its speed "
        f"(aim 0.5), {rate:.0f} million hours a second"
    )
    assert ratio > 0.1


# --- whole answers ------------------------------------------------------------------------------------------------


def test_a_graft_decision_of_three_weeks(sources: Sources, reference_s: float, say: Callable[[str], None]) -> None:
    """21 days, 51 members, 30 years in 5 shifts, 1,000 paths and more. Aim: under 100 ms; fails at 13 yardsticks, 20 times that."""

    def decide() -> None:
        found = graft_decision(SITE, sources, date(2026, 5, 27), 21, NOW, BIOLOGY)
        assert len(found.days) == 21
        assert (found.members, found.years) == (51, 30)

    decide()
    taken_s = best_of(decide)
    say(
        f"graft decision of 21 days {1e3 * taken_s:.0f} ms warm (aim 100), {taken_s / reference_s:.3f} of the yardstick "
        f"of {1e3 * reference_s:.0f} ms"
    )
    assert taken_s < 13.0 * reference_s


def test_an_outlook_of_one_batch(sources: Sources, reference_s: float, say: Callable[[str], None]) -> None:
    """A batch in its window, on the same weather. Fails at 13 yardsticks."""
    batch = Batch(graft_time(date(2026, 5, 10), SITE))
    batch_outlook(batch, SITE, sources, NOW, BIOLOGY)
    taken_s = best_of(lambda: batch_outlook(batch, SITE, sources, NOW, BIOLOGY))
    say(f"outlook of one batch {1e3 * taken_s:.0f} ms warm, {taken_s / reference_s:.3f} of the yardstick")
    assert taken_s < 13.0 * reference_s


def test_the_mating_chain(reference_s: float, say: Callable[[str], None]) -> None:
    """26 emergence days on 1,050 paths. Fails at 5 yardsticks."""
    hours = np.random.default_rng(3).uniform(0.0, 4.0, (72, 1050))
    taken_s = best_of(lambda: mating.summarise(hours, np.ones(72), 6, 26, BIOLOGY))
    say(
        f"mating chain, 26 emergence days x 1050 paths {1e3 * taken_s:.0f} ms, {taken_s / reference_s:.3f} of the yardstick"
    )
    assert taken_s < 5.0 * reference_s


# --- the command line as a whole -------------------------------------------------------------------------------------


def command_line() -> list[str]:
    """How to start the command line, or a loud skip."""
    if importlib.util.find_spec("matewindow.cli") is None or not hasattr(__import__("matewindow.cli").cli, "main"):
        pytest.skip("THE COMMAND LINE IS NOT MEASURED: matewindow.cli has no main yet")
    return [sys.executable, "-c", "from matewindow.cli import main; main()"]


def run(command: list[str]) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout


def test_help_answers_at_once(say: Callable[[str], None]) -> None:
    """Aim: at most twice as long as importing typer alone; fails at six times."""
    helping = [*command_line(), "--help"]
    assert "Usage" in run(helping)
    help_s, typer_s = best_alternating(lambda: run(helping), lambda: run([sys.executable, "-c", "import typer"]), 3)
    say(f"--help {1e3 * help_s:.0f} ms, importing typer {1e3 * typer_s:.0f} ms: {help_s / typer_s:.2f} times (aim 2)")
    assert help_s < 6.0 * typer_s


def test_the_demo_from_start_to_end(reference_s: float, say: Callable[[str], None]) -> None:
    """``demo --json`` as a whole process, imports included. Aim: 3 s; fails at 20 s and 20 yardsticks."""
    demo = [*command_line(), "demo", "--json"]
    start = time.perf_counter()
    answer = run(demo)
    taken_s = time.perf_counter() - start
    json.loads(answer)
    say(f"demo --json, whole process, {taken_s:.2f} s (aim 3), {taken_s / reference_s:.1f} of the yardstick")
    assert taken_s < max(20.0, 20.0 * reference_s)
