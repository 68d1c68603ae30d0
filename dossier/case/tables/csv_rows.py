"""CSV files as laboratories deliver them: text of any usual coding, remarks, names, then values.

A record may have a million rows.  Where all of them are plain numbers, as many in each line as the
header has, they are recognised and read without looking at single lines; else by line.
"""

import codecs
import csv
import io
import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from dossier.case.tables.grid import (
    MAX_HEAD,
    Grid,
    find_names,
    head_of,
    refuse_muted,
    refuse_nameless,
)
from dossier.case.tables.raw_table import Note, RawTable, TableError
from dossier.case.tables.whole_book import MAX_CELLS
from dossier.case.tables.written import MARKS, WORDS, lowered, proves_decimal, vanishing

MAX_FILE = 192 * 2**20
"""Bytes of one file: what a dossier may carry less its own."""
MAX_GRID = 64 * 2**20
"""Bytes of a CSV file that is cut by a layout: its cells are held one by one."""
SMALL = 2**16
"""Bytes up to which a file is read without the library for large ones."""
SEPARATORS = "\t;,"
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
"""A line as every editor shows it: what else may end one, as in Unicode, is part of its text."""
HEAD = 2**14
PIECE = 2**20
LONGEST_LINE = 2**17
"""Bytes that a line may have; a library for CSV takes no longer cell either."""
NUMBER = b"0123456789.+-eE"

Lines = list[tuple[int, str]]
"""Row numbers and what stands in the rows."""


def read_csv(
    file: str, content: bytes, renamed: dict[str, str] | None = None, decimal: str = ""
) -> RawTable:
    """Return the table in `content`, a CSV file separated by comma, semicolon or tab.

    Lines that start with ``#`` are the laboratory's remarks, and so are titles above the names;
    blank lines and lines of empty cells are left out.  `renamed` maps the laboratory's own column
    names to those of the case format; `decimal` is the decimal mark where the case states it.
    Raises TableError when no table can be made of it.
    """
    if len(content) > MAX_FILE:
        raise TableError("", "larger than 192 MiB", "split the record or thin its rows")
    text, notes = as_utf8(content)
    begin = _beginning(text)
    said, first = _sorted(begin, 0, SEPARATORS)
    if not first:
        raise TableError("", "the file is empty", "a record starts with a header row: name [unit]")
    cells = [(n, split_cells(line, separator_of(line))) for n, line in first[: MAX_HEAD + 1]]
    at = find_names(cells, renamed or {}) + 1  # a row of units is parted as the names are
    cells[at:] = [(n, split_cells(ln, separator_of(first[at - 1][1]))) for n, ln in first[at:][:1]]
    head = head_of(cells, renamed or {})
    table = RawTable(
        file, head.columns, [], np.arange(0), (), declared=bool(decimal), notes=notes + head.notes
    )
    above = first[head.rows - 1][0]
    start = len("".join(_LINE.findall(begin)[:above]).encode())
    separator = separator_of(dict(first)[head.row])
    below = _fill(table, text, (above, start), separator, decimal)
    said = [*head.titles, *(each for each in said if each[0] <= above), *below]
    table.remarks = tuple(sorted(said, key=lambda remark: remark[0]))
    refuse_nameless(table.columns, table.cells, table.lines)
    return table


def separator_of(header: str) -> str:
    """Return the separator of a file by its header row: tab, semicolon or comma."""
    return max(SEPARATORS, key=header.count)


def split_cells(line: str, separator: str, *, strict: bool = False) -> list[str]:
    """Return the cells of one line, quotation marks removed; TableError where one is too long.

    With `strict`, a quotation mark has to be closed in its line; one within a word is forgiven.
    """
    read = csv.reader([line], delimiter=separator, skipinitialspace=True, strict=strict)
    try:
        return next(read, [])
    except csv.Error as error:
        if "end of data" in str(error):
            hint = "export the table again, one line a row"
            raise TableError("", "a quotation mark is not closed", hint) from None
        if strict:
            return split_cells(line, separator)
        raise TableError("", str(error), f"the row starts {line[:40]!r}; export it again") from None


