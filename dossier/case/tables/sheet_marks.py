"""What a sheet of a workbook says besides its values: hidden rows, errors, formulas."""

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

from dossier.case.tables.numerals import vanishing
from dossier.case.tables.raw_table import TableError
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

    def hides(self, column: int) -> bool:
        """Return whether the column of that index, counted from 0, is hidden."""
        return any(first <= column <= last for first, last in self.hidden_columns)


def sheet_marks(content: bytes, sheet: str) -> SheetMarks:
    """Return the marks of a sheet of the workbook `content`.

    `content` has passed `check_workbook`.  Raises TableError where it is no workbook after all.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            text = archive.read(_member(archive, sheet))
            percent = _percent_styles(archive)
    except (zipfile.BadZipFile, KeyError, NotImplementedError, RuntimeError, OSError, EOFError):
        raise TableError("", "not an XLSX workbook", "save it again as XLSX") from None
    except (ElementTree.ParseError, zipfile.error, ValueError) as error:
        raise _broken(error) from None
    return _marks(text, percent)


def _percent_styles(archive: zipfile.ZipFile) -> frozenset[str]:
    """Return the styles of cells, as their `s`, that show a number as a percentage."""
    if "xl/styles.xml" not in archive.namelist():
        return frozenset()
    tree = _tree(archive, "xl/styles.xml")
    own = {each.get("numFmtId"): each.get("formatCode", "") for each in _inside(tree, "numFmt")}
    formats = {"9", "10"} | {number for number, code in own.items() if "%" in code}
    cells = next(_inside(tree, "cellXfs"), ())
    return frozenset(str(n) for n, each in enumerate(cells) if each.get("numFmtId") in formats)


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
        raise TableError(
            f"sheet {sheet!r}", "is hidden", "show it in the workbook, or name another sheet"
        )
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


def _marks(text: bytes, percent: frozenset[str]) -> SheetMarks:
    marks = SheetMarks()
    words = (b"hidden", b"<f", b":f", b'"e"', b"'e'")
    if text[:2] not in {b"\xff\xfe", b"\xfe\xff"} and not (
        any(word in text for word in words) or vanishing(text) or percent
    ):
        return marks
    _refuse_declarations(text)
    try:
        _Scan(marks, percent).run(text)
    except expat.ExpatError as error:
        raise _broken(error) from None
    return marks


class _Scan:
    """One pass over the elements of a sheet."""

    def __init__(self, marks: SheetMarks, percent: frozenset[str]) -> None:
        self.marks, self.percent = marks, percent
        self.row = 0
        self.column = -1
        self.formula = self.valued = self.inside = False
        self.kind, self.text = "n", ""

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
            if _true(attributes.get("hidden")):
                self.marks.hidden_rows.add(self.row)
        elif name == "col" and _true(attributes.get("hidden")):
            self.marks.hidden_columns.append(
                (int(attributes["min"]) - 1, int(attributes["max"]) - 1)
            )

    def _cell(self, attributes: dict[str, str]) -> None:
        self.kind = attributes.get("t", "n")
        self.formula = self.valued = False
        match = _REFERENCE.fullmatch(attributes.get("r", ""))
        self.column = _index(match[1]) if match else self.column + 1
        if self.kind == "n" and attributes.get("s") in self.percent:
            self.marks.percent.append((self.row, self.column))
        if self.kind == "e":
            self.marks.errors.append((self.row, self.column))

    def _end(self, tag: str) -> None:
        name = tag.rpartition(" ")[2]
        if name == "v":
            self.inside = False
            if self.kind == "n" and _NUMBER.fullmatch(self.text) and vanishes(self.text):
                self.marks.vanishing.append((self.row, self.column))
        elif name == "c" and self.formula and not self.valued:
            self.formula = False
            self.marks.unvalued.append((self.row, self.column))

    def _data(self, data: str) -> None:
        if self.inside and data.strip():
            self.valued = True
            self.text = (self.text + data)[:400]


def _true(text: str | None) -> bool:
    return text in {"1", "true"}


def _index(name: str) -> int:
    index = 0
    for letter in name:
        index = index * 26 + ord(letter) - 64
    return index - 1
