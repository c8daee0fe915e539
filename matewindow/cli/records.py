"""``matewindow records``: the register's records, added, looked at and changed by ``field=value``."""

from __future__ import annotations

from typing import Annotated

import typer

from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time

app = typer.Typer(
    help="Sites, cell builders, batches, nucs and checks: add, look, change, delete, bring back.", no_args_is_help=True
)
_ALL = 1_000_000
Kind = Annotated[str, typer.Argument(metavar="KIND", help="site, builder, batch, nuc or check.")]
Fields = Annotated[
    list[str], typer.Argument(metavar="FIELD=VALUE...", help="Such as site=Orchard grafted_on=2026-06-01.")
]
Id = Annotated[str, typer.Argument(metavar="ID", help="Id of the record, such as btch_0123456789abcdef.")]


@app.command()
def add(kind: Kind, fields: Fields, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Add a record. Another record may be named by its id, or by what it is called if only one is called so."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data
    from matewindow.register.typedin import kind_named, typed_in

    which = kind_named(kind)
    with opened.open_register(register, make=True) as records:
        row = records.add(which, typed_in(records.database, which, fields, clear=False), opened.who())
    options.show(as_data(row), record_tables.record_tables(as_data(row)), as_json=as_json)


@app.command(name="list")
def list_(
    kind: Kind,
    *,
    where: Annotated[
        list[str] | None,
        typer.Option("--where", metavar="FIELD=VALUE", help="Only those with this value; may be repeated."),
    ] = None,
    deleted: Annotated[bool, typer.Option("--deleted", help="The deleted ones instead of the others.")] = False,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """List records in the order in which they were added."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.register import Filter, rows_as_data
    from matewindow.register.typedin import kind_named, wanted_fields

    which = kind_named(kind)
    with opened.open_register(register) as records:
        equal = wanted_fields(records.database, which, where or [])
        report = {"items": rows_as_data(records.every(which, Filter(equal=equal, deleted=deleted)))}
    options.show(report, record_tables.list_tables(which, report), as_json=as_json)


@app.command()
def show(thing: Id, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Show all fields of a record, deleted or not."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data
    from matewindow.register.typedin import kind_of_id

    kind = kind_of_id(thing)
    with opened.open_register(register) as records:
        row = as_data(records.get(kind, thing, deleted=True))
    options.show(row, record_tables.record_tables(row), as_json=as_json)


@app.command()
def change(thing: Id, fields: Fields, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Write other values into some fields. FIELD= without a value sets it back."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data
    from matewindow.register.typedin import kind_of_id, typed_in

    kind = kind_of_id(thing)
    with opened.open_register(register) as records:
        given = typed_in(records.database, kind, fields, clear=True)
        row = as_data(records.change(kind, thing, given, opened.who()))
    options.show(row, record_tables.record_tables(row), as_json=as_json)


@app.command()
def delete(thing: Id, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Take a record out of sight. It can be brought back."""
    _do("delete", thing, register, as_json=as_json)


@app.command()
def restore(thing: Id, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Bring a deleted record back."""
    _do("bring_back", thing, register, as_json=as_json)


@app.command()
def undo(thing: Id, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Write again what a record held before its last change."""
    _do("undo", thing, register, as_json=as_json)


def _do(what: str, thing: str, register: str | None, *, as_json: bool) -> None:
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data
    from matewindow.register.typedin import kind_of_id

    kind = kind_of_id(thing)
    with opened.open_register(register) as records:
        row = as_data(getattr(records, what)(kind, thing, opened.who()))
    options.show(row, record_tables.record_tables(row), as_json=as_json)


@app.command()
def history(thing: Id, *, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """Show what was done to a record: when, by whom, and what it held before and after."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.register import rows_as_data
    from matewindow.register.typedin import kind_of_id

    kind = kind_of_id(thing)
    with opened.open_register(register) as records:
        report = {"items": rows_as_data(records.history(kind, thing, limit=_ALL))}
    options.show(report, record_tables.history_tables(report), as_json=as_json)
