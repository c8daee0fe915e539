"""Somebody else holds the register, or it is gone for a while: it is said at once, and works again by itself."""

from __future__ import annotations

import shutil
import threading
import time
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa

from matewindow.errors import BusyError, UnavailableError
from matewindow.register.database import BUSY_MS, Database
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from tests.register import writers
from tests.register.conftest import file_url
from tests.register.made import ME, SITE, Clock, add_site, check_laws, everything
from tests.register.postgres import MISSING, THERE, Postgres, serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.nursery import Child, Nursery

SHORT_MS = 150
SAID = r"the register is in use by another process or request\. Try again in a few seconds\."


@pytest.fixture
def impatient(url: sa.URL, opened: Callable[..., Database], biology: Biology) -> Register:
    """A register that waits for others only a moment."""
    return Register(opened(url, busy_ms=SHORT_MS), biology, Clock())


@pytest.fixture
def holder(url: sa.URL, nursery: Nursery) -> Child:
    """Another process in the midst of a change."""
    child = nursery.begin(writers.hold_write_lock, url.render_as_string(hide_password=False))
    child.hear()
    return child


def test_a_writer_is_told_soon_that_another_process_writes_and_succeeds_after_it(
    impatient: Register, holder: Child
) -> None:
    for _ in range(3):
        begun = time.perf_counter()
        with pytest.raises(BusyError, match=SAID):
            add_site(impatient)
        assert time.perf_counter() - begun < 30 * SHORT_MS / 1000
    assert impatient.every("site") == [], "readers do not wait, and see nothing that is not finished"
    holder.tell("end it")
    assert holder.hear() == "done"
    mine = add_site(impatient)
    assert len(impatient.every("site")) == 2
    assert impatient.get("site", mine)["version"] == 1
    check_laws(impatient)


def test_a_writer_waits_for_one_that_ends_in_time(
    url: sa.URL, opened: Callable[..., Database], biology: Biology, holder: Child
) -> None:
    """With the patience that the program really has."""
    register = Register(opened(url), biology, Clock())
    ending = threading.Timer(0.3, holder.tell, ["end it"])
    ending.start()
    begun = time.perf_counter()
    add_site(register)
    assert 0.2 < time.perf_counter() - begun < BUSY_MS / 1000
    ending.join()
    check_laws(register)


def test_the_patience_of_the_program_is_five_seconds(
    home: Path, made_file: Path, opened: Callable[..., Database], biology: Biology, nursery: Nursery
) -> None:
    """A lock held for half a minute is refused after five seconds, again and again, not waited for."""
    shutil.copy(made_file, home / "register.sqlite")
    url = file_url(home / "register.sqlite")
    holder = nursery.begin(writers.hold_write_lock, url.render_as_string())
    holder.hear()
    register = Register(opened(url), biology, Clock())
    begun = time.perf_counter()
    with pytest.raises(BusyError):
        add_site(register)
    assert 4.9 < time.perf_counter() - begun < 10
    holder.tell("end it")
    add_site(register)


def test_a_process_that_is_stopped_in_the_midst_of_writing_holds_up_writers_only_and_finishes_later(
    impatient: Register, holder: Child
) -> None:
    """SIGSTOP and SIGCONT: its change is neither lost nor half there."""
    holder.stop()
    with pytest.raises(BusyError):
        add_site(impatient)
    assert impatient.every("site") == []
    holder.go_on()
    holder.tell("end it")
    assert holder.hear() == "done"
    add_site(impatient)
    assert len(impatient.every("site")) == 2
    check_laws(impatient)


def test_a_process_that_dies_in_the_midst_of_writing_leaves_nothing_and_no_lock(
    impatient: Register, holder: Child
) -> None:
    holder.kill()
    assert holder.hear_all() == []
    patient = Register(Database(impatient.database.url), impatient.biology, Clock())
    mine = add_site(patient)
    assert [row["id"] for row in everything(patient, "site")] == [mine]
    assert faults(patient.database) == []
    patient.database.close()


def test_threads_that_wait_too_long_for_each_other_are_told_too(impatient: Register) -> None:
    inside, leave = threading.Event(), threading.Event()

    def hold() -> None:
        with impatient.database.write():
            inside.set()
            leave.wait(30)

    thread = threading.Thread(target=hold)
    thread.start()
    assert inside.wait(30)
    with pytest.raises(BusyError, match=SAID):
        add_site(impatient)
    leave.set()
    thread.join()
    add_site(impatient)


def test_more_readers_than_connections_wait_or_are_told(url: sa.URL, opened: Callable[..., Database]) -> None:
    database = opened(url, busy_ms=SHORT_MS)
    readers = [database.read() for _ in range(8)]
    for reader in readers:
        reader.__enter__()
    with pytest.raises(BusyError, match=SAID), database.read():
        pass
    for reader in readers:
        reader.__exit__(None, None, None)
    with database.read() as connection:
        assert connection.execute(sa.select(1)).scalar() == 1


# -- PostgreSQL goes and comes back


