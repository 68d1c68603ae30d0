"""What a sheet of a workbook says besides its values: hidden rows, errors, formulas."""

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

from dossier.case.tables.raw_table import TableError, index_of
from dossier.case.tables.written import shown_beside, vanishing
from dossier.case.units import vanishes

MAX_BOOK = 4 * 2**20

_REFERENCE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")
_NUMBER = re.compile(r"[+-]?[0-9]*[.]?[0-9]+([eE][+-]?[0-9]{1,9})?")
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(slots=True)
class SheetMarks:
    """Marks of one sheet; rows and columns are counted from 1 and from 0 as in their cells."""

    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)
    """First and last index, counted from 0."""
    errors: list[tuple[int, int]] = field(default_factory=list)
    """Row, and index of the column, of cells that hold an error."""
    unvalued: list[tuple[int, int]] = field(default_factory=list)
    """The same of formulas without a stored value."""
    vanishing: list[tuple[int, int]] = field(default_factory=list)
    """The same of numbers too small to be held."""
    percent: list[tuple[int, int]] = field(default_factory=list)
    """The same of numbers that are shown as a percentage."""
    struck: list[tuple[int, int]] = field(default_factory=list)
    """The same of values that are shown with a line through them."""
    notes: dict[tuple[int, int], str] = field(default_factory=dict)
    """The same of cells with a note -> its words."""
    beside: dict[tuple[int, int], str] = field(default_factory=dict)
    """The same of cells whose number format shows more than the number -> what it shows."""

    def turn(self) -> "SheetMarks":
        """Return the marks of the sheet with rows and columns exchanged."""
        turned: dict[str, Any] = {
            name: [(column + 1, row - 1) for row, column in getattr(self, name)]
            for name in ("errors", "unvalued", "vanishing", "percent", "struck")
        }
        for name in ("notes", "beside"):
            each = getattr(self, name).items()
            turned[name] = {(column + 1, row - 1): text for (row, column), text in each}
        columns = {k + 1 for a, b in self.hidden_columns for k in range(a, min(b, 2**14) + 1)}
        rows = [(row - 1, row - 1) for row in self.hidden_rows]
        return SheetMarks(hidden_rows=columns, hidden_columns=rows, **turned)

    def hides(self, column: int) -> bool:
        """Return whether the column of that index, counted from 0, is hidden."""
        return any(first <= column <= last for first, last in self.hidden_columns)


