"""The schema goes up and down with data in it, agrees with the tables, and is left alone where it is not ours."""

from __future__ import annotations

import hashlib
import shutil
import stat
import warnings
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from matewindow.errors import BusyError, ConflictError, UnavailableError
from matewindow.keeping.jobs import Jobs
from matewindow.register import migrating
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.tables import metadata, sites
from tests.register import writers
from tests.register.conftest import file_url
from tests.register.made import GRAFT, ME, SITE, Clock, add_batch, add_nuc, add_site, check_laws, everything, invented

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.nursery import Nursery

REVISIONS = [script.revision for script in ScriptDirectory(str(migrating.FOLDER)).walk_revisions()][::-1]
STEPS = list(pairwise(["base", *REVISIONS]))


def fill(database: Database, biology: Biology) -> None:
    """At least one row in every table, whatever columns they have."""
    register = Register(database, biology, Clock())
    site = add_site(register, thresholds={"strict_temp_c": 16.5}, quiet_from_h=11.0, quiet_to_h=16.0)
    builder = register.add("builder", {"site_id": site, "name": "Builder", "queenright": False}, ME)["id"]
    batch = add_batch(register, site, builder_id=builder, grafted_at="14:30:15", notes="Ünïcödé\n")
    register.change("batch", batch, {"n_grafted": 30}, ME)
    nuc = add_nuc(register, site, batch)
    register.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-25", "saw": "eggs"}, ME)
    register.delete("nuc", add_nuc(register, site, None), ME)
    with database.write() as connection:
        known: dict[str, Any] = {"site_id": site, "batch_id": batch}
        for table in metadata.sorted_tables:
            if connection.execute(sa.select(sa.func.count()).select_from(table)).scalar() == 0:
                row = {column.name: known.get(column.name) or invented(column) for column in table.c}
                connection.execute(table.insert().values(row))
                known |= {f"{table.name.removesuffix('s')}_id": row.get("id")}


def contents(database: Database) -> dict[str, list[Any]]:
    """Every row of every table that the database really has, as the driver gives it."""
    with database.reader.begin() as connection:
        tables = sa.inspect(connection).get_table_names()
        return {
            name: sorted(connection.exec_driver_sql(f'SELECT * FROM "{name}"').all(), key=str)  # noqa: S608
            for name in tables
        }


def schema(database: Database) -> dict[str, Any]:
    with database.reader.begin() as connection:
        inspected = sa.inspect(connection)
        return {
            name: (
                [str(column) for column in inspected.get_columns(name)],
                sorted(map(str, inspected.get_indexes(name))),
                sorted(map(str, inspected.get_foreign_keys(name))),
                sorted(map(str, inspected.get_unique_constraints(name))),
            )
            for name in inspected.get_table_names()
        }


def test_the_newest_migration_is_the_one_that_the_program_names() -> None:
    assert REVISIONS[-1] == migrating.HEAD
    assert sorted(REVISIONS) == REVISIONS, "texts, compared as texts"
    assert all(len(revision) == 4 and revision.isdigit() for revision in REVISIONS)


def test_the_migrations_make_the_tables_that_the_program_uses(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database]
) -> None:
    database = opened(new_url(empty=True))
    with database.reader.begin() as connection, warnings.catch_warnings():
        warnings.simplefilter("error")
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


@pytest.mark.parametrize(("below", "revision"), STEPS)
def test_every_migration_goes_up_and_down_and_up_with_data_in_it(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology, below: str, revision: str
) -> None:
    """Above ``base`` the data of a table that stays is the same after each step."""
    database = opened(new_url(empty=True), migrate=False)
    migrating.upgrade(database, "head")
    fill(database, biology)
    full = contents(database)
    assert all(full[table.name] for table in metadata.sorted_tables), "no table is empty"
    if revision != migrating.HEAD:
        migrating.downgrade(database, revision)
    at, made = migrating.current(database), schema(database)
    assert at == revision
    migrating.downgrade(database, below)
    assert migrating.current(database) == (None if below == "base" else below)
    stays = set(schema(database))
    if below == "base":
        assert stays == {"alembic_version"}
    migrating.upgrade(database, revision)
    assert schema(database) == made
    migrating.upgrade(database)
    if below != "base":
        assert {name: rows for name, rows in contents(database).items() if name in stays} == {
            name: rows for name, rows in full.items() if name in stays
        }
    with database.reader.begin() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


