"""From MOSMIX's KMZ file of one station to the words of its elements.

The file is foreign and zipped, so it is read with care. The zip must hold one member, stored or deflated, of at
most ``MAX_KML_BYTES`` once unpacked, which are counted as they come. The XML goes through expat as a stream, and
nothing but what is wanted is kept. A document type declaration is refused at its first character: without one
there are no entities to expand and nothing to be fetched from elsewhere. So no further package is needed.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from typing import IO, TYPE_CHECKING, NoReturn
from xml.parsers import expat

from matewindow.weather.files import fault

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

MAX_KML_BYTES = 4 * 1024 * 1024
"""Some ten times the file of one station with all its elements (114 of 247 values, 11 characters each)."""
AGAIN = "Fetch it again: MOSMIX_L_LATEST_<station>.kmz of a single station."

_MAX_DEPTH = 32
_MAX_TEXT = 64 * 1024  # characters of one element; 247 values take 3000
_CHUNK = 256 * 1024  # large ones: expat goes back to the start of an unfinished tag with every chunk


class Kml:
    """What is wanted of the KML file of one station, filled in as the parser comes by.

    Attributes:
        issued: time of issue, as it stands there.
        steps: times of the values, likewise.
        name: number or code of the station.
        coordinates: longitude, latitude and height, likewise.
        elements: element -> its values, as they stand there.
    """

    def __init__(self, wanted: Collection[str], where: str) -> None:
        self.issued = ""
        self.steps: list[str] = []
        self.name = ""
        self.coordinates = ""
        self.elements: dict[str, list[str]] = {}
        self._wanted, self._where = wanted, where
        self._path: list[str] = []
        self._element = ""
        self._words: list[str] | None = None
        self._n_characters = 0
        self._n_stations = 0

    def parse(self, chunks: Iterable[bytes]) -> None:
        """Let a KML file come by, piece by piece.

        Raises:
            WeatherFileError: see ``read_elements``.
        """
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        try:
            for chunk in chunks:
                parser.Parse(chunk, False)  # noqa: FBT003  it knows no keyword
            parser.Parse(b"", True)  # noqa: FBT003
        except (expat.ExpatError, LookupError, ValueError) as error:
            raise fault(f"its KML is broken ({error})", self._where, AGAIN) from None

    def _refuse_doctype(self, *_: object) -> NoReturn:
        what = "its KML has a document type declaration, which no forecast of the service has"
        raise fault(what, self._where, AGAIN)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        local = tag.rpartition(" ")[2]
        self._path.append(local)
        if len(self._path) > _MAX_DEPTH:
            raise fault("its KML is nested too deeply", self._where, AGAIN)
        if local == "Placemark":
            self._n_stations += 1
            if self._n_stations > 1:
                raise fault("it holds several stations", self._where, AGAIN)
        elif local == "Forecast":
            names = [value for name, value in attributes.items() if name.rpartition(" ")[2] == "elementName"]
            self._element = names[0] if names else ""
        self._words, self._n_characters = ([] if self._is_wanted() else None), 0

    def _text(self, words: str) -> None:
        if self._words is None:
            return
        self._words.append(words)
        self._n_characters += len(words)
        if self._n_characters > _MAX_TEXT:
            raise fault(f"its {self._path[-1]} is longer than that of any forecast", self._where, AGAIN)

    def _end(self, tag: str) -> None:
        local = tag.rpartition(" ")[2]
        if self._words is not None:
            self._keep(local, "".join(self._words).strip())
        self._words = None
        self._path.pop()

    def _is_wanted(self) -> bool:
        match self._path[-2:]:
            case [_, "IssueTime" | "TimeStep"] | ["Placemark", "name"] | ["Point", "coordinates"]:
                return True
            case ["Forecast", "value"]:
                return self._element in self._wanted
        return False

    def _keep(self, local: str, words: str) -> None:
        if local == "TimeStep":
            self.steps.append(words)
        elif local == "IssueTime":
            self.issued = words
        elif local == "name":
            self.name = words
        elif local == "coordinates":
            self.coordinates = words
        elif self._element in self.elements:
            raise fault(f"element {self._element} stands there twice", self._where, AGAIN)
        else:
            self.elements[self._element] = words.split()


def _chunks(unpacked: IO[bytes], where: str) -> Iterator[bytes]:
    """A file piece by piece, and an error when it is longer than any forecast."""
    left = MAX_KML_BYTES
    while chunk := unpacked.read(_CHUNK):
        left -= len(chunk)
        if left < 0:
            what = f"unpacked it has more than {MAX_KML_BYTES // 1024**2} MB, which no forecast of one station has"
            raise fault(what, where, AGAIN)
        yield chunk


def read_elements(data: bytes, wanted: Collection[str], where: str) -> Kml:
    """Unpack the only member of a zip straight into the XML parser.

    Args:
        data: the KMZ file.
        wanted: names of the elements to keep.
        where: its name, for errors.

    Raises:
        WeatherFileError: no zip of one KML file, one that is too large, broken XML or one with a document type,
            several stations, or an element that stands there twice.
    """
    kml = Kml(wanted, where)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            if len(members) != 1 or not members[0].filename.lower().endswith(".kml"):
                raise fault(f"it is a zip of {len(members)} files, not of one KML file", where, AGAIN)
            if members[0].flag_bits & 1 or members[0].compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise fault("its KML file is encrypted, or packed in an unusual way", where, AGAIN)
            with archive.open(members[0]) as unpacked:
                kml.parse(_chunks(unpacked, where))
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError, OverflowError) as error:
        is_text = data.lstrip()[:1] == b"<"
        what = "it is a web page or XML, and no KMZ file" if is_text else f"it is no whole KMZ file ({error})"
        raise fault(what, where, AGAIN) from None
    return kml
