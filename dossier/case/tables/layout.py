"""A table cut out of a sheet or a CSV file by a declared layout: what is read, kept or refused."""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import product
from typing import Any

import numpy as np

from dossier.case.model import Layout
from dossier.case.problems import suggested
from dossier.case.tables.grid import (
    SAYS,
    Grid,
    Row,
    at,
    bare_of,
    contradicts,
    is_note,
    is_other_unit,
    is_reading,
    names_of,
    refuse_muted,
    refuse_nameless,
    split_name,
    without_repeats,
)
from dossier.case.tables.named import Named, find_column, keep_rows, lengthened
from dossier.case.tables.raw_table import (
    RawColumn,
    RawTable,
    TableError,
    by_place,
    filled,
    lettered,
    turned_cells,
)
from dossier.case.tables.written import CLOCK, is_known, lowered
from dossier.case.units import UnitError, affine

Span = tuple[int, int]
"""First and last row, or first column and the one behind the last."""
Names = Sequence[tuple[str, str]]
"""Each column as it is written: its name, and the unit below it."""
Said = tuple[int, int, str]
"""Row, column and words of a remark."""

BLANK_ROW = "blank row"


def tabled(grid: Grid, layout: Layout, where: dict[str, str]) -> RawTable:
    """Return the table that a layout cuts out of a grid, its columns by their case-format names.

    Raises TableError where there is no such table.  A column that the layout neither reads nor
    names as remark or ignored is a problem, and so is one that it names and is not there.
    """
    grid = grid.turn() if layout.transposed else grid
    window, left, right = grid.window(layout.range)
    heads = _heads(window, layout, left, right)
    head, last = heads[: layout.names], heads[-1]
    written = names_of(head, left, right, grid.merged)
    units = [filled(at(last[1], k)) if layout.units else "" for k in range(left, right)]
    above = [row for row in grid.rows if row[0] < head[0][0]]
    below = [row for row in window if row[0] > last[0]]
    below, again = without_repeats(below, heads, above, left, right)
    body, after = _body(below, layout.end, left, right)
    raw = _raw(grid, layout, (head[0][0], head[-1][0]), body, (left, right))
    _refuse_more(grid, body, left, right, whole=":" not in layout.range)
    named = _named(raw, list(zip(written, units, strict=True)), left, layout, where)
    raw.columns = tuple(c for _, c in named if c.name)
    after += _noted(raw, left)
    _chosen(raw, named, layout, where)
    titles = [each for n, row in above for each in _remark(n, row, left, right)]
    _remember(raw, (*titles, *after, *_said(raw, named, layout)))
    _repeated(raw, again)
    _without_units(raw)
    raw.read_as = tuple((text, c) for text, c in named if c.name and text != c.name)
    _begin(raw, layout.start)
    raw.settle(layout.decimal)
    return lengthened(raw, layout.long, named) if layout.long else raw


def _heads(window: Sequence[Row], layout: Layout, left: int, right: int) -> list[Row]:
    """Return the rows of names and of units; TableError where no row of values follows."""
    number = layout.names + layout.units
    rows = [(n, row) for n, row in window if _first(row[left:right])]
    if len(rows) <= number:
        raise TableError("", "no data rows in the table", "the rows of values follow the names")
    return rows[:number]


def _raw(grid: Grid, layout: Layout, heads: Span, body: Sequence[Row], columns: Span) -> RawTable:
    """Return the values of a table, without its columns."""
    left, right = columns
    cells = f"{lettered(left)}{heads[0]}:{lettered(right - 1)}{body[-1][0]}"
    return RawTable(
        grid.file, (), [[at(row, k) for _, row in body] for k in range(right)],
        np.array([n for n, _ in body], dtype=np.int64), (), sheet=True,
        head=heads[1], declared=bool(layout.decimal), start=layout.start,
        cells_read=turned_cells(cells) if grid.turned else cells,
        dilution=layout.dilution, hidden=layout.hidden == "read", turned=grid.turned,
    )  # fmt: skip


def _chosen(raw: RawTable, named: Named, layout: Layout, where: dict[str, str]) -> None:
    """Empty cells with words for what was not measured, fill what is carried, and take the rows."""
    absent = {lowered(word) for word in layout.missing}
    for cells in raw.cells if absent else ():
        cells[:] = ["" if lowered(filled(each)) in absent else each for each in cells]
    _carry(raw, named, layout.carried)
    _select(raw, named, where)


def _remember(raw: RawTable, said: Iterable[Said]) -> None:
    """Make remarks of what was said, each with its cell."""
    for row, column, text in said:
        cell = f"{lettered(column)}{row}"
        raw.remark_cells[row, text] = turned_cells(cell) if raw.turned else cell
    raw.remarks = tuple(sorted(raw.remark_cells))


def _repeated(raw: RawTable, again: Sequence[int]) -> None:
    """Say that names were repeated, as on pages; without times it may be another table."""
    if again and raw.find("time") is None:
        what, hint = "repeats the names: is this another table?", "name the cells of each table"
        raw.complain(f"row {again[0]}", what, hint)
    elif again:
        words = f"rows {', '.join(map(str, again))}: the names again, as on a new page; not read"
        raw.remarks = tuple(sorted([*raw.remarks, (again[0], words)]))