def _beginning(text: bytes) -> str:
    """Return the first lines of a file, among them the rows that names are looked for in."""
    size = HEAD
    while True:
        end = text.find(b"\n", size) + 1 or len(text)
        if end - size > LONGEST_LINE:
            raise _long_line(text.count(b"\n", 0, size) + 1)
        begin = text[:end].decode()
        if end == len(text) or len(_sorted(begin, 0, SEPARATORS)[1]) > MAX_HEAD:
            return begin
        size = 4 * end


def _sorted(text: str, above: int, separators: str) -> tuple[Lines, Lines]:
    """Return remarks and rows of a text, those of the first `above` lines left out."""
    said, rows = Lines(), Lines()
    for number, line in enumerate(_LINE.findall(text)[above:], above + 1):
        line = line.rstrip("\r\n")
        if len(line) > LONGEST_LINE:
            raise _long_line(number)
        if line.lstrip(' "')[:1] == "#":
            said.append((number, line.lstrip()[1:].strip()))
        elif line.strip().strip(f" {separators}"):
            rows.append((number, line))
    return said, rows


def _long_line(row: int) -> TableError:
    what = f"a line longer than {LONGEST_LINE} bytes"
    return TableError(f"row {row}", what, "one line a row; this is no such table")


def _fill(
    table: RawTable, text: bytes, head: tuple[int, int], separator: str, decimal: str
) -> Lines:
    """Fill a table with what stands below its head, so many lines and bytes; return remarks."""
    above, start = head
    worded = any(lowered(column.name) in WORDS for column in table.columns)
    large = len(text) > SMALL and not worded
    if large and _numbers(table, text, start, separator, decimal):
        table.lines = np.arange(above + 1, above + 1 + len(table.cells[0]))
        return Lines()
    said, rows = _sorted(text.decode(), above, separator)
    for number, words in said:
        refuse_muted(number, words.split(separator), len(table.columns))
    if not rows:
        raise TableError("", "no data rows", "the rows of measured values follow the header")
    table.lines = np.array([number for number, _ in rows], dtype=np.int64)
    lines = [line for _, line in rows]
    if not (large and _numbers(table, "\n".join(lines).encode(), 0, separator, decimal)):
        found = [split_cells(line, separator, strict=True) for line in lines]
        _refuse_ragged(table, found)
        table.cells = [list(column) for column in zip(*found, strict=True)]
        table.settle(decimal, comma_ends=separator == ",")
    return said


def _refuse_ragged(table: RawTable, rows: list[list[str]]) -> None:
    width = len(table.columns)
    if ragged := [k for k, row in enumerate(rows) if len(row) != width]:
        found = len(rows[ragged[0]])
        what = f"{found} cells where the header has {width} ({len(ragged)} such rows)"
        hint = "give every row one cell for each column, empty where nothing was measured"
        raise TableError(f"row {table.lines[ragged[0]]}", what, hint)


def _numbers(table: RawTable, text: bytes, start: int, separator: str, decimal: str) -> bool:
    """Fill a table with the numbers (columns, rows) that a text holds from `start` on.

    Returns False, and leaves the table as it is, where a cell or a row is anything else.
    """
    import pandas as pd

    width = len(table.columns)
    mark = decimal or _mark(text, start, separator)
    lines = text.count(b"\n", start) + (not text.endswith(b"\n"))
    if lines * width > len(text) - start + 1:
        return False  # with less than a byte a cell, lines are blank: no room is made for these
    values = np.empty((width, lines))
    form: dict[str, Any] = {
        "dtype": "float64", "sep": separator, "decimal": mark, "header": None, "index_col": False,
        "names": range(width), "skip_blank_lines": False, "keep_default_na": False,
        "na_values": [""], "low_memory": False,
    }  # fmt: skip
    end = 0
    for piece in _pieces(text, start) if mark else ():  # all at once takes twice the memory
        rows = _regular(piece, separator, width)
        if not rows or vanishing(piece):
            return False
        try:
            frame = pd.read_csv(io.BytesIO(piece), skipinitialspace=b" " in piece, **form)
        except ValueError:
            return False
        values[:, end : end + rows] = frame.to_numpy().T
        end += rows
    empty = np.isnan(values[0, :end])
    if not end or np.isnan(values[:, :end][:, empty]).all(axis=0).any():
        return False  # a row of empty cells is none
    table.cells, table.decimal = values, mark
    return True


def _pieces(text: bytes, start: int) -> Iterator[bytes]:
    while start < len(text):
        end = text.find(b"\n", start + PIECE) + 1 or len(text)
        yield text[start:end]
        start = end


