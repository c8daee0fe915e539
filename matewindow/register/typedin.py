"""What somebody types as ``field=value``, as the fields of a record; others may be named by what they are called."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from matewindow.errors import RequestError
from matewindow.register.carried import KIND_OF, from_text
from matewindow.register.ids import PREFIXES, is_id
from matewindow.register.plainrows import find_by_name, no_single
from matewindow.register.records import KINDS
from matewindow.register.rows import PARENTS
from matewindow.register.tables import ENTITIES
from matewindow.wrongvalues import in_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import sqlalchemy as sa
    from pydantic.fields import FieldInfo

    from matewindow.register.database import Database

_SHAPE = "Write it as field=value, such as grafted_on=2026-06-01; put quotes around it if it holds spaces."


def kind_named(word: str) -> str:
    """A kind by its name, in the singular or the plural.

    Raises:
        RequestError: there is none.
    """
    kind = KIND_OF.get(word.lower(), word.lower())
    if kind not in KINDS:
        raise RequestError(f"{word[:40]!r} is no kind of record", where="KIND", fix=f"Give one of {', '.join(KINDS)}.")
    return kind


def kind_of_id(thing: str) -> str:
    """The kind of a record by its id.

    Raises:
        RequestError: the text is no id of a record.
    """
    for kind in KINDS:
        if is_id(thing, kind):
            return kind
    heads = ", ".join(f"{PREFIXES[kind]}_" for kind in KINDS)
    raise RequestError(
        f"{thing[:40]!r} is no id of a record", where="ID", fix=f"Ids begin with {heads}; records list shows them."
    )


def typed_in(database: Database, kind: str, words: Sequence[str], *, clear: bool) -> dict[str, Any]:
    """Fields for ``Register.add`` or ``Register.change``.

    Args:
        database: of the register, for records that are named.
        kind: of ``KINDS``.
        words: each ``field=value``.
        clear: a field without value is set back to null or its default; otherwise it is left out.

    Raises:
        RequestError: a word of another shape, a field twice, or a name that stands for no record or for several.
    """
    fields: dict[str, Any] = {}
    with database.read() as connection:
        for name, text in _pairs(kind, words):
            fields[name] = _value(connection, kind, name, text, fields)
            if text == "" and fields[name] is not None:
                _clear(kind, name, fields, clear=clear)
    return fields


def _pairs(kind: str, words: Sequence[str]) -> list[tuple[str, str]]:
    """Names and texts, the site first: by it others are found."""
    pairs: dict[str, str] = {}
    for word in words:
        name, equals, text = word.partition("=")
        name = name.strip()
        if not equals or not name:
            raise RequestError(f"{word[:40]!r} tells no field", where="field=value", fix=_SHAPE)
        if f"{name}_id" in PARENTS and f"{name}_id" in ENTITIES[kind].c:
            name = f"{name}_id"
        if name in pairs:
            raise RequestError("it is given twice", where=name, fix="Give it once.")
        pairs[name] = text
    return sorted(pairs.items(), key=lambda pair: list(PARENTS).index(pair[0]) if pair[0] in PARENTS else len(PARENTS))


def _value(connection: sa.Connection, kind: str, name: str, text: str, beside: dict[str, Any]) -> Any:  # noqa: ANN401
    """A value as JSON would have it; an unknown field's text, about which the register complains."""
    if name not in KINDS[kind].model_fields:
        return text
    parent = PARENTS.get(name)
    if parent is not None and text and not is_id(text, parent):
        return id_of(connection, parent, text, beside, where=name)
    return from_text(ENTITIES[kind].c[name], text)


def _clear(kind: str, name: str, fields: dict[str, Any], *, clear: bool) -> None:
    """A field that may not be null and got no value: its default, if it has one."""
    field = KINDS[kind].model_fields.get(name)
    if field is None or field.is_required():
        return
    if clear:
        fields[name] = field.get_default(call_default_factory=True)
    else:
        del fields[name]


def id_of(connection: sa.Connection, kind: str, text: str, beside: dict[str, Any] | None = None, *, where: str) -> str:
    """The id of a record by its id or by what it is called.

    Args:
        connection: of the register.
        kind: of ``KINDS``.
        text: id or name.
        beside: other fields, such as the site, by which records of one name are told apart.
        where: option or field, for errors.

    Raises:
        RequestError: no record is called so, or several are.
    """
    if is_id(text, kind):
        return text
    found = find_by_name(connection, kind, text, beside or {})
    if len(found) != 1:
        what, fix = no_single(kind, text, found)
        raise RequestError(what, where=where, fix=fix if found else "Give its id, or its name letter by letter.")
    return found[0]


def wanted_fields(database: Database, kind: str, words: Sequence[str]) -> dict[str, Any]:
    """Values to look for, as the database has them.

    Raises:
        RequestError: no field of the kind, or no value of it.
    """
    fields = typed_in(database, kind, words, clear=True)
    wanted: dict[str, Any] = {}
    for name, value in fields.items():
        field = KINDS[kind].model_fields.get(name)
        if field is None or name == "thresholds":
            known = ", ".join(n for n in KINDS[kind].model_fields if n != "thresholds")
            raise RequestError(f"{name[:40]!r} cannot be looked for", where="--where", fix=f"The fields are {known}.")
        try:
            adapter: TypeAdapter[Any] = TypeAdapter[Any](_type_of(field), config=ConfigDict(strict=True))
            wanted[name] = adapter.validate_python(value)
        except ValidationError as fault:
            said = in_words(fault.errors(include_url=False, include_input=False)[0])
            what = f"{str(value)[:40]!r} is no value of it ({said})"
            raise RequestError(what, where=name, fix="") from None
    return wanted


def _type_of(field: FieldInfo) -> Any:  # noqa: ANN401  a type
    """The type of a field with all that is asked of its values."""
    whole: Any = field.annotation
    for rule in field.metadata:
        whole = Annotated[whole, rule]
    return whole
