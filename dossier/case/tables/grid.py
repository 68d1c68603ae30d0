"""All cells of a sheet or a CSV file, and the part of them that a range names."""

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Any

from dossier.case.tables.numerals import ClockError, is_clock, moment
from dossier.case.tables.raw_table import TableError, filled, index_of, turned_cells
from dossier.case.tables.sheet_marks import MAX_CELLS
from dossier.case.tables.table_head import is_value

Row = tuple[int, list[Any]]
"""Row number and all cells of the row."""
Merged = Sequence[tuple[tuple[int, int], tuple[int, int]]]
"""First and last (row, column) of each group of merged cells, counted from 0."""

_RANGE = re.compile(r"([A-Z]+)([0-9]+)(?::([A-Z]+)([0-9]*))?")


@dataclass(frozen=True, slots=True)
class Grid:
    """All cells of a sheet or a CSV file, as they are stored."""

    file: str
    rows: list[Row]
    merged: Merged = ()
    turned: bool = False
    """Whether its rows are the columns of the file, for tables whose time runs to the right."""

    def turn(self) -> "Grid":
        """Return the grid with rows and columns exchanged; places are told by `turned_place`."""
        width = max((len(row) for _, row in self.rows), default=0)
        height = max((n for n, _ in self.rows), default=0)
        if width * height > MAX_CELLS:
            what, hint = f"spans more than {MAX_CELLS} cells", "cut it, or hand it in by columns"
            raise TableError("", what, hint)
        known = dict(self.rows)
        lines = [known.get(n, []) for n in range(1, height + 1)]
        rows = [(k + 1, [at(line, k) for line in lines]) for k in range(width)]
        merged = tuple(((b, a), (d, c)) for (a, b), (c, d) in self.merged)
        return Grid(self.file, rows, merged, turned=not self.turned)

    def window(self, cells: str) -> tuple[list[Row], int, int]:
        """Return the rows of a range, and its first column and the one behind its last."""
        if not cells:
            return self.rows, 0, max((len(row) for _, row in self.rows), default=0)
        match = _RANGE.fullmatch(cells)
        if match is None:
            raise TableError(cells, "is no range of cells", "write it like B4:H90, B4:H or B4")
        if self.turned:
            if match[3] and not match[4]:
                hint = "name its last row too: it is transposed"
                raise TableError(cells, "is open at its lower end", hint)
            match = _RANGE.fullmatch(turned_cells(cells)) or match
        first, last = int(match[2]), int(match[4] or 10**9)
        width = max((len(row) for _, row in self.rows), default=0)
        left = index_of(match[1])
        right = min(index_of(match[3]) + 1, width) if match[3] else width
        if not (first <= last and left < right):
            raise TableError(cells, "is no range of cells", "give its upper left corner first")
        return [(n, row) for n, row in self.rows if first <= n <= last], left, right


def names_of(head: Sequence[Row], left: int, right: int, merged: Merged = ()) -> list[str]:
    """Return the name of each column; of two rows, that of its group and its own, joined."""
    texts = [[" ".join(filled(at(row, k)).split()) for k in range(left, right)] for _, row in head]
    if len(texts) == 1:
        return texts[0]
    groups = list(texts[0])
    row = head[0][0] - 1
    spans = [(a[1], b[1]) for a, b in merged if a[0] <= row <= b[0] and b[1] > a[1]]
    for k in range(1, right - left):
        here = any(a < k + left <= b for a, b in spans) if spans else bool(texts[1][k])
        if not groups[k] and here:
            groups[k] = groups[k - 1]
    return [
        " ".join(dict.fromkeys(filter(None, pair))) for pair in zip(groups, texts[1], strict=True)
    ]


def at(row: Sequence[Any], index: int) -> Any:
    """Return a cell of a row, which may end before it."""
    return row[index] if index < len(row) else ""


_PAGE = re.compile(r"\b(page|seite|sheet|blatt)\b", re.I)


def once(
    rows: Sequence[Row], head: Sequence[Row], above: Sequence[Row], left: int, right: int
) -> tuple[list[Row], list[int]]:
    """Return the rows below the names without the names that each further page begins with.

    With them go the titles before them, where these stand `above` the first names too or number
    the pages.  The second result are the rows that are left out.
    """
    names = [_texts(row, left, right) for _, row in head]
    titles = {" ".join(filter(None, _texts(row, left, right))) for _, row in above}
    seen = [_texts(row, left, right) for _, row in rows]
    out: set[int] = set()
    for first in range(len(rows)):
        if seen[first : first + len(names)] != names:
            continue
        out.update(range(first, first + len(names)))
        for k in range(first - 1, -1, -1):
            words = " ".join(filter(None, seen[k]))
            if not words or not (words in titles or _PAGE.search(words)):
                break
            out.add(k)
    kept = [row for k, row in enumerate(rows) if k not in out]
    return kept, [rows[k][0] for k in sorted(out)]


def _texts(row: Sequence[Any], left: int, right: int) -> list[str]:
    return [filled(at(row, k)) for k in range(left, right)]


def is_reading(cell: Any) -> bool:
    """Return whether a cell holds a number, a time or a day rather than words."""
    if isinstance(cell, (date, time, timedelta)) or is_clock(cell):
        return True
    text = filled(cell)
    if ":" in text:
        with suppress(ClockError):
            return bool(moment(text))
    return is_value(text.lstrip("<>≤≥ "))


def bare_of(cell: Any, unit: str) -> str:
    """Return the number of a cell that ends with the unit of its column, else ''."""
    text = filled(cell)
    bare = text.removesuffix(unit).rstrip() if unit else text
    return bare if bare != text and is_value(bare) else ""
