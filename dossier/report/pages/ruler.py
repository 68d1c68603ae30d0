"""How much room words take on page one, measured with the fonts that set them."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from dossier.report.blocks import Cell, Line, Mark, Table, words_of
from dossier.report.layout.glyphs import text_width
from dossier.words import say

if TYPE_CHECKING:
    from dossier.report.pages.decision import DecisionPage

MM_PER_POINT = 25.4 / 72.0
PAGE = {"A4": 258.0, "US Letter": 240.4}
"""Height of the text on a page of the style sheet, by paper [mm]."""
WIDTH = 170.0
"""Width of the text on an A4 page, the narrower of them [mm]."""
SAFETY = 4.0
"""Left free at the foot, for what the ruler rounds away [mm]."""
STRIP = 7.0
"""Height of a picture in a row [mm]."""


def shortened(text: str, most: int) -> str:
    """Return text cut at a word to at most `most` characters, an ellipsis showing the cut."""
    if len(text) <= most:
        return text
    head = text[: most - 1]
    cut = head.rpartition(" ")[0] if " " in head[most // 2 :] else head
    return cut.rstrip(" ,;:") + "…"


def in_quotes(name: str, most: int = 60) -> str:
    """Return a name between marks that it cannot end: what people wrote is no word of the page."""
    return say("“{title}”", title=shortened(name, most).translate(NO_QUOTES))


NO_QUOTES = str.maketrans('“”„‟"', "'''''")


@dataclass(frozen=True, slots=True)
class Ruler:
    """Text of one size, measured with the fonts that set it."""

    points: float
    leading: float
    """Height of a line over the size of its letters [-]."""
    bold: bool = False

    def lines(self, text: str, width: float) -> int:
        """Return how many lines `text` takes in a column of `width` [mm]."""
        room = 0.99 * width / MM_PER_POINT / self.points
        space = text_width("n n", self.bold) - 2.0 * text_width("n", self.bold)
        count, used = 1, 0.0
        for word in filter(None, re.split(r"[ \t\r\n]+", text)):
            wide = text_width(word, self.bold)
            if used and used + space + wide > room:
                count, used = count + 1, 0.0
            used += wide + (space if used else 0.0)
            while used > room:  # broken inside: up to a wide letter is left over at the end
                count, used = count + 1, used - max(room - 1.0, 1.0)
        return count

    def height(self, text: str, width: float = WIDTH) -> float:
        """Return the height of `text` in a column of `width` [mm]."""
        return self.lines(text, width) * self.points * self.leading * MM_PER_POINT


KIND, TITLE = Ruler(8.0, 1.35), Ruler(10.5, 1.35)
QUESTION, WORD = Ruler(12.5, 1.2, bold=True), Ruler(20.0, 1.1, bold=True)
STAMP, AROUND = 11.0, 8.5
"""Size of the stamp's letters [pt], and what is left free in it and before it [mm]."""
TEXT, HEAD = Ruler(9.0, 1.35), Ruler(10.0, 1.35, bold=True)
CAPTION, CELL, NOTE = Ruler(8.5, 1.25, bold=True), Ruler(8.0, 1.25), Ruler(8.0, 1.25)


def rows_that_fit(page: "DecisionPage", rest: str, *, logo: bool, paper: str) -> int:
    """Return how many rows of its table page one has room for, with its other words above it [-].

    `rest` is what the note says more where not all rows are shown.
    """
    table, answer = page.closest, page.answer
    used = KIND.height("x") + (10.0 if logo else 0.0) + TITLE.height(page.title) + 2.5
    used += QUESTION.height(f"1 {page.question}") + 3.0
    used += 4.6 + _headed(answer.word, answer.stamp) + 1.0 + 3.5
    used += sum(TEXT.height(sentence, 158.0) + 1.0 for sentence in (answer.text, page.tally))
    used += sum(0.85 + _cell(fact.value, 0.85 * WIDTH) for fact in page.facts) + 3.4
    for items in (page.concerns, page.conditions):
        if items:
            used += HEAD.height("x") + 3.2 + 2.5
            used += sum(TEXT.height(words_of(item), WIDTH - 6.0) for item in items)
    ends = list(accumulate(_row(row, table) for row in table.rows))
    left = PAGE[paper] - SAFETY - used - _around(table, "")
    if ends and ends[-1] > left:
        left += _around(table, "") - _around(table, rest)
    return sum(end <= left for end in ends)


def _headed(word: str, stamp: str) -> float:
    """Return the height of the word of the answer, with the stamp beside it if there is room."""
    room = 155.0 - (AROUND + text_width(stamp, bold=True) * STAMP * MM_PER_POINT if stamp else 0.0)
    beside = room > 0 and WORD.lines(word, room) == 1
    return WORD.height(word, 155.0) + (0.0 if beside or not stamp else WORD.height("x"))


def _row(row: Sequence[Cell], table: Table) -> float:
    widths = (WIDTH * column.width / 100.0 - 2.2 for column in table.columns)
    return 1.33 + max(_cell(cell, width) for cell, width in zip(row, widths, strict=True))


def _around(table: Table, rest: str) -> float:
    """Return the height of caption, heads and note, which says the `rest` [mm]."""
    heads = [
        CELL.height(column.title, WIDTH * column.width / 100.0 - 2.2) for column in table.columns
    ]
    note = NOTE.height(f"{table.note} {rest}")
    return CAPTION.height(table.caption) + 1.2 + max(heads) + 2.0 + note + 5.5


def _cell(cell: Cell, width: float) -> float:
    parts = cell if isinstance(cell, tuple) else (cell,)
    return sum(
        CELL.height(words_of(part), width) if isinstance(part, str | Mark | Line) else STRIP
        for part in parts
    )