REBUILDS = '''"""A migration that SQLite can only do by making the table anew."""
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9000", "HEAD", None, None


def alter(old, new):
    for name in ("sites", "batches"):
        with op.batch_alter_table(name) as table:
            table.alter_column("notes", existing_type=old, type_=new, existing_nullable=False)


def upgrade():
    alter(sa.Text(), sa.String(2000))


def downgrade():
    alter(sa.String(2000), sa.Text())
'''
LOSES = '''"""A migration that drops rows on which others hang."""
from alembic import op

revision, down_revision, branch_labels, depends_on = "9000", "HEAD", None, None


def upgrade():
    op.execute("DELETE FROM sites")


def downgrade():
    pass
'''


@pytest.fixture
def thrown_away(home: Path) -> Callable[[str], Path]:
    """The folder of migrations with one more in it."""

    def folder(text: str) -> Path:
        made = home / "migrations"
        shutil.copytree(migrating.FOLDER, made)
        (made / "versions" / "m9000_thrown_away.py").write_text(text.replace("HEAD", migrating.HEAD), encoding="utf-8")
        return made

    return folder


def test_a_migration_that_makes_tables_anew_keeps_the_rows_that_hang_on_them(
    url: sa.URL, opened: Callable[..., Database], biology: Biology, thrown_away: Callable[[str], Path]
) -> None:
    database, folder = opened(url), thrown_away(REBUILDS)
    fill(database, biology)
    before, made = contents(database), schema(database)
    at = before.pop("alembic_version")

    migrating.upgrade(database, folder=folder)
    up, altered = contents(database), schema(database)
    assert (up.pop("alembic_version"), up) == ([("9000",)], before)
    assert altered != made, "or nothing was rebuilt"
    assert {name: (len(columns), indexes, keys) for name, (columns, indexes, keys, _) in altered.items()} == {
        name: (len(columns), indexes, keys) for name, (columns, indexes, keys, _) in made.items()
    }
    migrating.downgrade(database, migrating.HEAD, folder)
    down = contents(database)
    assert (down.pop("alembic_version"), down, schema(database)) == (at, before, made)
    check_laws(Register(database, biology, Clock()))
    with pytest.raises(ConflictError), database.write() as connection:  # keys count again
        connection.execute(sites.delete())


def test_a_migration_that_would_leave_rows_hanging_in_the_air_is_undone(
    home: Path, made_file: Path, opened: Callable[..., Database], biology: Biology, thrown_away: Callable[[str], Path]
) -> None:
    shutil.copy(made_file, home / "register.sqlite")
    database, folder = opened(file_url(home / "register.sqlite")), thrown_away(LOSES)
    fill(database, biology)
    before = contents(database)
    with pytest.raises(UnavailableError, match="names one of sites that is not there") as no:
        migrating.upgrade(database, folder=folder)
    assert "Nothing was changed" in no.value.fix
    assert contents(database) == before
    with pytest.raises(ConflictError), database.write() as connection:
        connection.execute(sites.delete())


def test_opening_a_register_again_changes_nothing(
    url: sa.URL, opened: Callable[..., Database], biology: Biology
) -> None:
    database = opened(url)
    fill(database, biology)
    before = contents(database)
    database.close()
    again = opened(url)
    assert contents(again) == before
    check_laws(Register(again, biology, Clock()))


@pytest.mark.parametrize("later", [f"{int(migrating.HEAD) + 1:04d}", "9999", "ae1027a6acf", "zzzz"])
def test_a_register_written_by_a_later_version_is_refused_and_left_untouched(
    url: sa.URL, opened: Callable[..., Database], biology: Biology, later: str
) -> None:
    database = opened(url)
    fill(database, biology)
    with database.writer.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = :later"), {"later": later})
    before, made = contents(database), schema(database)
    database.close()
    file = database.file
    sha = None if file is None else hashlib.sha256(file.read_bytes()).digest()
    with pytest.raises(
        UnavailableError, match=rf"written by a later version of matewindow \(schema {later}, this one knows"
    ) as no:
        Database(url)
    assert no.value.fix == "Install that version again; nothing was changed."
    if file is not None:
        assert hashlib.sha256(file.read_bytes()).digest() == sha
        assert sorted(p.name for p in file.parent.iterdir() if p.name.startswith(file.name)) == [file.name]
    looked_at = opened(url, migrate=False)
    assert (contents(looked_at), schema(looked_at)) == (before, made)


