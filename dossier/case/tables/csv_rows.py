"""The rows of a CSV file apart from its remarks, and their cells; whole pieces where regular.

A record may have a million rows.  A piece whose cells are plain numbers, as many in each line as
the header has, is recognised without looking at single lines; any other piece is read by line.
"""

import codecs
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.tables.column_names import WORDS, plain
from dossier.case.tables.numerals import MARKS, Shown, cleaned, proves_decimal, shows, vanishing
from dossier.case.tables.raw_table import Column, Note, Seen, TableError, settled_mark
from dossier.case.tables.table_head import MAX_HEAD, columns_of, find_names, with_units

HEAD = 2**14
PIECE = 2**20
LONGEST_LINE = 2**17
"""Bytes that a line may have; a library for CSV takes no longer cell either."""
NUMBER = b"0123456789.+-eE"


@dataclass(frozen=True, slots=True)
class Piece:
    """Some data rows that follow each other, without blank lines and remarks."""

    text: bytes | memoryview
    """The rows, each ending in a line feed but for the last row of the file."""
    lines: NDArray[np.int64]
    """Row numbers in the file."""
    plain: bool
    """True where every cell is empty or made of the characters of a number."""


@dataclass(slots=True)
class CsvRows:
    """The remarks, the header and the data rows of a file, with their row numbers."""

    renamed: dict[str, str]
    remarks: list[tuple[int, str]] = field(default_factory=list)
    header: str | None = None
    """None while no row was found."""
    separator: str = ","
    columns: tuple[Column, ...] = ()
    titles: int = 0
    """Rows above the header that were taken for titles."""
    units_below: bool = False
    """True where the row below the names holds the units."""
    pieces: list[Piece] = field(default_factory=list)
    ragged: list[tuple[int, int]] = field(default_factory=list)
    """Row number and number of cells of each row that has not as many as the header."""

    @property
    def lines(self) -> NDArray[np.int64]:
        """Return the row number of each data row."""
        return np.concatenate([np.zeros(0, dtype=np.int64), *(each.lines for each in self.pieces)])

    @property
    def size(self) -> int:
        """Return the bytes of all data rows."""
        return sum(len(each.text) for each in self.pieces)


def separator_of(header: str) -> str:
    """Return the separator of a file by its header row: tab, semicolon or comma."""
    return max("\t;,", key=header.count)


def split_cells(line: str, separator: str) -> list[str]:
    """Return the cells of one line, quotation marks removed; TableError where one is too long."""
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error as error:
        raise TableError("", str(error), f"the row starts {line[:40]!r}; export it again") from None


def lines_of_cells(text: bytes, separator: str, *, strict: bool) -> list[list[str]]:
    """Return the cells of each line of a text; csv.Error where a quotation mark stays open."""
    lines = io.StringIO(text.decode(), newline="")
    return list(csv.reader(lines, delimiter=separator, skipinitialspace=True, strict=strict))


def sort_rows(content: bytes, renamed: dict[str, str] | None = None) -> CsvRows:
    """Return the rows of a CSV file in UTF-8; TableError where its head makes no sense.

    Lines that start with ``#`` are remarks, and so are titles above the row of names; blank lines
    and lines of empty cells are left out.  `renamed` maps the laboratory's own column names.
    """
    rows = CsvRows(renamed or {})
    read = 0
    whole = memoryview(content)
    for start, end in _pieces(content):
        count = 0 if rows.header is None else _regular(content[start:end], rows)
        if count:
            lines = np.arange(read + 1, read + count + 1)
            rows.pieces.append(Piece(whole[start:end], lines, plain=True))
        else:
            count = _by_line(rows, content[start:end], read)
        read += count
    return rows


def _pieces(content: bytes) -> Iterator[tuple[int, int]]:
    """Yield where pieces start and end, with a line; the first, with the header, is small."""
    start, size = 0, HEAD
    while start < len(content):
        end = content.find(b"\n", start + size)
        end = len(content) if end < 0 else end + 1
        if end - start - size > LONGEST_LINE:
            raise _long_line(content.count(b"\n", 0, start + size) + 1)
        if start == 0:
            end = max(end, _end_of_head(content))
        yield start, end
        start, size = end, PIECE


