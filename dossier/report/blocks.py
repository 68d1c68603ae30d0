"""Building blocks of a page: formatted text only, ready for a template to lay out."""

from dataclasses import dataclass, field
from typing import Literal

from dossier.words import say

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


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a cell, made of words and links; small print where it is an aside."""

    parts: tuple[str | Link, ...]
    small: bool = False


Cell = str | Mark | Line | tuple[str | Mark | Line, ...]
"""Text, a verdict, a line with links, or several of these, one under the other."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    title: str
    width: int
    """Share of the table's width [%]."""
    align: Literal["left", "right"] = "left"


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

    def __post_init__(self) -> None:
        wide = sum(column.width for column in self.columns)
        if self.anchors and len(self.anchors) != len(self.rows):
            raise ValueError(f"table {self.caption!r}: one anchor for each row, or none")
        if wide > 100 or any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"table {self.caption!r}: columns take {wide} % or a row is uneven")


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


@dataclass(frozen=True, slots=True)
class Section:
    """Where a section stands in the dossier."""

    key: str
    """Name of the partial template and of the anchor."""
    label: str
    """Number, or letter of an annex."""
    title: str
