"""Whatever is done to a register, in whatever order: its histories are whole, and each change is told exactly once.

Random sequences of operations, held against a model in memory that knows nothing of databases.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matewindow.errors import ConflictError, NotThereError, RefusedError, RegisterError, StaleError
from matewindow.register import outbox
from matewindow.register.ids import new_id
from matewindow.register.records import as_data
from matewindow.register.register import OWN
from matewindow.register.tables import ENTITIES, changes, deliveries, events, metadata, webhooks
from tests.register.made import GRAFT, NOON, SITE, add_site, check_laws, everything, invented

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.register.register import Register
    from matewindow.register.rows import Row
    from tests.register.made import Clock

HOOKS = {
    "all": ["*"],
    "batches": ["batch.*"],
    "deletes": ["site.deleted", "batch.deleted", "check.deleted"],
    "none": ["warning.raised"],
}
DAYS = st.sampled_from([f"2026-06-{day:02}" for day in range(1, 31)])
FIELDS: dict[str, st.SearchStrategy[dict[str, Any]]] = {
    "site": st.fixed_dictionaries(
        {},
        optional={
            "name": st.sampled_from(["A", "B"]),
            "longitude": st.sampled_from([-1.9, 7.4, 175.0]),
            "thresholds": st.sampled_from([{}, {"strict_temp_c": 16.0}]),
            "notes": st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=5),
        },
    ),
    "builder": st.fixed_dictionaries({}, optional={"name": st.sampled_from(["A", "B"]), "queenright": st.booleans()}),
    "batch": st.fixed_dictionaries(
        {},
        optional={
            "grafted_on": DAYS,
            "emerged_on": st.none() | DAYS,
            "sealed_on": st.none() | DAYS,
            "n_grafted": st.none() | st.integers(0, 9),
            "n_taken": st.none() | st.integers(0, 9),
            "notes": st.sampled_from(["", "x", "ünï\n"]),
        },
    ),
    "nuc": st.fixed_dictionaries(
        {},
        optional={"emerged_on": st.none() | DAYS, "name": st.sampled_from(["A", "B"]), "kind": st.just("few-frames")},
    ),
    "check": st.fixed_dictionaries({}, optional={"day": DAYS, "saw": st.sampled_from(["eggs", "virgin", "nothing"])}),
}
PARENTS: dict[str, dict[str, tuple[str, bool]]] = {
    "site": {},
    "builder": {"site_id": ("site", True)},
    "batch": {"site_id": ("site", True), "builder_id": ("builder", False)},
    "nuc": {"site_id": ("site", True), "batch_id": ("batch", False)},
    "check": {"batch_id": ("batch", True), "nuc_id": ("nuc", False)},
}
BASE = {
    "site": SITE,
    "builder": {"name": "A"},
    "batch": GRAFT,
    "nuc": {"name": "A"},
    "check": {"day": "2026-06-20", "saw": "nothing"},
}
ACTIONS = {"change": "changed", "delete": "deleted", "bring_back": "brought_back", "undo": "undone"}


@pytest.fixture
def subscribed(register: Register) -> Register:
    """With webhooks for all events, some, and none of those that come."""
    with register.database.write() as connection:
        for name, types in HOOKS.items():
            connection.execute(webhooks.insert().values(hook(name, types)))
    return register


def hook(name: str, types: list[str], site_id: str | None = None) -> Row:
    given = {"id": new_id("webhook", NOON), "url": f"https://{name}.example/", "types": types, "site_id": site_id}
    return {column.name: invented(column) for column in webhooks.c} | given


def wipe(register: Register) -> None:
    """Take everything out but the webhooks."""
    with register.database.write() as connection:
        for table in reversed(metadata.sorted_tables):
            if table is not webhooks:
                connection.execute(table.delete())


class Model:
    """What must be true after each operation, by plain lists."""

    def __init__(self, register: Register) -> None:
        self.register = register
        self.states: dict[tuple[str, str], list[Row]] = {}
        self.told: list[tuple[str, Row]] = []

    def ids(self, kind: str) -> list[str]:
        return [thing for k, thing in self.states if k == kind]

    def done(self, kind: str, action: str, row: Row) -> None:
        """An operation was acknowledged with this row."""
        states = self.states.setdefault((kind, row["id"]), [])
        if states and row == states[-1]:
            return  # nothing was changed
        assert row["version"] == len(states) + 1
        assert row["changed_at"] >= (states[-1]["changed_at"] if states else row["created_at"])
        if action == "undo":
            before = states[-2]
            assert {k: v for k, v in row.items() if k not in OWN} == {k: v for k, v in before.items() if k not in OWN}
            assert (row["deleted_at"] is None) == (before["deleted_at"] is None)
        elif action in {"delete", "bring_back"}:
            assert {k: v for k, v in row.items() if k not in OWN} == {
                k: v for k, v in states[-1].items() if k not in OWN
            }
            assert (row["deleted_at"] is None) == (action == "bring_back")
        states.append(row)
        self.told.append((f"{kind}.{ACTIONS.get(action, 'added')}", row))

    def check(self) -> None:
        """Hold the register against the model."""
        for kind in ENTITIES:
            stored = everything(self.register, kind)
            assert stored == sorted(
                (s[-1] for (k, _), s in self.states.items() if k == kind), key=lambda r: str(r["id"])
            )
            for row in stored:
                after = [step["after"] for step in self.register.history(kind, row["id"], limit=1000)]
                assert after == [as_data(state) for state in self.states[kind, row["id"]]]
        steps = check_laws(self.register)
        assert steps == len(self.told)
        with self.register.database.read() as connection:
            assert connection.execute(sa.select(sa.func.count()).select_from(changes)).scalar() == steps
            assert sorted(sent(connection), key=str) == sorted(self.wanted(), key=str)

    def wanted(self) -> Iterator[tuple[str, str, str, int]]:
        for kind, row in self.told:
            for name, types in HOOKS.items():
                if outbox.matches(kind, types):
                    yield name, kind, row["id"], row["version"]


def sent(connection: sa.Connection) -> Iterator[tuple[str, str, str, int]]:
    """Which webhook is to be told of what."""
    joined = sa.select(events.c.type, events.c.body, webhooks.c.url, deliveries.c.state).select_from(
        deliveries.join(events).join(webhooks)
    )
    for row in connection.execute(joined):
        body = json.loads(row.body)
        assert body["type"] == row.type
        assert row.state == "waiting"
        yield (
            row.url.removeprefix("https://").removesuffix(".example/"),
            row.type,
            body["data"]["id"],
            body["data"]["version"],
        )


def operate(data: st.DataObject, model: Model, clock: Clock) -> None:
    """One operation, of which the register may refuse any."""
    register = model.register
    clock.step(seconds=data.draw(st.sampled_from([0, 0, 0.001, 1, 3600, -3600]), label="clock"))
    kind = data.draw(st.sampled_from(list(ENTITIES)), label="kind")
    ids = model.ids(kind)
    action = data.draw(st.sampled_from(["add", *ACTIONS] if ids else ["add"]), label="action")
    try:
        if action == "add":
            given = BASE[kind] | data.draw(FIELDS[kind], label="fields")
            for column, (parent, needed) in PARENTS[kind].items():
                choices = model.ids(parent) if needed else [None, *model.ids(parent)]
                if not choices:
                    return
                given = given | {column: data.draw(st.sampled_from(choices), label=column)}
            row = register.add(kind, given, "random")
        else:
            thing = data.draw(st.sampled_from(ids), label="which")
            stored = model.states[kind, thing][-1]["version"]
            version = data.draw(st.sampled_from([None, stored, stored + 1, stored - 1]), label="version")
            if action == "change":
                row = register.change(kind, thing, data.draw(FIELDS[kind], label="fields"), "random", version=version)
            elif action == "bring_back":
                version = None
                row = register.bring_back(kind, thing, "random")
            else:
                row = getattr(register, action)(kind, thing, "random", version=version)
            assert version in {None, stored}
    except StaleError:
        assert version != stored
    except (RefusedError, NotThereError, ConflictError):
        pass
    else:
        model.done(kind, action, row)


@given(data=st.data(), length=st.integers(1, 25))
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_sequence_of_operations_keeps_the_laws(
    subscribed: Register, clock: Clock, data: st.DataObject, length: int
) -> None:
    wipe(subscribed)
    clock.now = NOON
    model = Model(subscribed)
    for _ in range(length):
        operate(data, model, clock)
    model.check()


@given(fail_at=st.integers(1, 12), seed=st.integers(0, 2**32))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_transaction_that_fails_at_any_statement_leaves_neither_record_nor_history_nor_event(
    subscribed: Register, fail_at: int, seed: int
) -> None:
    wipe(subscribed)
    site = add_site(subscribed, name=str(seed))
    before = contents(subscribed)
    statements = 0

    def break_off(*_: object) -> None:
        nonlocal statements
        statements += 1
        if statements == fail_at:
            raise ZeroDivisionError

    sa.event.listen(subscribed.database.writer, "before_cursor_execute", break_off)
    try:
        subscribed.add("batch", {"site_id": site} | GRAFT, "unlucky")
    except ZeroDivisionError:
        assert contents(subscribed) == before
    else:
        assert statements < fail_at
        assert len(contents(subscribed)["changes"]) == 2
    finally:
        sa.event.remove(subscribed.database.writer, "before_cursor_execute", break_off)
    add_site(subscribed)  # and the next one finds nothing in its way


def contents(register: Register) -> dict[str, list[Any]]:
    with register.database.read() as connection:
        return {table.name: list(connection.execute(sa.select(table))) for table in metadata.sorted_tables}


def test_a_webhook_of_one_site_hears_of_that_site_its_batches_its_nucs_and_its_checks(register: Register) -> None:
    here, there = add_site(register), add_site(register)
    with register.database.write() as connection:
        connection.execute(webhooks.insert().values(hook("here", ["*"], here)))
    for site in (here, there):
        register.add("builder", {"site_id": site, "name": "B"}, "me")
        batch = register.add("batch", {"site_id": site} | GRAFT, "me")["id"]
        register.add("nuc", {"site_id": site, "batch_id": batch, "name": "N"}, "me")
        register.add("check", {"batch_id": batch, "day": "2026-06-25", "saw": "eggs"}, "me")
        register.change("site", site, {"notes": "x"}, "me")
    with register.database.read() as connection:
        told = [kind for _, kind, _, _ in sent(connection)]
        assert set(connection.execute(sa.select(events.c.site_id)).scalars()) == {here}
    assert sorted(told) == ["batch.added", "builder.added", "check.added", "nuc.added", "site.changed"]


def test_a_webhook_that_is_deleted_hears_nothing_and_one_that_is_disabled_has_missed_it(register: Register) -> None:
    with register.database.write() as connection:
        connection.execute(webhooks.insert().values(hook("gone", ["*"]) | {"deleted_at": NOON}))
    add_site(register)
    with register.database.write() as connection:
        assert connection.execute(sa.select(events)).all() == []
        connection.execute(webhooks.insert().values(hook("off", ["*"]) | {"disabled_at": NOON}))
    add_site(register)
    with register.database.read() as connection:
        assert connection.execute(sa.select(deliveries.c.state)).scalars().all() == ["missed"]


def test_an_event_has_the_time_and_the_words_of_its_change(subscribed: Register) -> None:
    row = subscribed.add("site", SITE | {"notes": "Ünïcödé \u2028 \U0001f41d"}, "me")
    with subscribed.database.read() as connection:
        event = connection.execute(sa.select(events)).mappings().one()
    assert event["at"] == row["changed_at"]
    assert json.loads(event["body"]) == {
        "type": "site.added",
        "timestamp": "2026-06-29T12:00:20.123456Z",
        "data": as_data(row),
    }


@pytest.mark.parametrize(
    ("kind", "wanted", "matches"),
    [
        ("batch.changed", ["*"], True),
        ("batch.changed", ["batch.*"], True),
        ("batch.changed", ["batch.changed"], True),
        ("batch.changed", ["batch"], False),
        ("batch.changed", ["batch.change"], False),
        ("batch.changed", ["bat.*"], False),
        ("batch.changed", ["site.*", "batch.deleted"], False),
        ("batch.changed", [], False),
        ("batches.changed", ["batch.*"], False),
    ],
)
def test_an_event_goes_to_those_who_asked_for_its_type(kind: str, wanted: list[str], matches: bool) -> None:  # noqa: FBT001
    assert outbox.matches(kind, wanted) is matches


def test_the_refusals_of_a_register_are_all_of_one_family() -> None:
    """Whoever catches ``RegisterError`` and ``InputError`` misses none."""
    assert issubclass(StaleError, ConflictError)
    assert issubclass(ConflictError, RegisterError)
    assert not issubclass(RefusedError, RegisterError)