def sheet_marks(content: bytes, sheet: str) -> SheetMarks:
    """Return the marks of a sheet of the workbook `content`.

    `content` has passed `check_workbook`.  Raises TableError where it is no workbook after all.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            member = _member(archive, sheet)
            text, styles = archive.read(member), _styles(archive)
            notes = dict(_notes(archive, member))
    except (zipfile.BadZipFile, KeyError, NotImplementedError, RuntimeError, OSError, EOFError):
        raise TableError("", "not an XLSX workbook", "save it again as XLSX") from None
    except (ElementTree.ParseError, zipfile.error, ValueError) as error:
        raise _broken(error) from None
    marks = _marks(text, styles)
    marks.notes = notes
    return marks


def _notes(archive: zipfile.ZipFile, member: str) -> Iterator[tuple[tuple[int, int], str]]:
    """Yield row and index of the column of each cell with a note, and the words of it."""
    folder, name = posixpath.split(member)
    related = f"{folder}/_rels/{name}.rels"
    for each in _tree(archive, related).iter() if related in archive.namelist() else ():
        if each.get("Type", "").endswith("/comments"):
            part = posixpath.normpath(posixpath.join("/", folder, each.get("Target", "")))[1:]
            for note in _inside(_tree(archive, part), "comment"):
                words = " ".join("".join(e.text or "" for e in _inside(note, "t")).split())
                if match := _REFERENCE.fullmatch(note.get("ref", "")):
                    yield (int(match[2]), index_of(match[1])), words


MONEY = dict.fromkeys(("5", "6", "7", "8", "42", "44"), '"$"0')
"""Formats without a code of their own that show a currency (ECMA-376-1, 18.8.30, from memory)."""


@dataclass(frozen=True, slots=True)
class Styles:
    """Styles of cells, as their `s`: what each does to a value."""

    percent: frozenset[str] = frozenset()
    struck: frozenset[str] = frozenset()
    odd: dict[str, str] = field(default_factory=dict)
    """Style -> number format, where it may show more than the number."""


def _styles(archive: zipfile.ZipFile) -> Styles:
    if "xl/styles.xml" not in archive.namelist():
        return Styles()
    tree = _tree(archive, "xl/styles.xml")
    own = {each.get("numFmtId"): each.get("formatCode", "") for each in _inside(tree, "numFmt")}
    bare = {number: re.sub(r'"[^"]*"|\\.', "", code) for number, code in own.items()}
    formats = {"9", "10"} | {number for number, code in bare.items() if "%" in code}
    fonts = enumerate(next(_inside(tree, "fonts"), ()))
    lined = {str(n) for n, font in fonts for e in _inside(font, "strike") if e.get("val") != "0"}
    cells = [(str(n), each) for n, each in enumerate(next(_inside(tree, "cellXfs"), ()))]
    codes = {style: (MONEY | own).get(each.get("numFmtId")) or "0" for style, each in cells}
    odd = {k: code for k, code in codes.items() if any(shown_beside(code, each) for each in "+-0@")}
    percent = frozenset(style for style, each in cells if each.get("numFmtId") in formats)
    return Styles(percent, frozenset(style for style, e in cells if e.get("fontId") in lined), odd)


def _inside(tree: Any, name: str) -> Iterator[Any]:
    return (each for each in tree.iter() if each.tag.rpartition("}")[2] == name)


def _broken(error: Exception) -> TableError:
    return TableError("", f"not a readable workbook ({error})", "save it again as XLSX")


def _member(archive: zipfile.ZipFile, sheet: str) -> str:
    """Return the name of the part that holds a sheet; TableError lists those there are."""
    book = _tree(archive, "xl/workbook.xml")
    found = [each for each in book.iter() if each.tag.endswith("}sheet") or each.tag == "sheet"]
    names = {str(each.get("name")): each for each in found}
    if sheet not in names:
        hint = f"the workbook has {', '.join(map(repr, list(names)[:20]))}"
        raise TableError(f"sheet {sheet!r}", "no such sheet", hint)
    if names[sheet].get("state", "visible") != "visible":
        hint = "show it in the workbook, or name another sheet"
        raise TableError(f"sheet {sheet!r}", "is hidden", hint)
    identifier = names[sheet].get(_RELATION) or names[sheet].get("id") or ""
    for each in _tree(archive, "xl/_rels/workbook.xml.rels").iter():
        if each.get("Id") == identifier:
            target = str(each.get("Target"))
            return target[1:] if target.startswith("/") else f"xl/{target}"
    raise KeyError(identifier)


def _tree(archive: zipfile.ZipFile, name: str) -> Any:
    if archive.getinfo(name).file_size > MAX_BOOK:
        raise TableError("", f"its part {name} is too large", "save it again as XLSX")
    text = archive.read(name)
    _refuse_declarations(text)
    return ElementTree.fromstring(text)


def _refuse_declarations(text: bytes) -> None:
    if b"<!" in text.replace(b"<!--", b"").replace(b"<![CDATA[", b""):
        raise TableError("", "holds XML declarations", "save it again as XLSX")


def _marks(text: bytes, styles: Styles) -> SheetMarks:
    marks = SheetMarks()
    words = (b"hidden", b'ht="0"', b'width="0"', b"<f", b":f", b'"e"', b"'e'")
    if text[:2] not in {b"\xff\xfe", b"\xfe\xff"} and not (
        any(word in text for word in words) or vanishing(text) or styles != Styles()
    ):
        return marks
    _refuse_declarations(text)
    try:
        _Scan(marks, styles).run(text)
    except expat.ExpatError as error:
        raise _broken(error) from None
    return marks


class _Scan:
    """One pass over the elements of a sheet."""

    def __init__(self, marks: SheetMarks, styles: Styles) -> None:
        self.marks, self.styles = marks, styles
        self.row = 0
        self.column = -1
        self.formula = self.valued = self.inside = False
        self.kind, self.text, self.style = "n", "", ""

    def run(self, text: bytes) -> None:
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._data
        parser.Parse(text, True)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(" ")[2]
        if name == "c":
            self._cell(attributes)
        elif name == "f":
            self.formula = True
        elif name == "v":
            self.inside, self.text = True, ""
            self.valued = self.kind == "str"
        elif name == "row":
            self.row = int(attributes.get("r", self.row + 1))
            self.column = -1
            if _true(attributes.get("hidden")) or attributes.get("ht") == "0":
                self.marks.hidden_rows.add(self.row)
        elif name == "col" and (_true(attributes.get("hidden")) or attributes.get("width") == "0"):
            span = int(attributes["min"]) - 1, int(attributes["max"]) - 1
            self.marks.hidden_columns.append(span)

    def _cell(self, attributes: dict[str, str]) -> None:
        self.kind = attributes.get("t", "n")
        self.formula = self.valued = False
        self.text = ""
        match = _REFERENCE.fullmatch(attributes.get("r", ""))
        self.column = index_of(match[1]) if match else self.column + 1
        self.style = attributes.get("s", "")
        if self.kind == "n" and self.style in self.styles.percent:
            self.marks.percent.append((self.row, self.column))
        if self.kind == "e":
            self.marks.errors.append((self.row, self.column))

    def _end(self, tag: str) -> None:
        name = tag.rpartition(" ")[2]
        if name == "v":
            self.inside = False
            if self.style in self.styles.struck:
                self.marks.struck.append((self.row, self.column))
            if self.kind == "n" and _NUMBER.fullmatch(self.text) and vanishes(self.text):
                self.marks.vanishing.append((self.row, self.column))
        elif name == "c":
            if self.style in self.styles.odd and (self.text or self.kind != "n"):
                self._beside()
            if self.formula and not self.valued:
                self.marks.unvalued.append((self.row, self.column))
            self.formula = False

    def _beside(self) -> None:
        number = self.text if self.kind == "n" and _NUMBER.fullmatch(self.text) else ""
        sign = (float(number) > 0) - (float(number) < 0) if number else None
        kind = {1: "+", -1: "-", 0: "0", None: "@"}[sign]
        if words := shown_beside(self.styles.odd[self.style], kind):
            self.marks.beside[self.row, self.column] = words

    def _data(self, data: str) -> None:
        if self.inside and data.strip():
            self.valued = True
            self.text = (self.text + data)[:400]


def _true(text: str | None) -> bool:
    return text in {"1", "true"}


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
                self.column = max(self.column, index_of(found[1].upper()) + 1)
            self.widest = max(self.widest, self.column)
            if self.row * self.widest > MAX_CELLS:
                what = f"a sheet spans {self.row} rows and {self.widest} columns"
                raise TableError("", what, f"at most {MAX_CELLS} cells; clear the far ones")


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
        except (expat.ExpatError, LookupError) as error:
            what = f"its part {name[:60]!r} is not well-formed ({error})"
            raise TableError("", what, "save it again as XLSX") from None

    return look


def _no_type(*_: object) -> None:
    what = "a part declares a document type, which may grow or pull in other files"
    raise TableError("", what, "save it again as XLSX")
