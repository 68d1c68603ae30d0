"""May a workbook be read? How much it holds, and whether all programs read it alike."""

import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any
from xml.parsers import expat

from dossier.case.tables.raw_table import TableError, index_of

MAX_UNPACKED = 256 * 2**20
MAX_PARTS = 2000
MAX_CELLS = 5_000_000
"""Rows times columns that a sheet may span."""
OTHERS = frozenset({"content.xml", "xl/workbook.bin", "mimetype"})
"""Parts of other kinds of workbook, which would be read by other rules."""
PIECE = 2**18
_CELL = re.compile(r"\$?([A-Za-z]{1,4})\$?([0-9]{1,9})")


@lru_cache(1)  # each of its sheets asks again: nine tenths of reading a book of twelve
def check_workbook(content: bytes) -> None:
    """Raise TableError for an XLSX file that would need more to read than it may.

    Refused are other archives, more than `MAX_UNPACKED` bytes or `MAX_PARTS` parts, document type
    declarations, and sheets that span more than `MAX_CELLS` cells.
    """
    if not content.startswith(b"PK\x03\x04") or content.count(b"PK\x05\x06") != 1:
        raise TableError("", "not an XLSX workbook", "save it again as XLSX")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            if OTHERS & {entry.filename.lower() for entry in entries}:
                raise TableError("", "a workbook of another kind", "save it again as XLSX")
            if len({entry.filename.casefold() for entry in entries}) < len(entries):
                raise TableError("", "has two parts of one name", "save it again as XLSX")
            if len(entries) > MAX_PARTS:
                raise TableError("", f"has {len(entries)} parts", f"at most {MAX_PARTS} are read")
            if (stated := sum(entry.file_size for entry in entries)) > MAX_UNPACKED:
                raise _too_large(stated)
            _look_through(content, entries)
    except (zipfile.BadZipFile, zlib.error, ValueError, EOFError, IndexError) as error:
        words = " ".join(str(error).split())[:80]
        raise TableError("", f"not an XLSX workbook ({words})", "save it again as XLSX") from None


def _too_large(size: int) -> TableError:
    return TableError("", f"unpacks to {size // 2**20} MiB or more", "at most 256 MiB are read")


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
            raise TableError("", what, "save it again as XLSX")


def _unpacked(content: bytes, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield what a part really holds, from its own data, not as long as its header says."""
    start = entry.header_offset
    head = content[start : start + 30]
    if head[:4] != b"PK\x03\x04" or entry.flag_bits & 0x1:
        raise TableError("", "is encrypted or damaged", "save it again as XLSX, without a password")
    start += 30 + int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little")
    packed = memoryview(content)[start : start + entry.compress_size]
    if entry.compress_type == zipfile.ZIP_STORED:
        yield from (bytes(packed[k : k + PIECE]) for k in range(0, len(packed), PIECE))
        return
    if entry.compress_type != zipfile.ZIP_DEFLATED:
        raise TableError("", "is packed in a way that XLSX does not use", "save it again as XLSX")
    unpacker = zlib.decompressobj(-15)
    left: Any = packed
    while not unpacker.eof:
        piece = unpacker.decompress(left, PIECE)
        left = unpacker.unconsumed_tail
        if not piece and not unpacker.eof:
            raise TableError("", "ends too early", "save it again as XLSX")
        yield piece


@dataclass(slots=True)
class _Span:
    """How far the cells of a part reach, and whether each stands there once, with one value."""

    row: int = 0
    column: int = 0
    widest: int = 0
    last: str = ""
    """The element that began last."""
    sheet: bool = False
    seen: set[int] = field(default_factory=set)
    """Columns of the cells of this row; 0 once the last of them has its value."""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.last = kind = name.rpartition(":")[2]
        if kind == "sheetData":
            self.refuse(twice=self.sheet)
            self.sheet = True
        elif kind == "v" and self.sheet:
            self.refuse(twice=0 in self.seen)
            self.seen.add(0)
        elif kind == "row":
            told = attributes.get("r", "")
            row = int(told) if told.isdecimal() and len(told) < 10 else self.row + 1
            self.refuse(twice=self.sheet and row <= self.row)
            self.row, self.column, self.seen = max(self.row + 1, row), 0, set()
        elif kind == "c":
            self._cell(attributes.get("r", ""))

    def _cell(self, told: str) -> None:
        self.column, elsewhere = self.column + 1, False
        found = _CELL.fullmatch(told)
        if found:
            elsewhere = int(found[2]) != self.row
            self.row = max(self.row, int(found[2]))
            self.column = index_of(found[1].upper()) + 1
        self.widest = max(self.widest, self.column)
        if self.row * self.widest > MAX_CELLS:
            what = f"a sheet spans {self.row} rows and {self.widest} columns"
            raise TableError("", what, f"at most {MAX_CELLS} cells; clear the far ones")
        self.refuse(twice=self.sheet and (elsewhere or self.column in self.seen))
        self.seen.discard(0)
        self.seen.add(self.column)

    def refuse(self, *_: object, twice: bool | None = None) -> None:
        """Raise TableError for what programs read differently: a cell twice, a comment in one."""
        if twice or (twice is None and self.sheet and self.last == "v"):
            what = f"what stands in row {self.row} of a sheet is written twice, or with a comment"
            raise TableError("", what, "open and save the workbook in a spreadsheet program")


def _looker(name: str) -> Callable[[bytes, bool], None]:
    """Return a function that takes a part in pieces and refuses what may not be in it."""
    if not name.lower().endswith((".xml", ".rels", ".vml")):
        return lambda piece, last: None
    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = _no_type
    span = _Span()  # whatever its name, a part may be read as a sheet
    parser.StartElementHandler = span.start
    parser.CommentHandler = parser.StartCdataSectionHandler = span.refuse
    parser.ProcessingInstructionHandler = span.refuse

    def look(piece: bytes, last: bool) -> None:
        try:
            parser.Parse(piece, last)
        except (expat.ExpatError, LookupError) as error:
            what = f"its part {name[:60]!r} is not well-formed ({error})"
            raise TableError("", what, "save it again as XLSX") from None

    return look


def _no_type(*_: object) -> None:
    what = "a part declares a document type, which may grow or pull in other files"
    raise TableError("", what, "save it again as XLSX")
