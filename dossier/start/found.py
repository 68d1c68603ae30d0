"""Find the tables in what a laboratory sent: names, units, end, columns, each with its reason."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from dossier.case.records import DIMENSION
from dossier.case.tables.grid import (
    MAX_HEAD,
    Grid,
    Row,
    at,
    bare_of,
    is_note,
    is_reading,
    names_of,
    without_repeats,
)
from dossier.case.tables.raw_table import filled, lettered
from dossier.case.tables.written import MEASURED, lowered
from dossier.case.units import is_unit
from dossier.start.guess import CHANNEL, CUMULATIVE, Guess, guess, side_of, value_of

LEAST = 3
"""Rows of values that a table has at least."""
WHAT_IT_TAKES = 2.0
"""Score from which on a row is taken for a row of names."""
_NAMED = re.compile(
    r"(?i)(?:specimen|sample|element|filter|prüfling|probe|serial)\s*(?:no\.?|id|number|nr\.?)?"
    r"\s*[:=#]?\s*([\w.-]+)"
)
_ISO = re.compile(r"11171|\(c\)", re.I)


@dataclass(slots=True, kw_only=True)
class Found:
    """One table as it was found, and what is not sure about it."""

    sheet: str
    cells: str
    """Its range, open-ended where it runs to the end of the sheet."""
    names: int
    units: bool
    end: str
    columns: list[Guess]
    reasons: list[str]
    specimens: list[str] = field(default_factory=list)
    """Specimens whose rows are stacked in it."""
    carried: bool = False
    """Whether only the first row of each specimen names it."""
    title: str = ""
    """What stands above it."""
    specimen: str = ""
    """The one specimen that a title or the sheet names."""
    rows: list[Row] = field(default_factory=list)
    long: bool = False
    turned: bool = False
    """Whether rows and columns are exchanged: places are those of the exchanged grid."""

    @property
    def head(self) -> int:
        """Row of the names, the lower one of two."""
        return int(re.sub("[^0-9]", "", self.cells.partition(":")[0])) + self.names - 1

    @property
    def kind(self) -> str:
        """Kind of record that it holds, '' where none fits."""
        names = {column.name for column in self.columns}
        if "time" in names or "upstream" in names or self.long:
            return "multipass"
        if "characteristic" in names:
            return "inspection"
        if names & set(MEASURED):
            return "measurement"
        if {"flow", "differential pressure"} <= names:
            return "bypass_valve" if "direction" in names else "pressure_drop"
        return ""

    @property
    def counted(self) -> bool:
        """Whether it holds counts."""
        return self.long or any(column.size for column in self.columns)


def tables_in(grid: Grid, sheet: str) -> list[Found]:
    """Return the tables of a sheet in their order, those whose time runs to the right as well.

    Blocks side by side are tables of their own.
    """
    return _tables(grid, sheet) or _tables(grid.turn(), sheet)


def _tables(grid: Grid, sheet: str) -> list[Found]:
    found: list[Found] = []
    rows = [(n, row) for n, row in grid.rows if any(filled(c) for c in row)]
    start = 0
    while start < len(rows):
        first = rows[start : start + MAX_HEAD]
        scores = [_score(first, at) for at in range(len(first))]
        at = int(np.argmax(scores))
        if (score := scores[at]) < WHAT_IT_TAKES:
            break
        head = start + at
        if at and sum(map(_is_group, rows[head - 1][1])) > 1:
            head -= 1  # the sides stand above each column of counts
        blank = _next_blank(grid, rows, head)
        body = [r for r in rows[head:] if r[0] < blank]
        later = [r for r in rows[head:] if r[0] > blank]
        told = f"{score:.1f} for known names, words and values below"
        reason, before = f"row {rows[head][0]} holds the names: {told}", 0
        for left, right in _blocks(body[:2], body[1:] if grid.turned else body):
            above = rows[start:head]
            if grid.turned:  # titles stand before the names, among them
                words = " ".join(filter(None, map(filled, body[0][1][before:left])))
                above, before = [(0, [*[""] * left, words])], right
            one = _table(grid, sheet, above, body, (left, right), bool(later), reason)
            found += [one] if one else []
        start = rows.index(later[0]) if later else len(rows)
    return found


def _next_blank(grid: Grid, rows: Sequence[Row], head: int) -> int:
    """Return the blank row that ends a table: what follows it is no further reading."""
    blank = [n for n, row in grid.rows if not any(map(filled, row)) and n >= rows[head][0]]
    for number in blank:
        after = next((row for n, row in rows[head:] if n > number), [])
        first = next(filter(filled, after), None)
        if first is not None and not is_reading(first):
            return number
    return 10**9


def _score(rows: Sequence[Row], at: int) -> float:
    """Return how much a row looks like one of names: known ones count two, other words a quarter.

    What it needs beside are rows of values below; values in it count against it.
    """
    cells = [cell for cell in rows[at][1] if filled(cell)]
    guesses = [guess(filled(c), "", k, ()) for k, c in enumerate(cells) if not is_reading(c)]
    known = sum(bool(g.name) for g in guesses)
    sides = sum(lowered(filled(c)) in {"upstream", "downstream"} for c in cells)
    below = [row for _, row in rows[at + 1 : at + 6]]
    valued = [sum(is_reading(c) for c in row if filled(c)) for row in below]
    if len(cells) < 2 or sum(valued) < 2:
        return 0.0
    values = len(cells) - len(guesses)
    return 2.0 * known + sides + 0.25 * len(guesses) - 2.0 * values


def _blocks(head: Sequence[Row], body: Sequence[Row]) -> Iterator[tuple[int, int]]:
    """Yield first column and the one behind the last of each block that stands side by side.

    `body` are the rows that show which columns are in use.
    """
    width = max(len(row) for _, row in body)
    used = [any(k < len(row) and filled(row[k]) for _, row in body) for k in range(width)]
    edges = np.flatnonzero(np.diff([0, *map(int, used), 0]))
    spans = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    parts = [each for a, b in spans for each in _periods(head[0][1], a, b)]
    whole = [_stands(head, a, b) for a, b in parts]
    apart = len(parts) > 1 and all(whole)
    yield from parts if apart else [(spans[0][0], spans[-1][1])]


def _periods(head: Sequence[Any], left: int, right: int) -> Iterator[tuple[int, int]]:
    """Yield the blocks of a span of columns whose names begin again, else the span."""
    names = [lowered(filled(at(head, k))) for k in range(left, right)]
    wide = len(names)
    parts = [p for p in range(2, wide) if wide % p == 0 and all(names[:p])]
    size = next((p for p in parts if names == names[:p] * (wide // p)), wide)
    yield from ((left + k, left + k + size) for k in range(0, wide, size))


def _stands(head: Sequence[Row], left: int, right: int) -> bool:
    """Return whether a block of columns is a table by itself: it has a first column of its own."""
    cells = [(row, k) for _, row in head for k in range(left, right)]
    names = {guess(filled(at(row, k)), "", k, ()).name for row, k in cells}
    known = names & {"time", "specimen", "characteristic", "size", *MEASURED}
    return right - left >= 2 and bool(known or {"flow", "differential pressure"} <= names)


def _table(
    grid: Grid, sheet: str, above: Sequence[Row], body: Sequence[Row], span: tuple[int, int],
    more: bool, reason: str,
) -> Found | None:  # fmt: skip
    left, right = span
    own = [(n, row) for n, row in body if any(filled(c) for c in row[left:right])]
    names = 2 if _two_levels(own, left, right) else 1
    written = names_of(own[:names], left, right, grid.merged)
    units = _units(own[names][1], left, right) if len(own) > names else []
    heads = names + bool(units)
    values, again = without_repeats(own[heads:], own[:heads], above, left, right)
    told = list(zip(written, units or [""] * len(written), strict=True))
    timed = any(guess(name, unit, 0, ()).name == "time" for name, unit in told)
    values, end = _until(values, left, right, timed=timed)
    if len(values) < LEAST:
        return None
    title = " ".join(filled(c) for _, row in above for c in row[left:right] if filled(c))
    columns = [
        guess(text, unit, k, [at(row, k) for _, row in values], f"{sheet} {title}")
        for k, (text, unit) in enumerate(told, left)
    ]
    head = _on_head(own, names, units, again)
    ends = f"the table ends above {end!r}"
    if more and not end:
        ends = f"the table ends at the blank row below row {body[-1][0]}"
    cells, wide = f"{lettered(left)}{own[0][0]}", right >= max(len(row) for _, row in body)
    if left or not wide or (more and not end):
        last = (values if end else body)[-1][0] if grid.turned or (more and not end) else ""
        cells = f"{cells}:{lettered(right - 1)}{last}"
    match = _NAMED.search(title)
    found = Found(
        sheet=sheet, cells=cells,
        names=names, units=bool(units), end=end, columns=columns, rows=values,
        reasons=[reason, *head, *([ends] if end or more else [])],
        specimen=match[1] if match else sheet, title=title, turned=grid.turned,
    )  # fmt: skip
    return _looked_over(found)


def _looked_over(found: Found) -> Found:
    """Return a table without columns that hold nothing, with what its columns show together."""
    used = [c for c in found.columns if c.written or any(map(filled, cells_of(found, c)))]
    found.columns = used
    found.columns = [_settled(column, found) for column in used]
    _stacked(found)
    _lengthy(found)
    return found


def _on_head(
    own: Sequence[Row], names: int, units: Sequence[str], again: Sequence[int]
) -> Iterator[str]:
    """Yield how the names of a table stand above its values."""
    if names == 2:
        yield f"rows {own[0][0]} and {own[1][0]} are two levels of names"
    if units:
        yield f"row {own[names][0]} holds the units"
    if again:
        yield f"row {again[-1]} and others repeat the names, as on a new page"


def _is_group(cell: Any) -> bool:
    """Return whether a cell names a side alone, without a size."""
    return bool(side_of(filled(cell))) and not re.search("[0-9]", filled(cell))


def _two_levels(own: Sequence[Row], left: int, right: int) -> bool:
    """Return whether a second row of names follows: words or sizes below groups of columns."""
    if len(own) < LEAST + 1:
        return False
    top, below, third = (list(row[left:right]) for _, row in own[:3])
    gaps = [k for k in range(right - left) if not filled(at(top, k)) and filled(at(below, k))]
    gaps = gaps or [k for k in range(right - left) if _is_group(at(top, k))][1:]
    words = sum(1 for c in below if filled(c) and not is_reading(c))
    sized = all(not filled(c) or is_reading(c) for c in below) and any(
        guess(f"{filled(at(top, k))} {filled(c)} um", "", k, ()).size for k, c in enumerate(below)
    )
    units = _units(below, 0, right - left)
    return bool(gaps) and not units and (words >= 2 or sized) and bool(third)


def _units(row: Sequence[Any], left: int, right: int) -> list[str]:
    """Return the units in a row, none where less than half of its words are units."""
    texts = [filled(at(row, k)).strip("[]()") for k in range(left, right)]
    given = [text for text in texts if text and text not in {"-", "–"}]
    if not given or any(is_reading(text) for text in given):
        return []
    known = sum(is_unit(text) for text in given)
    return ["" if t in {"-", "–"} else t for t in texts] if 2 * known >= len(given) else []


def _until(values: Sequence[Row], left: int, right: int, *, timed: bool) -> tuple[list[Row], str]:
    """Return the rows of values, and the word of the row that ends them.

    Notes between the rows of a table of times are remarks.
    """
    words = [is_note(row[left:right]) for _, row in values]
    last = max((k for k, alone in enumerate(words) if not alone), default=0)
    values = [row for k, row in enumerate(values) if not (timed and words[k] and k < last)]
    firsts = [next((c for c in row[left:right] if filled(c)), "") for _, row in values]
    if firsts and is_reading(firsts[0]):
        for at, first in enumerate(firsts):
            if filled(first) and not is_reading(first) and not filled(first).startswith("#"):
                return list(values[:at]), filled(first)
    return list(values), ""


def cells_of(found: Found, column: Guess) -> list[Any]:
    """Return the cells of a column."""
    return [at(row, column.index) for _, row in found.rows]


def _settled(column: Guess, found: Found) -> Guess:
    """Return a column of counts with its form, where its table shows which it is."""
    if column.size is None:
        return column
    siblings = [c for c in found.columns if c.size and c.name == column.name]
    calibrated = bool(_ISO.search(found.title)) or any(each.calibrated for each in siblings)
    form, said = column.form, ""
    if any(c.form == "channel" for c in siblings) and form == "cumulative":
        top = all(c is column or c.size is None or c.size[0] < column.size[0] for c in siblings)
        form = "channel" if top else form
    words = {"cumulative": CUMULATIVE, "channel": CHANNEL}
    told = [name for name, pattern in words.items() if pattern.search(found.title)]
    if form == "cumulative" and told == ["channel"]:
        above = repr(found.title[:100])
        said = f"{column.written!r} is of that size and larger; {above} above it is not"
    elif not form and len(told) == 1:
        form = told[0]
    if not said and form != "channel" and _rises(found, siblings):
        said = "counts rise with size, so they are none of that size and larger: by channel?"
    form = "" if said else form
    return replace(column, form=form, calibrated=calibrated, form_doubt=said)


def _rises(found: Found, siblings: Sequence[Guess]) -> bool:
    """Return whether a larger size ever counts more: then counts cannot be cumulative."""
    ordered = sorted(siblings, key=lambda c: c.size or (0.0, None))
    read = [[value_of(cell) for cell in cells_of(found, column)] for column in ordered]
    return any(
        a is not None and b is not None and b > a
        for small, large in pairwise(read)
        for a, b in zip(small, large, strict=True)
    )


def absent_words(found: Found) -> dict[str, str]:
    """Return the words that stand among the numbers of a table, each with its first cell."""
    words: dict[str, str] = {}
    for column in found.columns:
        if column.size or column.name in DIMENSION or column.name == "count":
            if column.name == "time" and column.doubt:
                continue  # what its cells hold is asked for
            for (row, _), cell in zip(found.rows, cells_of(found, column), strict=True):
                if filled(cell) and not is_reading(cell) and not bare_of(cell, column.unit):
                    words.setdefault(filled(cell), f"cell {lettered(column.index)}{row}")
    return words


def _stacked(found: Found) -> None:
    """Find the specimens that a table of runs holds one below the other."""
    column = next((c for c in found.columns if c.name == "specimen"), None)
    if column is not None and found.kind in {"multipass", "pressure_drop"}:
        texts = [filled(cell) for cell in cells_of(found, column)]
        found.carried = bool(texts[0]) and "" in texts
        found.specimens = list(dict.fromkeys(filter(None, texts)))
        found.reasons.append(f"column {column.written!r} names {len(found.specimens)} specimens")


def _lengthy(found: Found) -> None:
    """See whether each row is one count of one sensor and size."""
    parts = {"side", "size", "count"}
    found.long = parts <= {column.name for column in found.columns}
    if found.long:
        found.reasons.append("one row a sensor and size")
        return
    for k, each in enumerate(found.columns):
        if each.name in parts:
            cells = cells_of(found, each)
            found.columns[k] = guess(f"{each.written} ?", each.unit, each.index, cells)