def _regular(piece: bytes, separator: str, width: int) -> int:
    """Return the number of rows of a piece made of numbers and separators only, 0 for any other."""
    if width < 2:
        return 0  # a blank line would be taken for a row
    left = piece.translate(None, NUMBER + {",": b" ", ";": b" ,", "\t": b","}[separator])
    if not piece.endswith(b"\n"):
        left += b"\n"
    pattern = separator.encode() * (width - 1) + (b"\r\n" if left.endswith(b"\r\n") else b"\n")
    count = len(left) // len(pattern)
    return count if left == pattern * count else 0


def _mark(text: bytes, start: int, separator: str) -> str:
    """Return the decimal mark of plain numbers, '' where they may have several, or either."""
    if separator == ",":
        return "."  # an unquoted comma ends the cell
    found = [mark for mark in MARKS if text.find(mark.encode(), start) >= 0]
    if len(found) == 1:
        return found[0] if proves_decimal(text, found[0], start) else ""
    return "" if found else "."


def csv_grid(file: str, content: bytes) -> Grid:
    """Return all cells of a CSV file as text; raises TableError for what is none, or too large."""
    if len(content) > MAX_GRID:
        what, hint = f"larger than {MAX_GRID // 2**20} MiB", "hand it in as in the case format"
        raise TableError("", what, hint)
    text = as_utf8(content)[0].decode()
    separator = _separator(text[: 2**20].splitlines())
    rows: list[tuple[int, list[str]]] = []
    size = 0
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    try:
        for row in lines:
            rows.append((lines.line_num, row))
            size += len(row)
            if size > MAX_CELLS:
                hint = "hand it in as in the case format, which has no such bound"
                raise TableError(f"row {lines.line_num}", f"more than {MAX_CELLS} cells", hint)
    except csv.Error as error:
        raise TableError(f"row {lines.line_num}", str(error), "export the table again") from None
    return Grid(file, rows)


def _separator(lines: list[str]) -> str:
    """Return the separator of most lines: a tab, else a semicolon, else a comma."""
    filled = [line for line in lines if line.strip()]
    often = (mark for mark in "\t;" if 2 * sum(mark in line for line in filled) >= len(filled) > 0)
    return next(often, ",")


STEP = 2**20
BYTE_ORDER_MARK = codecs.BOM_UTF8


def as_utf8(content: bytes) -> tuple[bytes, tuple[Note, ...]]:
    """Return the content as UTF-8 without byte order mark, and notes on how it was read.

    UTF-16 is known by its byte order mark.  Other text that is not UTF-8 is taken for Latin-1 as
    long as it keeps to the characters that Latin-1 and Windows-1252 share.  Raises TableError with
    the row where neither is possible.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _utf16(content), (Note.UTF16,)
    if b"\x00" in content:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    if content.isascii():
        return content, ()
    at = _first_bad(content)
    if at is None:
        return content.removeprefix(BYTE_ORDER_MARK), ()
    if content.startswith(BYTE_ORDER_MARK):
        raise _not_text(content, at)
    for byte in range(0x80, 0xA0):
        if (odd := content.find(byte)) >= 0:
            raise _not_text(content, odd)
    return content.decode("latin-1").encode(), (Note.LATIN,)


def _utf16(content: bytes) -> bytes:
    try:
        text = content.decode("utf-16")
    except UnicodeDecodeError as error:
        hint = "save the file again as CSV in UTF-8"
        raise TableError(f"byte {error.start + 1}", "not UTF-16 text", hint) from None
    if "\x00" in text:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    return text.encode()


def _first_bad(content: bytes) -> int | None:
    """Return the first byte that is not UTF-8, or None; the text is looked through by pieces."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(content), STEP):
        held = len(decoder.getstate()[0])
        try:
            decoder.decode(content[start : start + STEP], final=start + STEP >= len(content))
        except UnicodeDecodeError as error:
            return start - held + error.start
    return None


def _not_text(content: bytes, at: int) -> TableError:
    row = content.count(b"\n", 0, at) + 1
    what = f"not UTF-8 text, and byte {at + 1} (0x{content[at]:02X}) is not Latin-1 either"
    return TableError(f"row {row}", what, "save the file again as CSV in UTF-8")
