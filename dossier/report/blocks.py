"""Building blocks of a page: formatted text only, ready for a template to lay out."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import accumulate, chain, pairwise, repeat
from typing import Any, Literal, Protocol, TypeVar

from dossier.report.layout.glyphs import text_width
from dossier.words import other_language, say

T = TypeVar("T")
Kind = Literal["pass", "partly", "fail", "open", "none"]
"""Form of a verdict on the page: pass, conditional, fail, not demonstrated, not applicable."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A verdict word with the form it is set in; the word alone carries the meaning."""

    text: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead to another place of the dossier."""

    text: str
    target: str
    """Anchor, without its hash."""
    paged: bool = False
    """Whether the page of the target is printed behind the words."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a cell, made of words, links and verdicts; small print where it is an aside."""

    parts: "tuple[str | Link | Mark | Line, ...]"
    small: bool = False
    id: str = ""
    """Anchor of the line, where something leads to it."""
    lang: str = ""
    """Language of words that somebody wrote in another one than the page's."""


def as_written(text: str) -> str | Line:
    """Return words that somebody wrote, with their language where it is not the page's."""
    other = other_language(text)
    return Line((text,), lang=other) if other else text


@dataclass(frozen=True, slots=True)
class Bar:
    """Shares of a whole as a bar; the words beside it carry the meaning."""

    shares: tuple[float, ...]
    """Each between 0 and 1 [-], from the left."""

    @property
    def stops(self) -> tuple[tuple[float, float], ...]:
        """Where each share begins and ends [%]."""
        ends = [0.0, *accumulate(round(100.0 * share, 1) for share in self.shares)]
        return tuple(pairwise(ends))


class Picture(Protocol):
    """A small picture in a row."""

    @property
    def uri(self) -> str:
        """The picture as an address that holds it."""

    @property
    def alt(self) -> str:
        """What it shows, in words."""


Cell = str | Mark | Line | Bar | Picture | tuple[str | Mark | Line, ...]
"""Text, a verdict, a line with links, a bar or picture, or lines one under the other."""


def words_of(part: str | Mark | Link | Line) -> str:
    """Return a line of a cell as it is read."""
    if isinstance(part, Line):
        return "".join(map(words_of, part.parts))
    return part if isinstance(part, str) else part.text


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    title: str
    width: int
    """Share of the table's width [%]."""
    align: Literal["left", "right"] = "left"


WIDE, PADDED, SIZE = 481.9, 6.5, 8.0
"""Width of a table, what a cell keeps free with a little to spare, and size of its letters [pt]."""


def fitted(cell: Cell, column: Column, wide: float = WIDE) -> Cell:
    """Return a cell in which text too long for its column goes on in the next line.

    At spaces, and a number too long in itself before its unit: a right-aligned cell is broken
    nowhere else, and would run into its neighbour.  `wide` is the width of the table [pt].
    """
    if isinstance(cell, tuple):
        return tuple(fitted(line, column, wide) if isinstance(line, str) else line for line in cell)  # type: ignore[misc]
    if not isinstance(cell, str) or column.align != "right":
        return cell
    room = column.width / 100.0 * wide - PADDED
    return "\n".join(_broken(line, room) for line in cell.split("\n"))


def _broken(text: str, room: float) -> str:
    if _width(text) <= room:
        return text
    lines = [""]
    for piece in text.split(" "):
        whole = f"{lines[-1]} {piece}".lstrip(" ")
        if lines[-1] and _width(whole) > room:
            whole = piece
            lines.append("")
        lines[-1] = whole if _width(whole) <= room else _UNIT_BEHIND.sub("\\1\n", whole)
    return "\n".join(lines)


def _width(text: str) -> float:
    """Return how wide text of a table is, at its widest line [pt]."""
    return max(SIZE * text_width(line) for line in text.translate(_ONE_WIDTH).split("\n"))


_ONE_WIDTH = dict.fromkeys(map(ord, "123456789"), "0")
"""Digits in tables are as wide as one another."""
_UNIT_BEHIND = re.compile(r"^(.*?[0-9)])\u00a0(?=[^±0-9(])")
"""A number, alone or in brackets, before the space that keeps it with its unit."""


def _length(cell: Cell) -> int:
    parts = cell if isinstance(cell, tuple) else (cell,)
    return sum(len(words_of(each)) for each in parts if isinstance(each, str | Mark | Line))


SHORT = 600
"""A table of few rows with more in them than this may be broken [characters]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its caption; the first cell of each row is the row's header."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    empty: str = field(default_factory=lambda: say("none"))
    """What is printed instead of a table without rows."""
    id: str = ""
    """Anchor of the table, where something leads to it."""
    anchors: tuple[str, ...] = ()
    """Anchor of each row, where something leads to them."""
    wide: float = WIDE
    """How wide it is [pt]."""

    @property
    def short(self) -> bool:
        """Whether the table is too short to be broken over two pages."""
        return len(self.rows) <= 3 and sum(map(_length, chain(*self.rows))) < SHORT

    def __post_init__(self) -> None:
        wide = sum(column.width for column in self.columns)
        if self.anchors and len(self.anchors) != len(self.rows):
            raise ValueError(f"table {self.caption!r}: one anchor for each row, or none")
        if wide > 100 or any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"table {self.caption!r}: columns take {wide} % or a row is uneven")
        shown = (tuple(map(fitted, row, self.columns, repeat(self.wide))) for row in self.rows)
        object.__setattr__(self, "rows", tuple(shown))


def table_of(
    caption: str, items: Iterable[T], *columns: tuple[Column, Callable[[T], Cell]], **more: Any
) -> Table:
    """Return a table with a row for each item; a column is its head, and what it shows of one."""
    heads = tuple(head for head, _ in columns)
    rows = tuple(tuple(cell(each) for _, cell in columns) for each in items)
    return Table(caption=caption, columns=heads, rows=rows, **more)


@dataclass(frozen=True, slots=True)
class Fact:
    """A named value, such as a property of the oil."""

    name: str
    value: Cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart as a data URI with what it shows in words, or why there is none."""

    caption: str
    uri: str = ""
    alt: str = ""
    missing: str = ""
    """Sentence that stands where the chart would, if it cannot be drawn."""
    id: str = ""
    """Anchor of the chart, where something leads to it."""
    half: bool = False
    """Whether another chart, or a table, has room beside it."""


def in_rows(charts: Iterable[Chart]) -> tuple[tuple[Chart, ...], ...]:
    """Return charts in rows, two half ones beside each other; those that are missing left out."""
    rows: list[tuple[Chart, ...]] = []
    first: tuple[Chart, ...] = ()
    for chart in charts:
        if chart.missing:
            continue
        if not chart.half:
            rows.append((chart,))
        elif first:
            rows.append((*first, chart))
            first = ()
        else:
            first = (chart,)
    return (*rows, first) if first else tuple(rows)


@dataclass(frozen=True, slots=True)
class Section:
    """Where a section stands in the dossier."""

    key: str
    """Name of the partial template and of the anchor."""
    label: str
    """Number, or letter of an annex."""
    title: str
