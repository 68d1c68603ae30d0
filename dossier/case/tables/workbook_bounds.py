"""A workbook before it is read: its parts unpacked within bounds, whatever its headers claim.

The size in a ZIP header can lie, a sheet of two cells can span seventeen thousand million, and a
part can declare entities that grow: so each part is unpacked in pieces and looked through once.
"""

import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any
from xml.parsers import expat

MAX_UNPACKED = 256 * 2**20
MAX_PARTS = 2000
MAX_CELLS = 5_000_000
"""Rows times columns that a sheet may span."""
OTHERS = frozenset({"content.xml", "xl/workbook.bin", "mimetype"})
"""Parts of other kinds of workbook, which would be read by other rules."""
PIECE = 2**18
_CELL = re.compile(r"\$?([A-Za-z]{1,4})\$?([0-9]{1,9})")


class BoundsError(Exception):
    """A workbook that is not read; carries what is wrong and what to do."""

    def __init__(self, what: str, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(what)


def check_workbook(content: bytes) -> None:
    """Raise BoundsError for an XLSX file that would need more to read than it may.

    Refused are other archives, more than `MAX_UNPACKED` bytes or `MAX_PARTS` parts, document type
    declarations, and sheets that span more than `MAX_CELLS` cells.
    """
    if not content.startswith(b"PK\x03\x04") or content.count(b"PK\x05\x06") != 1:
        raise BoundsError("not an XLSX workbook", "save it again as XLSX")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            if OTHERS & {entry.filename.lower() for entry in entries}:
                raise BoundsError("a workbook of another kind", "save it again as XLSX")
            if len(entries) > MAX_PARTS:
                raise BoundsError(f"has {len(entries)} parts", f"at most {MAX_PARTS} are read")
            stated = sum(entry.file_size for entry in entries)
            if stated > MAX_UNPACKED:
                raise _too_large(stated)
            _look_through(content, entries)
    except (zipfile.BadZipFile, zlib.error, ValueError, EOFError, IndexError) as error:
        words = " ".join(str(error).split())[:80]
        raise BoundsError(f"not an XLSX workbook ({words})", "save it again as XLSX") from None


def _too_large(size: int) -> BoundsError:
    return BoundsError(f"unpacks to {size // 2**20} MiB or more", "at most 256 MiB are read")


def _look_through(content: bytes, entries: list[zipfile.ZipInfo]) -> None:
    total = 0
    for entry in entries:
        look = _looker(entry.filename)
        size = 0
        for piece in _unpacked(content, entry):
            size += len(piece)
            total += len(piece)
            if total > MAX_UNPACKED:
                raise _too_large(total)
            look(piece, False)
        look(b"", True)
        if size != entry.file_size:
            what = f"its part {entry.filename[:60]!r} has another size than its header states"
            raise BoundsError(what, "save it again as XLSX")


def _unpacked(content: bytes, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield what a part really holds, from its own data, not as long as its header says."""
    start = entry.header_offset
    head = content[start : start + 30]
    if head[:4] != b"PK\x03\x04" or entry.flag_bits & 0x1:
        raise BoundsError("is encrypted or damaged", "save it again as XLSX, without a password")
    start += 30 + int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little")
    packed = memoryview(content)[start : start + entry.compress_size]
    if entry.compress_type == zipfile.ZIP_STORED:
        yield from (bytes(packed[k : k + PIECE]) for k in range(0, len(packed), PIECE))
        return
    if entry.compress_type != zipfile.ZIP_DEFLATED:
        raise BoundsError("is packed in a way that XLSX does not use", "save it again as XLSX")
    unpacker = zlib.decompressobj(-15)
    left: Any = packed
    while not unpacker.eof:
        piece = unpacker.decompress(left, PIECE)
        left = unpacker.unconsumed_tail
        if not piece and not unpacker.eof:
            raise BoundsError("ends too early", "save it again as XLSX")
        yield piece


@dataclass(slots=True)
class _Span:
    """How far the cells of a part reach."""

    row: int = 0
    column: int = 0
    widest: int = 0

    def start(self, name: str, attributes: dict[str, str]) -> None:
        kind = name.rpartition(":")[2]
        if kind == "row":
            told = attributes.get("r", "")
            self.row = max(self.row + 1, int(told) if told.isdecimal() and len(told) < 10 else 0)
            self.column = 0
        elif kind == "c":
            self.column += 1
            found = _CELL.fullmatch(attributes.get("r", ""))
            if found:
                self.row = max(self.row, int(found[2]))
                self.column = max(self.column, _column(found[1]))
            self.widest = max(self.widest, self.column)
            if self.row * self.widest > MAX_CELLS:
                what = f"a sheet spans {self.row} rows and {self.widest} columns"
                raise BoundsError(what, f"at most {MAX_CELLS} cells; clear the far ones")


def _column(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + ord(letter) - 64
    return number


def _looker(name: str) -> Callable[[bytes, bool], None]:
    """Return a function that takes a part in pieces and refuses what may not be in it."""
    if not name.lower().endswith((".xml", ".rels", ".vml")):
        return lambda piece, last: None
    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = _no_type
    parser.StartElementHandler = _Span().start  # whatever its name, a part may be read as a sheet

    def look(piece: bytes, last: bool) -> None:
        try:
            parser.Parse(piece, last)
        except expat.ExpatError as error:
            raise BoundsError(
                f"its part {name[:60]!r} is not well-formed ({error})", "save it again as XLSX"
            ) from None

    return look


def _no_type(*_: object) -> None:
    what = "a part declares a document type, which may grow or pull in other files"
    raise BoundsError(what, "save it again as XLSX")
