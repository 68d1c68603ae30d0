"""What a sheet of a workbook says besides its values: hidden rows, errors, formulas."""

import io
import posixpath
import re
import zipfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal
from xml.etree import ElementTree
from xml.parsers import expat

from dossier.case.tables.raw_table import TableError, index_of
from dossier.case.tables.written import shown_beside, vanishing
from dossier.case.units import vanishes

MAX_BOOK = 4 * 2**20

_REFERENCE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")
_NUMBER = re.compile(r"[+-]?[0-9]*[.]?[0-9]+([eE][+-]?[0-9]{1,9})?")
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


Cell = tuple[int, int]
"""Row, counted from 1, and index of the column, counted from 0."""
Mark = Literal["error", "formula", "unvalued", "vanishing", "percent", "struck", "faint"]
"""An error; a formula; one without a stored value; a number too small to be held, or shown as a
percentage; a value with a line through it; one that is raised or struck out in part, or white."""


@dataclass(slots=True)
class SheetMarks:
    """Marks of one sheet; rows and columns are counted from 1 and from 0 as in their cells."""

    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)
    """First and last index, counted from 0."""
    cells: dict[Mark, list[Cell]] = field(default_factory=lambda: defaultdict(list))
    """What is marked -> its cells."""
    notes: dict[Cell, str] = field(default_factory=dict)
    """Cells with a note -> its words."""
    beside: dict[Cell, str] = field(default_factory=dict)
    """Cells whose number format shows more than the number -> what it shows."""
    changing: list[tuple[int, int, int, int]] = field(default_factory=list)
    """First row and column, last row and column of cells that a condition shows otherwise."""

    def turn(self) -> "SheetMarks":
        """Return the marks of the sheet with rows and columns exchanged."""
        turned = SheetMarks(hidden_columns=[(row - 1, row - 1) for row in self.hidden_rows])
        for first, last in self.hidden_columns:
            turned.hidden_rows.update(range(first + 1, min(last, 2**14) + 2))
        turned.changing = [(b + 1, a - 1, d + 1, c - 1) for a, b, c, d in self.changing]
        for mark, cells in self.cells.items():
            turned.cells[mark] = [(column + 1, row - 1) for row, column in cells]
        for own, other in ((turned.notes, self.notes), (turned.beside, self.beside)):
            own |= {(column + 1, row - 1): text for (row, column), text in other.items()}
        return turned

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


def _notes(archive: zipfile.ZipFile, member: str) -> Iterator[tuple[Cell, str]]:
    """Yield each cell with a note, and the words of it."""
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
    white: frozenset[str] = frozenset()
    drawn: frozenset[str] = frozenset()
    """Shared texts, by their number, with letters that are raised or struck out."""
    odd: dict[str, str] = field(default_factory=dict)
    """Style -> number format, where it may show more than the number."""
    changing: frozenset[str] = frozenset()
    """Differential styles, as their `dxfId`, that show a number otherwise, or not at all."""


def _styles(archive: zipfile.ZipFile) -> Styles:
    if "xl/styles.xml" not in archive.namelist():
        return Styles()
    tree = _tree(archive, "xl/styles.xml")
    listed = _inside(next(_inside(tree, "numFmts"), tree), "numFmt")
    own = {each.get("numFmtId"): each.get("formatCode", "") for each in listed}
    bare = {number: re.sub(r'"[^"]*"|\\.', "", code) for number, code in own.items()}
    formats = {"9", "10"} | {number for number, code in bare.items() if "%" in code}
    cells = [(str(n), each) for n, each in enumerate(next(_inside(tree, "cellXfs"), ()))]
    pale, lined = _those(tree, "fonts", _pale), _those(tree, "fonts", _lined)
    clear = _those(tree, "fills", lambda fill: _clear(fill, "fgColor", "color"))
    white = (k for k, e in cells if e.get("fontId") in pale and e.get("fillId", "0") in clear)
    codes = {style: (MONEY | own).get(each.get("numFmtId")) or "0" for style, each in cells}
    odd = {k: code for k, code in codes.items() if any(shown_beside(code, each) for each in "+-0@")}
    percent = frozenset(style for style, each in cells if each.get("numFmtId") in formats)
    struck = frozenset(style for style, each in cells if each.get("fontId") in lined)
    changing = _those(tree, "dxfs", _changes)
    return Styles(percent, struck, frozenset(white), _drawn(archive), odd, changing)