def _long_line(row: int) -> TableError:
    what = f"a line longer than {LONGEST_LINE} bytes"
    return TableError(f"row {row}", what, "one line a row; this is no such table")


def _end_of_head(content: bytes) -> int:
    """Return where as many lines end as the names are looked for in."""
    end = 0
    for _ in range(MAX_HEAD):
        end = content.find(b"\n", end) + 1
        if end == 0:
            return len(content)
    return end


def _regular(piece: bytes, rows: CsvRows) -> int:
    """Return the number of rows of a piece made of numbers and separators only, 0 for any other."""
    width = len(rows.columns)
    empty = rows.separator.encode() * (width - 1)
    if width < 2:
        return 0  # a blank line would be taken for a row
    left = piece.translate(None, NUMBER + {",": b" ", ";": b" ,", "\t": b","}[rows.separator])
    if not piece.endswith(b"\n"):
        left += b"\n"
    end = b"\r\n" if left.endswith(b"\r\n") else b"\n"
    pattern = empty + end
    count = len(left) // len(pattern)
    if left != pattern * count:
        return 0
    blank = piece.startswith(pattern) or piece.endswith(b"\n" + empty) or b"\n" + pattern in piece
    return 0 if blank else count


def _by_line(rows: CsvRows, piece: bytes, read: int) -> int:
    """Sort the lines of a piece into `rows`, `read` lines being before it; return their number."""
    lines = piece.decode().splitlines()
    data: list[tuple[int, str]] = []
    empty = None if rows.header is None else rows.separator * (len(rows.columns) - 1)
    for number, line in enumerate(lines, read + 1):
        if len(line) > LONGEST_LINE:
            raise _long_line(number)
        if line.lstrip(' "')[:1] == "#":
            rows.remarks.append((number, line.lstrip()[1:].strip()))
        elif line.strip() and line != empty:
            data.append((number, line))
    if data and rows.header is None:
        data = _without_head(rows, data)
    if data and rows.columns and not rows.pieces and not rows.units_below:
        data = _without_units(rows, data)
    if data:
        _add(rows, data)
    return len(lines)


