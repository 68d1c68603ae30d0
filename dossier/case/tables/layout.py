"""A table cut out of a sheet or a CSV file by a declared layout: what is read, kept or refused."""

import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import product
from typing import Any

import numpy as np

from dossier.case.model import Layout, Long
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
    rows = [(n, row) for n, row in window if _first(row[left:right])]
    if len(rows) <= layout.names + layout.units:
        raise TableError("", "no data rows in the table", "the rows of values follow the names")
    heads = rows[: layout.names + layout.units]
    head, last = heads[: layout.names], heads[-1]
    written = names_of(head, left, right, grid.merged)
    units = [filled(at(last[1], k)) for k in range(left, right)] if layout.units else []
    above = [row for row in grid.rows if row[0] < head[0][0]]
    below = [row for row in window if row[0] > last[0]]
    below, again = without_repeats(below, heads, above, left, right)
    body, after = _body(below, layout.end, left, right)
    cells = f"{lettered(left)}{head[0][0]}:{lettered(right - 1)}{body[-1][0]}"
    raw = RawTable(
        grid.file, (), [[at(row, k) for _, row in body] for k in range(right)],
        np.array([n for n, _ in body], dtype=np.int64), (), sheet=True,
        head=head[-1][0], declared=bool(layout.decimal), start=layout.start,
        cells_read=turned_cells(cells) if grid.turned else cells,
        dilution=layout.dilution, hidden=layout.hidden == "read", turned=grid.turned,
    )  # fmt: skip
    if ":" not in layout.range:
        refuse_outside(body, right)
    _refuse_more(grid, body, left, right)
    named = _named(raw, written, units, left, layout, where)
    raw.columns = tuple(c for _, c in named if c.name)
    after += _noted(raw, left)
    absent = {lowered(word) for word in layout.missing}
    for held in raw.cells if absent else ():
        held[:] = ["" if lowered(filled(each)) in absent else each for each in held]
    _carry(raw, named, layout.carried)
    _select(raw, named, where)
    titles = [each for n, row in above for each in _remark(n, row, left, right)]
    for row, column, text in (*titles, *after, *_said(raw, named, layout)):
        cell = f"{lettered(column)}{row}"
        raw.remark_cells[row, text] = turned_cells(cell) if raw.turned else cell
    raw.remarks = tuple(sorted(raw.remark_cells))
    _repeated(raw, again)
    _without_units(raw)
    raw.read_as = tuple((text, c) for text, c in named if c.name and text != c.name)
    _begin(raw, layout.start)
    raw.settle(layout.decimal)
    return lengthened(raw, layout.long, named) if layout.long else raw


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
        _keep(raw, [k for k in range(raw.rows) if k not in noted])
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


Named = list[tuple[str, RawColumn]]
"""Each column as it is written, and as it is read; without a name where it is not."""


def _named(
    raw: RawTable,
    written: Sequence[str],
    units: Sequence[str],
    left: int,
    layout: Layout,
    where: dict[str, str],
) -> Named:
    """Return how each column is read; what makes no sense is on record."""
    long = layout.long
    parts = {long.side: "side", long.size: "size", long.count: "count"} if long else {}
    wanted = layout.columns | parts
    aside = (*layout.remarks, *layout.ignored, *layout.carried, *where)
    left_over = {lowered(name): name for name in (*aside, *wanted)}
    mapping = {lowered(name): read for name, read in wanted.items()}
    unread = {lowered(name) for name in aside} - set(mapping)
    times = [lowered(name) for name in written]
    named: Named = []
    for offset, text in enumerate(written):
        index = left + offset
        keys = (lowered(by_place(index, raw.turned)), lowered(text))
        key = next((k for k in keys if k in left_over), "") if text or keys[0] in left_over else ""
        place = f"cell {lettered(index)}{raw.head}"
        name, unit = split_name(mapping.get(key, text))
        if key and key == keys[1] and times.count(key) > 1:
            hint = f'name it by its place in the layout: "{by_place(index, raw.turned)}"'
            raw.complain(place, f"{text!r} is the name of several columns", hint)
        left_over.pop(key, None)
        if key in unread or not text:
            name = name if key in mapping else ""
            if not key:
                refuse_nameless([RawColumn("", "", index)], raw.cells, raw.lines)
        elif not key and not is_known(name):
            what = f"column {text!r} is neither read nor left out"
            hint = f"name it in layout {layout.id!r}: under columns, remarks or ignored"
            raw.complain(place, what, hint)
            name = ""
        below, own = units[offset].strip("[]() ") if units else "", split_name(text)[1]
        if name and own and below and is_other_unit(own, below):
            what = f"column {text!r} has the units {own!r} and {below!r}"
            raw.complain(place, what, "ask the laboratory which it is: it corrects its file")
        given = below or (own if key in mapping else "")
        if name and (what := contradicts(text, given, name, unit)):
            raw.complain(place, what, SAYS)
        other = next((t for t, c in named if name and lowered(c.name) == lowered(name)), None)
        if other is not None:
            what = f"{text!r} is read as {name!r}, and so is {other!r}"
            raw.complain(place, what, "name the one that is none under ignored in the layout")
        named.append((text, RawColumn(name, unit or given, index)))
    for name in left_over.values():
        hint = suggested(name, [text for text in written if text], "columns")
        raw.complain(f"row {raw.head}", f"no column {name!r}, which the layout names", hint)
    return named


def find_column(named: Named, name: str) -> RawColumn | None:
    """Return the column that is written so, or stands there, or is read as that."""
    for text, column in named:
        places = (by_place(column.index, turned) for turned in (False, True))
        if lowered(name) in map(lowered, (text, *places, column.name)):
            return column
    return None


def _keep(raw: RawTable, rows: Any) -> None:
    """Leave out all rows but some."""
    raw.cells = [[cells[row] for row in rows] for cells in raw.cells]
    raw.lines = raw.lines[rows]


def _refuse_more(grid: Grid, body: Sequence[Row], left: int, right: int) -> None:
    """Raise TableError where the range of a table ends while its values go on, if after a pause.

    A title alone, without names below it, begins no other table.
    """
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
        _keep(raw, rows)


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
        _keep(raw, np.flatnonzero(kept))


def _said(raw: RawTable, named: Named, layout: Layout) -> Iterator[Said]:
    """Yield the remarks of the columns that hold some."""
    for column in filter(None, (find_column(named, name) for name in layout.remarks)):
        for line, text in zip(raw.lines, raw.texts(column), strict=True):
            if text:
                yield int(line), column.index, text


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
    _keep(raw, kept)
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