@pytest.fixture(scope="module")
def own() -> Iterator[Postgres]:
    """A server for these tests alone, since they stop it."""
    if not THERE:
        pytest.skip(MISSING)
    with serving() as server:
        yield server


@pytest.mark.parametrize("how", ["stop", "kill"])
def test_while_postgresql_is_away_it_is_said_and_when_it_is_back_all_goes_on(
    own: Postgres, opened: Callable[..., Database], biology: Biology, how: str
) -> None:
    url = own.new()
    register = Register(opened(url), biology, Clock())
    site = add_site(register)
    getattr(own, how)()
    calls: list[Callable[[], object]] = [
        lambda: add_site(register),
        lambda: register.get("site", site),
        lambda: register.change("site", site, {"notes": "x"}, ME),
        lambda: register.every("site"),
    ]
    for _ in range(2):
        for call in calls:
            begun = time.perf_counter()
            with pytest.raises(UnavailableError, match=r"cannot be used just now .* It will be tried again") as said:
                call()
            assert not said.value.full
            assert time.perf_counter() - begun < 3
    with pytest.raises(UnavailableError, match="cannot be used just now"):
        Database(url)
    own.start()
    assert register.get("site", site)["version"] == 1
    register.change("site", site, {"notes": "after"}, ME)
    assert len(register.every("site")) == 1, "what was refused is not there"
    check_laws(register)


def test_a_server_that_goes_within_a_transaction_takes_the_whole_of_it_along(
    own: Postgres, opened: Callable[..., Database], biology: Biology
) -> None:
    register = Register(opened(own.new()), biology, Clock())

    def go() -> None:
        with register.database.write():
            add_site(register)
            own.kill()

    with pytest.raises(UnavailableError):
        go()
    own.start()
    assert everything(register, "site") == []
    add_site(register)


def test_a_connection_that_the_server_ends_is_made_anew(
    own: Postgres, opened: Callable[..., Database], biology: Biology
) -> None:
    """As a server does at its restart, or a network box at night."""
    register = Register(opened(own.new()), biology, Clock())
    site = add_site(register)
    own.run("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname LIKE 'register%%'")
    assert register.get("site", site)["id"] == site
    add_site(register)
    check_laws(register)


def test_a_process_that_stands_still_within_a_transaction_loses_its_lock_after_a_minute(
    own: Postgres, opened: Callable[..., Database], biology: Biology, nursery: Nursery
) -> None:
    """PostgreSQL ends it; shown here with a shorter minute. What it had begun is gone, and it is told so."""
    url = own.new()
    with opened(url).write() as connection:
        (minute,) = connection.exec_driver_sql("SHOW idle_in_transaction_session_timeout").one()
        assert minute == "1min", "the program asks for it by itself"
    stopped = nursery.begin(stand_still_in_a_transaction, url.render_as_string(hide_password=False))
    assert stopped.hear() == "inside"
    register = Register(opened(url), biology, Clock())
    site = add_site(register)
    stopped.tell("go on")
    assert stopped.hear().startswith("UnavailableError: the register at postgresql+psycopg://postgres@/register_")
    assert [row["id"] for row in everything(register, "site")] == [site]


def stand_still_in_a_transaction(said: Connection, url: str) -> None:
    """Begin a change, and go on with it only when told."""
    register = writers.open_register(url)
    try:
        with register.database.write() as connection:
            connection.exec_driver_sql("SET idle_in_transaction_session_timeout = 200")
            register.add("site", SITE, "the one who stands still")
            said.send("inside")
            said.recv()
            register.add("site", SITE, "the one who stands still")
    except UnavailableError as refused:
        said.send(f"{type(refused).__name__}: {refused}")


def test_the_program_s_settings_hold_whatever_the_server_s_are(own: Postgres, opened: Callable[..., Database]) -> None:
    """A server set to acknowledge before it has written would lose what the program has promised."""
    url = own.new()
    own.run(f"ALTER DATABASE {url.database} SET synchronous_commit = off")
    own.run(f"ALTER DATABASE {url.database} SET default_transaction_isolation = 'serializable'")
    database = opened(url)
    with database.write() as connection:
        assert connection.exec_driver_sql("SHOW synchronous_commit").scalar() == "on"
        assert connection.exec_driver_sql("SHOW transaction_isolation").scalar() == "read committed"
    with database.read() as connection:
        assert connection.exec_driver_sql("SHOW transaction_isolation").scalar() == "repeatable read"
        assert connection.exec_driver_sql("SHOW transaction_read_only").scalar() == "on"


def test_a_fault_of_our_own_is_not_called_an_outage(register: Register) -> None:
    """A statement that cannot work is a mistake in the program: it must not look like weather, or like a disk."""
    with pytest.raises(sa.exc.DBAPIError), register.database.write() as connection:
        connection.exec_driver_sql("SELECT nothing FROM nowhere")
    with pytest.raises(sa.exc.DBAPIError), register.database.read() as connection:
        connection.exec_driver_sql("SELECT nothing FROM nowhere")
    add_site(register)
