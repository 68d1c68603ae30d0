"""Columns as a layout names them; of a long table, a row a time, sensor and size, a row a time."""

import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from dossier.case.model import Long
from dossier.case.tables.raw_table import RawColumn, RawTable, TableError, by_place, filled
from dossier.case.tables.written import lowered

Named = list[tuple[str, RawColumn]]
"""Each column as it is written, and as it is read; without a name where it is not."""


def find_column(named: Named, name: str) -> RawColumn | None:
    """Return the column that is written so, or stands there, or is read as that."""
    for text, column in named:
        places = (by_place(column.index, turned) for turned in (False, True))
        if lowered(name) in map(lowered, (text, *places, column.name)):
            return column
    return None


def keep_rows(raw: RawTable, rows: Any) -> None:
    """Leave out all rows but some."""
    raw.cells = [[cells[row] for row in rows] for cells in raw.cells]
    raw.lines = raw.lines[rows]


def lengthened(raw: RawTable, long: Long, named: Named) -> RawTable:
    """Return a table of one row a time made from one of a row a time, sensor and size.

    Cells of other columns must agree among the rows of one time.
    """
    found = {key: find_column(named, getattr(long, key)) for key in ("side", "size", "count")}
    side, size, count = found["side"], found["size"], found["count"]
    time = raw.find("time")
    if side is None or size is None or count is None or time is None:
        missing = [name for name, column in (*found.items(), ("time", time)) if column is None]
        raise TableError("", f"no column for {', '.join(missing)}", "correct the layout")
    sides = {lowered(word): way for word, way in long.sides.items()}
    counts = raw.numbers(count)
    first: dict[str, int] = {}
    heads = [first.setdefault(text, row) for row, text in enumerate(raw.texts(time))]
    made: dict[str, dict[int, float]] = {}
    for row, head in enumerate(heads):
        way = sides.get(lowered(filled(raw.cells[side.index][row])))
        if way is None:
            hint = f"sides of the layout: {', '.join(long.sides)}"
            raw.complain(raw.place(row, side), "stands for neither side", hint)
            continue
        name = f"{way} {size_label(filled(raw.cells[size.index][row]), long.unit)}"
        if head in made.setdefault(name, {}):
            raw.complain(raw.place(row, count), f"a second count {name} at one time", "keep one")
        made[name][head] = counts[row]
    single = tuple(c for c in raw.columns if c not in {side, size, count})
    _refuse_different(raw, single, heads)
    kept = list(first.values())
    keep_rows(raw, kept)
    for name, counted in made.items():
        single = (*single, RawColumn(name, count.unit, len(raw.cells)))
        raw.cells.append(np.array([counted.get(head, np.nan) for head in kept]))
    raw.columns = single
    return raw


def _refuse_different(raw: RawTable, columns: Sequence[RawColumn], heads: Sequence[int]) -> None:
    """Record each cell that is not that of the first row of its time."""
    for column in columns:
        cells = raw.cells[column.index]
        for row, head in enumerate(heads):
            if filled(cells[row]) and cells[row] != cells[head]:
                raw.complain(raw.place(row, column), "differs within one time", "check the rows")


def size_label(text: str, unit: str) -> str:
    """Return a size or a channel as a column of the case format names it."""
    numbers = re.findall(r"[0-9]+(?:[.,][0-9]+)?", text.partition("um")[0].partition("µm")[0])
    values = [f"{float(n.replace(',', '.')):g}" for n in numbers]
    size = " to ".join(values) if len(values) == 2 else values[0] if values else text
    return f"{size} {unit}"