def test_a_database_of_another_program_is_refused_and_left_untouched(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database]
) -> None:
    url = new_url(empty=True)
    database = opened(url, migrate=False)
    with database.writer.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE tokens (id text)")
    with pytest.raises(UnavailableError, match=r"holds tables of another program\. Set MATEWINDOW_REGISTER"):
        Database(url)
    assert set(schema(database)) == {"tokens"}


def test_a_file_that_is_no_database_is_refused_and_left_untouched(home: Path) -> None:
    file = home / "site.toml"
    file.write_text("name = 'x'\n" * 100, encoding="utf-8")
    with pytest.raises(UnavailableError, match="is damaged"):
        Database(sa.URL.create("sqlite", database=str(file)))
    assert file.read_text(encoding="utf-8") == "name = 'x'\n" * 100


def test_a_migration_that_fails_leaves_nothing_behind(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database]
) -> None:
    url = new_url(empty=True)
    database = opened(url, migrate=False)
    made = 0

    def break_off(_c: object, _k: object, statement: str, *_: object) -> None:
        nonlocal made
        made += statement.strip().upper().startswith("CREATE TABLE")
        if made == 12:
            raise ZeroDivisionError

    sa.event.listen(database.writer, "before_cursor_execute", break_off)
    with pytest.raises(ZeroDivisionError):
        migrating.to_head(database)
    sa.event.remove(database.writer, "before_cursor_execute", break_off)
    assert schema(database) == {}
    assert migrating.current(database) is None
    migrating.to_head(database)
    assert migrating.current(database) == migrating.HEAD


@pytest.mark.parametrize("processes", [2, 4])
def test_processes_that_open_an_empty_register_at_once_all_find_it_made(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology, nursery: Nursery, processes: int
) -> None:
    for _ in range(4):
        url = new_url(empty=True)
        address = url.render_as_string(hide_password=False)
        children = [nursery.begin(writers.open_and_add, address) for _ in range(processes)]
        for child in children:
            child.tell("go")
        said = [child.hear_all() for child in children]
        assert [len(lines) for lines in said] == [1] * processes, said
        register = Register(opened(url), biology, Clock())
        assert {row["id"] for row in everything(register, "site")} == {lines[0][1] for lines in said}
        check_laws(register)


def test_whoever_waits_too_long_for_the_making_of_the_tables_is_told_so(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], monkeypatch: pytest.MonkeyPatch
) -> None:
    url = new_url(empty=True)
    monkeypatch.setattr(migrating, "_WAIT_S", 0.2)
    other = opened(url, migrate=False)
    with migrating._alone(other), pytest.raises(BusyError):
        Database(url)
    assert migrating.current(opened(url)) == migrating.HEAD


def test_a_new_register_can_be_read_by_its_owner_only(home: Path, biology: Biology) -> None:
    """It holds the secrets of webhooks."""
    file = home / "deep" / "folder" / "register.sqlite"
    database = Database(sa.URL.create("sqlite", database=str(file)))
    Register(database, biology, Clock()).add("site", SITE, ME)
    for part in file.parent.iterdir():
        if part.suffix != ".lock":
            assert stat.S_IMODE(part.stat().st_mode) == 0o600, part
    database.close()


def test_a_whole_keeper_s_year_migrates_in_one_go(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology
) -> None:
    """Down to nothing and up again is allowed with much in it; what was in it is gone, and it works."""
    database = opened(new_url())
    register = Register(database, biology, Clock())
    with database.write():
        site = add_site(register)
        for _ in range(200):
            register.add("batch", {"site_id": site} | GRAFT, ME)
    migrating.downgrade(database, "base")
    migrating.upgrade(database)
    assert everything(register, "batch") == []
    add_site(register)


def test_hindcasts_that_wait_are_dropped_on_the_way_down_and_other_jobs_stay(
    url: sa.URL, opened: Callable[..., Database], biology: Biology
) -> None:
    """The version before would take them for refreshes."""
    database = opened(url)
    site = add_site(Register(database, biology, Clock()))
    jobs = Jobs(database, Clock())
    refresh = jobs.ask("refresh", site)["id"]
    jobs.ask("hindcast", site, {"first_graft": "04-20"})
    migrating.downgrade(database, "0001")
    with database.reader.begin() as connection:
        left = connection.exec_driver_sql("SELECT id FROM jobs").scalars().all()
    assert left == [refresh]
    migrating.upgrade(database)
    assert [(job["id"], job["asked"]) for job in jobs.page()] == [(refresh, None)]