def _those(tree: Any, group: str, holds: Callable[[Any], bool]) -> frozenset[str]:
    """Return the numbers of the elements of a group of which something holds."""
    each = enumerate(next(_inside(tree, group), ()))
    return frozenset(str(n) for n, element in each if holds(element))


def _changes(style: Any) -> bool:
    """Return whether a differential style shows a number otherwise, strikes it out or hides it."""
    codes = [each.get("formatCode", "") for each in _inside(style, "numFmt")]
    told = any("%" in code or shown_beside(code, kind) for code in codes for kind in "+-0")
    hidden = _pale(style) and _clear(style, "fgColor", "bgColor")
    return told or hidden or _lined(style)


def _lined(part: Any) -> bool:
    return any(each.get("val") != "0" for each in _inside(part, "strike"))


def _pale(part: Any) -> bool:
    return any(_white(each) for font in _inside(part, "font") for each in _inside(font, "color"))


def _clear(part: Any, *named: str) -> bool:
    fills = (e for fill in _inside(part, "fill") for e in fill.iter() if _called(e) in named)
    return all(map(_white, fills))


def _white(color: Any) -> bool:
    told = color.get("theme") == "0" or color.get("indexed") in {"1", "9"}
    return bool(told or color.get("rgb", "")[-6:].upper() == "FFFFFF")


def _drawn(archive: zipfile.ZipFile) -> frozenset[str]:
    part = "xl/sharedStrings.xml"
    text = archive.read(part) if part in archive.namelist() else b""
    tree = _tree(archive, part) if b"strike" in text or b"vertAlign" in text else ()
    marked = {"strike", "vertAlign"}
    drawn = (n for n, each in enumerate(tree) for e in each.iter() if _called(e) in marked)
    return frozenset(map(str, drawn))


def _inside(tree: Any, name: str) -> Iterator[Any]:
    return (each for each in tree.iter() if _called(each) == name)


def _called(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]


def _broken(error: Exception) -> TableError:
    return TableError("", f"not a readable workbook ({error})", "save it again as XLSX")


def _member(archive: zipfile.ZipFile, sheet: str) -> str:
    """Return the name of the part that holds a sheet; TableError lists those there are."""
    book = _tree(archive, "xl/workbook.xml")
    found = [each for each in book.iter() if each.tag.endswith("}sheet") or each.tag == "sheet"]
    names = {str(each.get("name")): each for each in found}
    if len(names) < len(found):
        raise TableError("", "has two sheets of one name", "name them apart")
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
    words = (b"hidden", b'ht="0"', b'width="0"', b"<f", b":f", b'"e"', b"'e'", b"strike", b"vertA",
             b"showValue")  # fmt: skip
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
        self.under = ""
        """Cells that the conditional format which is read is for."""

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
            self._mark("formula")
        elif name == "v":
            self.inside, self.text = True, ""
            self.valued = self.kind == "str"
        elif name in {"strike", "vertAlign"}:
            self._mark("faint")
        elif name == "conditionalFormatting":
            self.under = attributes.get("sqref", "")
        elif attributes.get("dxfId") in self.styles.changing or attributes.get("showValue") == "0":
            self.marks.changing += map(_corners, self.under.split())
        elif name == "numFmt":  # of a condition of the newer kind, which names its cells behind it
            self.marks.changing.append(_corners(""))
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
            self._mark("percent")
        if self.kind == "e":
            self._mark("error")

    def _mark(self, mark: Mark) -> None:
        self.marks.cells[mark].append((self.row, self.column))

    def _end(self, tag: str) -> None:
        name = tag.rpartition(" ")[2]
        if name == "v":
            self.inside = False
            if self.style in self.styles.struck:
                self._mark("struck")
            shared = self.kind == "s" and self.text in self.styles.drawn
            if shared or self.style in self.styles.white:
                self._mark("faint")
            if self.kind == "n" and _NUMBER.fullmatch(self.text) and vanishes(self.text):
                self._mark("vanishing")
        elif name == "c":
            if self.style in self.styles.odd and (self.text or self.kind != "n"):
                self._beside()
            if self.formula and not self.valued:
                self._mark("unvalued")
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


def _corners(cells: str) -> tuple[int, int, int, int]:
    """Return first row and column, last row and column of a range such as "B2:B9" or "B2"."""
    found = _REFERENCE.findall(cells) or [("A", 1), ("XFD", 2**20)]
    (left, top), (right, bottom) = found[0], found[-1]
    return int(top), index_of(left), int(bottom), index_of(right)


def _true(text: str | None) -> bool:
    return text in {"1", "true"}