def _without_head(rows: CsvRows, data: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Take titles and names from the first rows; return the rows below them."""
    first = [(number, split_cells(line, separator_of(line))) for number, line in data[:MAX_HEAD]]
    at = find_names(first, rows.renamed)
    for number, cells in first[:at]:
        words = " ".join(cell.strip() for cell in cells if cell.strip())
        if words:
            rows.remarks.append((number, words))
            rows.titles += 1
    rows.remarks.sort(key=lambda remark: remark[0])
    number, rows.header = data[at]
    rows.separator = separator_of(rows.header)
    rows.columns = columns_of(first[at][1], number, rows.renamed)
    empty = rows.separator * (len(rows.columns) - 1)
    return [(number, line) for number, line in data[at + 1 :] if line != empty]


def _without_units(rows: CsvRows, data: list[tuple[int, str]]) -> list[tuple[int, str]]:
    number, line = data[0]
    columns = with_units(rows.columns, split_cells(line, rows.separator), number)
    if columns is None:
        return data
    rows.columns, rows.units_below = columns, True
    return data[1:]


def _add(rows: CsvRows, data: list[tuple[int, str]]) -> None:
    width = len(rows.columns)
    for number, line in data:
        quoted = '"' in line
        found = len(split_cells(line, rows.separator)) if quoted else line.count(rows.separator) + 1
        if found != width:
            rows.ragged.append((number, found))
    piece = "".join(f"{line}\n" for _, line in data).encode()
    plain = _regular(piece, rows) == len(data)
    lines = np.array([number for number, _ in data], dtype=np.int64)
    rows.pieces.append(Piece(piece, lines, plain))


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
        odd = content.find(byte)
        if odd >= 0:
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


SMALL = 2**16
"""Bytes of data rows up to which a table is read without the library for large ones."""

Texts = list[list[str]]
"""The cells of some rows, one list for each column."""


def parsed(rows: CsvRows, declared: str) -> tuple[Any, str]:
    """Return the cells by column, and the decimal mark of the file.

    Cells are one array of floats (columns, rows), or a list of text for each column.  `declared`
    is the mark that the case states, '' where it states none.  Raises TableError where the file
    does not show which mark is the decimal mark, or shows both as such.
    """
    worded = any(plain(column.name) in WORDS for column in rows.columns)
    large = rows.size > SMALL and not worded
    even = large and all(_one_style(each, rows.separator) for each in rows.pieces)
    texts = None if even else _texts(rows)
    decimal = declared or _decimal(rows, texts)
    floats = _floats(rows, decimal) if texts is None else None
    return (texts or _texts(rows) if floats is None else floats), decimal


def _one_style(piece: Piece, separator: str) -> bool:
    """Return whether a piece holds plain numbers with at most one kind of mark."""
    if separator == "," or not piece.plain:
        return piece.plain
    text = bytes(piece.text)
    return b"," not in text or b"." not in text


def _texts(rows: CsvRows) -> Texts:
    """Return all cells by column; a row must not reach over several lines."""
    columns: Texts = [[] for _ in rows.columns]
    for piece in rows.pieces:
        cells = _lines(bytes(piece.text), rows.separator)
        if len(cells) != len(piece.lines) or any(len(row) != len(columns) for row in cells):
            raise _unclosed()
        for column, part in zip(columns, zip(*cells, strict=True), strict=True):
            column.extend(part)
    return columns


def _lines(text: bytes, separator: str) -> list[list[str]]:
    try:
        return lines_of_cells(text, separator, strict=True)
    except csv.Error as error:
        if "end of data" in str(error):
            raise _unclosed() from None
    try:
        return lines_of_cells(text, separator, strict=False)
    except csv.Error as error:
        raise TableError("", str(error), "export the table again") from None


def _unclosed() -> TableError:
    hint = "export the table again, one line a row"
    return TableError("", "a quotation mark is not closed", hint)


def _decimal(rows: CsvRows, texts: Texts | None) -> str:
    """Return the decimal mark; '.' where no cell has a mark at all."""
    ends = rows.separator == ","  # then an unquoted comma ends the cell
    if ends and all(each.plain for each in rows.pieces):
        return "."
    return settled_mark(_seen(rows) if texts is None else _seen_in(rows, texts), comma_ends=ends)


def _seen(rows: CsvRows) -> Iterator[Seen]:
    """Yield what pieces of plain numbers show of each mark, without taking their cells apart."""
    for piece in rows.pieces:
        text = bytes(piece.text)
        for mark in MARKS:
            at = proves_decimal(text, mark)
            found = Shown(decimal=mark) if at >= 0 else Shown(doubtful=mark)
            at = at if at >= 0 else text.find(mark.encode())
            if at >= 0:
                before = text.count(b"\n", 0, at)
                yield f"row {piece.lines[before]}", found


def _seen_in(rows: CsvRows, texts: Texts) -> Iterator[Seen]:
    lines = rows.lines
    for column, cells in zip(rows.columns, texts, strict=True):
        for row, cell in enumerate(cells) if plain(column.name) not in WORDS else ():
            if ("." in cell or "," in cell) and (seen := shows(cleaned(cell.lstrip(" <>≤≥")))):
                yield f"row {lines[row]}, column {column.name!r}", seen


def _floats(rows: CsvRows, decimal: str) -> Any:
    """Return the numbers of a large table (columns, rows); None where a cell is none."""
    import pandas as pd

    names = list(range(len(rows.columns)))
    values = np.empty((len(names), sum(len(each.lines) for each in rows.pieces)))
    start = 0
    for piece in rows.pieces:  # all at once takes twice the time, for memory that is new
        text = bytes(piece.text)
        if vanishing(text):
            return None
        try:
            frame = pd.read_csv(
                io.BytesIO(text), dtype="float64", sep=rows.separator, header=None, names=names,
                index_col=False, skip_blank_lines=False, skipinitialspace=b" " in text,
                decimal=decimal, keep_default_na=False, na_values=[""], low_memory=False,
            )  # fmt: skip
        except ValueError:
            return None
        if len(frame) != len(piece.lines):
            raise _unclosed()
        values[:, start : start + len(frame)] = frame.to_numpy().T
        start += len(frame)
    return values
