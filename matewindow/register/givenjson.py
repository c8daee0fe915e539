"""Reading an export in JSON piece by piece, so that a large one needs no large memory.

The standard library's parser reads one record at a time; what is done here is only to find where each begins.
"""

from __future__ import annotations

import codecs
import hashlib
import json
from typing import TYPE_CHECKING, Any

from matewindow.register.carried import FORMAT, TABLES, VERSION
from matewindow.register.given import Given, Meter, UnreadableError
from matewindow.register.migrating import HEAD
from matewindow.register.problems import Place

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import BinaryIO

    from matewindow.register.problems import Problems

_CHUNK = 1 << 20
LONGEST = 32_000_000
"""Characters of one record."""
_CUT = 16
"""So near to the end of what was read a fault may only mean that more is to come."""
_SPACE = " \t\r\n"
_EDITED = 'Get it once more; if you edited it on purpose, take the line "sha256" out.'


class _Text:
    """The text of a file as far as it was read."""

    def __init__(self, stream: BinaryIO, meter: Meter) -> None:
        self._stream, self._meter = stream, meter
        self._decoder = codecs.getincrementaldecoder("utf-8-sig")()
        self._text, self._at, self._ended = "", 0, False
        self.twice: list[str] = []
        self._json = json.JSONDecoder(object_pairs_hook=self._object)

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) < len(pairs):
            names = [name for name, _ in pairs]
            self.twice += [name for name in made if names.count(name) > 1]
        return made

    def _more(self, wanted: int = 1) -> bool:
        """Read on; whether anything came."""
        before = len(self._text) - self._at
        self._text, self._at = self._text[self._at :], 0
        while not self._ended and len(self._text) - before < wanted:
            data = self._stream.read(_CHUNK)
            self._meter.count(len(data))
            self._ended = not data
            try:
                self._text += self._decoder.decode(data, final=self._ended)
            except UnicodeDecodeError as fault:
                raise UnreadableError("it is not UTF-8 text", "Save it as UTF-8.") from fault
        return len(self._text) > before

    def peek(self) -> str:
        """The next character that is no white space; empty at the end."""
        while True:
            while self._at < len(self._text):
                if self._text[self._at] not in _SPACE:
                    return self._text[self._at]
                self._at += 1
            if not self._more():
                return ""

    def take(self, wanted: str) -> str:
        """The next character, which must be one of these."""
        found = self.peek()
        if not found:
            raise UnreadableError("it ends too early", "Get it once more: it was cut short.")
        if found not in wanted:
            raise UnreadableError(f"it is no JSON: {found!r} stands where {' or '.join(wanted)} should be", "")
        self._at += 1
        return found

    def value(self) -> tuple[Any, str]:
        """The next value, and how it was written."""
        self.twice.clear()
        if not self.peek():
            raise UnreadableError("it ends too early", "Get it once more: it was cut short.")
        while True:
            try:
                value, end = self._json.raw_decode(self._text, self._at)
            except json.JSONDecodeError as fault:
                early = fault.pos < len(self._text) - _CUT and not fault.msg.startswith("Unterminated string")
                if early or not self._longer():
                    what = "it ends too early" if self._ended and not early else f"it is no JSON: {fault.msg.lower()}"
                    raise UnreadableError(what, "") from None
            except (ValueError, RecursionError):
                raise UnreadableError("it holds a number or a nesting without end", "") from None
            else:
                if end < len(self._text) or self._ended or not self._more():
                    written = self._text[self._at : end]
                    self._at = end
                    return value, written

    def _longer(self) -> bool:
        size = len(self._text) - self._at
        if size > LONGEST:
            raise UnreadableError(f"a record is longer than {LONGEST:,} characters", "")
        return self._more(max(size, 1))


def json_rows(stream: BinaryIO, file: str, problems: Problems, meter: Meter) -> Iterator[Given]:
    """The rows of an export in JSON; what is wrong with the file goes to the problems.

    Args:
        stream: the file, open for reading.
        file: its name.
        problems: where to put them.
        meter: counts bytes.
    """
    reader = _Reader(_Text(stream, meter), file, problems)
    try:
        yield from reader.rows()
    except UnreadableError as fault:
        problems.add(reader.place, "", str(fault), fault.fix)


class _Reader:
    def __init__(self, text: _Text, file: str, problems: Problems) -> None:
        self._text, self._file, self._problems = text, file, problems
        self.place = Place(0, 0, file, "")
        self._head: dict[str, Any] = {}
        self._counts: dict[str, int] = {}
        self._seal = hashlib.sha256()

    def rows(self) -> Iterator[Given]:
        """The envelope, and the rows in it."""
        for name in self._members():
            if name == "tables":
                self._check_head()
                for table in self._members():
                    yield from self._table(table)
                self.place = Place(0, 0, self._file, "")
            else:
                self._head[name] = self._text.value()[0]
        if self._text.peek():
            raise UnreadableError("something follows after its end", "")
        if not self._counts:
            self._check_head()
        self._check_tail()

    def _members(self) -> Iterator[str]:
        """The names in an object, each standing before its value."""
        self._text.take("{")
        if self._text.peek() == "}":
            self._text.take("}")
            return
        seen = set()
        while True:
            name = self._text.value()[0]
            if not isinstance(name, str) or name in seen:
                raise UnreadableError(f"a name is wanted where {str(name)[:40]!r} stands", "")
            seen.add(name)
            self._text.take(":")
            yield name
            if self._text.take(",}") == "}":
                return

    def _check_head(self) -> None:
        if self._head.get("format") != FORMAT:
            raise UnreadableError(f'it is no export of a register: "format" must be "{FORMAT}" and stand first', "")
        version, schema = self._head.get("version"), self._head.get("schema", HEAD)
        if version != VERSION or not isinstance(schema, str) or schema > HEAD:
            raise UnreadableError("it was written by another version of matewindow", "Install that version, or newer.")

    def _table(self, table: str) -> Iterator[Given]:
        order = len(self._counts) + 1
        self.place = Place(order, 0, self._file, table)
        self._seal.update(f"{table}\n".encode())
        self._counts[table] = 0
        known = table in TABLES
        if not known:
            self._problems.add(self.place, "", "there is no such table", f"There are {', '.join(TABLES)}.")
        self._text.take("[")
        if self._text.peek() == "]":
            self._text.take("]")
            return
        while True:
            self._counts[table] += 1
            self.place = Place(order, self._counts[table], self._file, table)
            raw, written = self._text.value()
            self._seal.update(f"{written}\n".encode("utf-8", "surrogatepass"))
            if not isinstance(raw, dict):
                self._problems.add(self.place, "", "a record in braces is wanted")
            elif known:
                for name in dict.fromkeys(self._text.twice):
                    self._problems.add(self.place, name[:64], "is given twice")
                yield Given(self.place, table, raw)
            if self._text.take(",]") == "]":
                return

    def _check_tail(self) -> None:
        """Whether all that was written came, unless somebody took the seal away."""
        counts, seal = self._head.get("rows"), self._head.get("sha256")
        if isinstance(counts, dict) and seal is not None and counts != self._counts:
            raise UnreadableError("it does not hold as many records as it says", _EDITED)
        if seal is not None and seal != self._seal.hexdigest():
            raise UnreadableError("it is not as it was exported: it was damaged or edited", _EDITED)