def _without_units(raw: RawTable) -> None:
    """Take the unit of a column from its cells, where every one repeats it."""
    for column in raw.columns if isinstance(raw.cells, list) else ():
        cells = [cell for cell in raw.cells[column.index] if filled(cell)]
        if column.unit and cells and all(bare_of(cell, column.unit) for cell in cells):
            raw.cells[column.index] = [
                bare_of(cell, column.unit) or cell for cell in raw.cells[column.index]
            ]


def _first(cells: Sequence[Any]) -> str:
    return next((filled(cell) for cell in cells if filled(cell)), "")


def _body(rows: Sequence[Row], end: str, left: int, right: int) -> tuple[list[Row], list[Said]]:
    """Return the rows of values, and what stands in the rows among and below them as remarks."""
    body: list[Row] = []
    said: list[Said] = []
    ended = False
    for number, row in rows:
        first = _first(row[left:right])
        ended = ended or (not first and end == BLANK_ROW and bool(body))
        ended = ended or bool(end and first and lowered(first).startswith(lowered(end)))
        if first and ended and is_reading(next(c for c in row[left:right] if filled(c))):
            what = "values stand below the end of the table, which nothing reads"
            hint = "correct `end` of the layout, or name the cells of the table that ends here"
            raise TableError(f"row {number}", what, hint)
        if first.startswith("#") and not ended:
            refuse_muted(number, row[left:right], right - left)
        if first and (ended or first.startswith("#")):
            said += _remark(number, row, left, right)
        elif first:
            body.append((number, row))
    if end and end != BLANK_ROW and not ended:
        raise TableError("", f"no row begins with {end!r}", "correct `end` of the layout")
    if not body:
        raise TableError("", "no data rows in the table", "the rows of values follow the names")
    return body, said


def _names_unit(cells: Sequence[Any]) -> bool:
    """Return whether words name a unit that readings below them may be in from there on."""
    words = re.split(r"[\s\[\]]+", " ".join(map(filled, cells)))
    for word, dimension in product(words, ("pressure", "flow")):
        with suppress(UnitError):
            affine(word, dimension)
            return True
    return False


def _noted(raw: RawTable, left: int) -> list[Said]:
    """Take rows of one cell with words out of a table of times, and return them as remarks.

    Without times such a row may be the title of another table; several words may be its names.
    """
    if not any(lowered(column.name) == "time" for column in raw.columns):
        return []
    rows = [[held[k] for held in raw.cells] for k in range(raw.rows)]
    noted = [k for k, row in enumerate(rows) if is_note(row[left:]) and not _names_unit(row[left:])]
    said = [each for k in noted for each in _remark(int(raw.lines[k]), rows[k], left, len(rows[k]))]
    if noted:
        keep_rows(raw, [k for k in range(raw.rows) if k not in noted])
    return said


def _remark(number: int, row: Sequence[Any], left: int, right: int) -> Iterator[Said]:
    """Yield what a row says, with the first column that says it."""
    filled_ones = [k for k in range(left, right) if filled(at(row, k))]
    if filled_ones:
        words = " ".join(filled(row[k]) for k in filled_ones)
        yield number, filled_ones[0], words.removeprefix("#").strip()


def refuse_outside(body: Sequence[Row], width: int) -> None:
    """Raise TableError for a filled cell to the right of the columns of a table."""
    for number, row in body:
        for index, cell in enumerate(row[width:], width):
            if filled(cell):
                place = f"cell {lettered(index)}{number}"
                raise TableError(place, "a cell without a column name above it", "name or empty it")


def _named(raw: RawTable, heads: Names, left: int, layout: Layout, where: dict[str, str]) -> Named:
    """Return how each column is read, by name and unit in `heads`; what makes no sense is told."""
    wanted, left_over = _wanted(layout, where)
    times = [lowered(text) for text, _ in heads]
    named: Named = []
    for index, (text, below) in enumerate(heads, left):
        keys = (lowered(by_place(index, raw.turned)), lowered(text))
        key = next((k for k in keys if k in left_over), "") if text or keys[0] in left_over else ""
        place = f"cell {lettered(index)}{raw.head}"
        if key and key == keys[1] and times.count(key) > 1:
            hint = f'name it by its place in the layout: "{by_place(index, raw.turned)}"'
            raw.complain(place, f"{text!r} is the name of several columns", hint)
        left_over.pop(key, None)
        if not (key or text):
            refuse_nameless([RawColumn("", "", index)], raw.cells, raw.lines)
        name, unit = split_name(wanted.get(key, text))
        if key not in wanted and (key or not is_known(name)):
            name = ""
        if text and not (key or name):
            what = f"column {text!r} is neither read nor left out"
            hint = f"name it in layout {layout.id!r}: under columns, remarks or ignored"
            raw.complain(place, what, hint)
        unit = _unit(raw, place, (text, below), (name, unit), key in wanted)
        other = next((t for t, c in named if name and lowered(c.name) == lowered(name)), None)
        if other is not None:
            what = f"{text!r} is read as {name!r}, and so is {other!r}"
            raw.complain(place, what, "name the one that is none under ignored in the layout")
        named.append((text, RawColumn(name, unit, index)))
    for name in left_over.values():
        hint = suggested(name, [text for text, _ in heads if text], "columns")
        raw.complain(f"row {raw.head}", f"no column {name!r}, which the layout names", hint)
    return named


