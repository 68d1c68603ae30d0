"""The rows of a CSV file apart from its remarks: whole pieces at once where they are regular.

A record may have a million rows.  A piece whose cells are plain numbers, as many in each line as
the header has, is recognised without looking at single lines; any other piece is read by line.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LONGEST_LINE",
    "CsvRows",
    "LongLine",
    "NotText",
    "cells_of",
    "separator_of",
    "sort_rows",
]

HEAD = 2**14
PIECE = 2**20
LONGEST_LINE = 2**17
"""Bytes that a line may have; a library for CSV takes no longer cell either."""
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
NUMBER = b"0123456789.+-eE"


class NotText(ValueError):  # noqa: N818  named for what the content is
    """The content is not UTF-8; `row` is where it stops to be."""

    def __init__(self, row: int) -> None:
        self.row = row
        super().__init__(f"not UTF-8 text in row {row}")


class LongLine(ValueError):  # noqa: N818  named for what was found
    """A line is longer than `LONGEST_LINE`; `row` is where."""

    def __init__(self, row: int) -> None:
        self.row = row
        super().__init__(f"row {row} is too long")


@dataclass(slots=True)
class CsvRows:
    """The remarks, the header and the data rows of a file, with their row numbers."""

    remarks: list[tuple[int, str]] = field(default_factory=list)
    header: str | None = None
    """None while no row was found."""
    header_row: int = 0
    pieces: list[bytes] = field(default_factory=list)
    """Data rows, each ending in a line feed, without blank lines and remarks."""
    numbers: list[NDArray[np.int64]] = field(default_factory=list)
    """Row numbers of the rows of each piece."""
    ragged: list[tuple[int, int]] = field(default_factory=list)
    """Row number and number of cells of each row that has not as many as the header."""
    plain: bool = True
    """True where every cell is empty or made of the characters of a number."""

    @property
    def lines(self) -> NDArray[np.int64]:
        """Return the row number of each data row."""
        return np.concatenate([np.zeros(0, dtype=np.int64), *self.numbers])

    def first_with(self, mark: bytes) -> tuple[int, str] | None:
        """Return row number and text of the first data row that holds `mark`, or None."""
        for piece, numbers in zip(self.pieces, self.numbers, strict=True):
            at = piece.find(mark)
            if at >= 0:
                place = piece.count(b"\n", 0, at)
                return int(numbers[place]), piece.split(b"\n")[place].decode()
        return None


def separator_of(header: str) -> str:
    """Return the separator of a file by its header row: tab, semicolon or comma."""
    return max("\t;,", key=header.count)


def cells_of(line: str, separator: str) -> list[str]:
    """Return the cells of one line, quotation marks removed."""
    return next(csv.reader([line], delimiter=separator))


def sort_rows(content: bytes) -> CsvRows:
    """Return the rows of a CSV file in UTF-8; NotText where it is not, LongLine for a long line.

    Lines that start with ``#`` are remarks, blank lines are left out.
    """
    rows = CsvRows()
    read = 0
    for piece in _pieces(content.removeprefix(BYTE_ORDER_MARK)):
        count = 0 if rows.header is None else _regular(piece, rows.header)
        if count:
            rows.pieces.append(piece if piece.endswith(b"\n") else piece + b"\n")
            rows.numbers.append(np.arange(read + 1, read + count + 1))
        else:
            count = _by_line(rows, piece, read)
        read += count
    return rows


def _pieces(content: bytes) -> Iterator[bytes]:
    """Yield the content in pieces that end with a line; the first, with the header, is small.

    Raises LongLine before a piece that is held together by one long line is copied.
    """
    start, size = 0, HEAD
    while start < len(content):
        end = content.find(b"\n", start + size)
        end = len(content) if end < 0 else end + 1
        if end - start - size > LONGEST_LINE:
            raise LongLine(content.count(b"\n", 0, start + size) + 1)
        yield content[start:end]
        start, size = end, PIECE


def _regular(piece: bytes, header: str) -> int:
    """Return the number of rows of a piece made of numbers and separators only, 0 for any other."""
    separator = separator_of(header)
    width = len(cells_of(header, separator))
    if width < 2 or (separator == "\t" and b"\t" * (width - 1) in piece):
        return 0  # a line without cells would be taken for a row
    more = {",": b" ", ";": b" ,", "\t": b""}[separator]
    left = piece.translate(None, NUMBER + more)
    if not piece.endswith(b"\n"):
        left += b"\n"
    end = b"\r\n" if left.endswith(b"\r\n") else b"\n"
    pattern = separator.encode() * (width - 1) + end
    count = len(left) // len(pattern)
    return count if left == pattern * count else 0


def _by_line(rows: CsvRows, piece: bytes, read: int) -> int:
    """Sort the lines of a piece into `rows`, `read` lines being before it; return their number."""
    try:
        lines = piece.decode().splitlines()
    except UnicodeDecodeError as error:
        raise NotText(read + piece.count(b"\n", 0, error.start) + 1) from None
    data: list[tuple[int, str]] = []
    for number, line in enumerate(lines, read + 1):
        if len(line) > LONGEST_LINE:
            raise LongLine(number)
        if line.lstrip(' "')[:1] == "#":
            rows.remarks.append((number, line.lstrip()[1:].strip()))
        elif line.strip():
            data.append((number, line))
    if data and rows.header is None:
        rows.header_row, rows.header = data.pop(0)
    if data and rows.header is not None:
        _add(rows, data, rows.header)
    return len(lines)


def _add(rows: CsvRows, data: list[tuple[int, str]], header: str) -> None:
    separator = separator_of(header)
    width = len(cells_of(header, separator))
    for number, line in data:
        quoted = '"' in line
        found = len(cells_of(line, separator)) if quoted else line.count(separator) + 1
        if found != width:
            rows.ragged.append((number, found))
    piece = "".join(f"{line}\n" for _, line in data).encode()
    rows.pieces.append(piece)
    rows.numbers.append(np.array([number for number, _ in data], dtype=np.int64))
    rows.plain = rows.plain and _regular(piece, header) == len(data)
