"""Random requests from the OpenAPI document: no fault of ours, no answer outside the schema, nothing forbidden taken.

schemathesis makes them: the document's own examples, every bound of every value just kept and just broken, values at
random, and chains of requests that use what earlier answers gave. By default some 6,000; ``MATEWINDOW_FUZZ_CASES=50000``
makes as many as that.
"""

from __future__ import annotations

import logging
import os
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import events, from_schema

from tests.service.fuzzing import Seeded, configuration, seeded

if TYPE_CHECKING:
    from pathlib import Path

CASES = int(os.environ.get("MATEWINDOW_FUZZ_CASES", "6000"))
SEED = int(os.environ.get("MATEWINDOW_FUZZ_SEED", "1"))
LEAST = 5_000
_FIXED = 4_000
"""Cases of the examples and of the bounds, whose number only the document decides."""
_OPERATIONS, _SCENARIOS = 90, 100


class Run:
    """What came of a run."""

    def __init__(self) -> None:
        self.phases: Counter[str] = Counter()
        self.statuses: Counter[int] = Counter()
        self.well: Counter[str] = Counter()
        self.operations: set[str] = set()
        self.failures: dict[tuple[str, str, str], list[str]] = {}
        self.troubles: list[str] = []

    def go(self, subject: Seeded, seed: int, **how_many: int) -> None:
        """Run cases of some kind."""
        settings = SchemathesisConfig.from_dict(configuration(subject.values, seed, **how_many))
        schema = schemathesis.openapi.from_asgi("/v1/openapi.json", subject.app, config=settings)
        for event in from_schema(schema).execute():
            self.note(event)

    def note(self, event: Any) -> None:
        """Count the cases of a scenario, and keep what failed."""
        if isinstance(event, events.NonFatalError | events.FatalError):
            self.troubles.append(str(event.__dict__ if hasattr(event, "__dict__") else event))
        if not isinstance(event, events.ScenarioFinished):
            return
        recorder = event.recorder
        self.phases[event.phase.name] += len(recorder.interactions)
        for case_id, interaction in recorder.interactions.items():
            operation = recorder.cases[case_id].value.operation.label
            self.operations.add(operation)
            if interaction.response is not None:
                self.statuses[interaction.response.status_code] += 1
                self.well[operation] += interaction.response.status_code < 400
        for case_id, checks in recorder.checks.items():
            for check in checks:
                if check.failure_info is not None:
                    operation = recorder.cases[case_id].value.operation.label
                    told = f"{check.failure_info.failure.message[:1500]}\n{check.failure_info.code_sample[:1500]}"
                    kind = type(check.failure_info.failure).__name__
                    self.failures.setdefault((operation, check.name, kind), []).append(told)


def test_the_service_keeps_to_its_own_description_whatever_is_sent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logging.getLogger().setLevel(logging.ERROR)
    subject = seeded(tmp_path)
    rest = max(CASES - _FIXED, 1_000)
    run = Run()
    run.go(subject, SEED, examples=max(1, rest * 3 // 4 // _OPERATIONS))
    for more in range(1, 1000):  # a run of chains ends by itself when nothing new comes of it
        if run.phases["STATEFUL_TESTING"] >= rest // 4 and sum(run.phases.values()) >= CASES:
            break
        run.go(subject, SEED + more, scenarios=_SCENARIOS)

    with capsys.disabled():
        print(f"\n{sum(run.phases.values())} cases {dict(run.phases)}, answers {dict(sorted(run.statuses.items()))}")
    shown = "\n\n".join(f"{key} ({len(told)} times): {told[0]}" for key, told in run.failures.items())
    assert not run.failures, shown
    assert not run.troubles, run.troubles
    assert all(run.phases[phase] for phase in ("EXAMPLES", "COVERAGE", "FUZZING", "STATEFUL_TESTING"))
    assert sum(run.phases.values()) >= max(CASES, LEAST)
    assert sorted(run.operations - set(+run.well)) == []  # each was also answered well