def _wanted(layout: Layout, where: dict[str, str]) -> tuple[dict[str, str], dict[str, str]]:
    """Return as what columns are read, and all that a layout names, by their names."""
    long = layout.long
    parts = {long.side: "side", long.size: "size", long.count: "count"} if long else {}
    read = layout.columns | parts
    aside = (*layout.remarks, *layout.ignored, *layout.carried, *where)
    every = {lowered(name): name for name in (*aside, *read)}
    return {lowered(name): each for name, each in read.items()}, every


def _unit(
    raw: RawTable, place: str, written: tuple[str, str], read: tuple[str, str], mapped: bool
) -> str:
    """Return the unit of a column that is `written` and `read` so; what contradicts it is told."""
    (text, below), (name, unit) = written, read
    below, own = below.strip("[]() "), split_name(text)[1]
    if name and own and below and is_other_unit(own, below):
        what = f"column {text!r} has the units {own!r} and {below!r}"
        raw.complain(place, what, "ask the laboratory which it is: it corrects its file")
    given = below or (own if mapped else "")
    if name and (what := contradicts(text, given, name, unit)):
        raw.complain(place, what, SAYS)
    return unit or given


def _refuse_more(grid: Grid, body: Sequence[Row], left: int, right: int, *, whole: bool) -> None:
    """Raise TableError where the range of a table ends while its values go on, if after a pause.

    A title alone, without names below it, begins no other table.  Beside a `whole` sheet nothing
    stands.
    """
    if whole:
        refuse_outside(body, right)
    titled = False
    for number, row in (each for each in grid.rows if each[0] > body[-1][0]):
        cells = [cell for cell in row[left:right] if filled(cell)]
        if not cells or str(cells[0]).startswith("#"):
            continue
        if is_reading(cells[0]) and (not titled or sum(map(is_reading, cells)) > 1):
            what = "goes on with values that the range of the table leaves out"
            raise TableError(f"row {number}", what, "name all cells of the table")
        if len(cells) > 1 or is_reading(cells[0]):
            return
        titled = True


def _begin(raw: RawTable, start: str) -> None:
    """Leave out the rows before the stated start of the test, and say so among the remarks."""
    time = raw.find("time")
    if time is None or time.unit.lower() != CLOCK or not start:
        return
    early = raw.clock(time) < 0
    rows = np.flatnonzero(~early)
    if early.any() and len(rows):
        left = raw.lines[early]
        words = f"rows {left[0]} to {left[-1]}: before the start of the test, {start}; not read"
        raw.remarks = tuple(sorted([*raw.remarks, (int(left[0]), words)]))
        keep_rows(raw, rows)


def _carry(raw: RawTable, named: Named, carried: Sequence[str]) -> None:
    """Fill the empty cells of some columns with what stands above them."""
    for name in carried:
        column = find_column(named, name)
        if column is None:
            raise TableError("", f"no column {name!r}, which is carried", "correct the layout")
        last: Any = ""
        cells = raw.cells[column.index]
        for row, cell in enumerate(cells):
            last = cells[row] = cell if filled(cell) else last


def _select(raw: RawTable, named: Named, where: dict[str, str]) -> None:
    """Keep the rows in which each column of `where` holds its words."""
    kept = np.ones(raw.rows, dtype=bool)
    for name, wanted in where.items():
        column = find_column(named, name)
        if column is None:
            have = ", ".join(text for text, _ in named if text)
            raise TableError("", f"no column {name!r}, which `where` names", f"columns: {have}")
        texts = raw.texts(column)
        kept &= np.array([lowered(text) == lowered(wanted) for text in texts], dtype=bool)
        if not kept.any():
            have = ", ".join(map(repr, dict.fromkeys(texts)))
            what = f"no row in which {name!r} is {wanted!r}"
            raise TableError(f"column {lettered(column.index)}", what, f"there are {have[:200]}")
        blank = next((row for row, text in enumerate(texts) if not text), None)
        if blank is not None:
            hint = "if it is of the group above, name the column under `carried` in the layout"
            raw.complain(raw.place(blank, column), f"is empty: whose {name!r} is this row?", hint)
        raw.others |= {text for text in texts if lowered(text) != lowered(wanted)}
    if where:
        keep_rows(raw, np.flatnonzero(kept))


def _said(raw: RawTable, named: Named, layout: Layout) -> Iterator[Said]:
    """Yield the remarks of the columns that hold some."""
    for column in filter(None, (find_column(named, name) for name in layout.remarks)):
        for line, text in zip(raw.lines, raw.texts(column), strict=True):
            if text:
                yield int(line), column.index, text
