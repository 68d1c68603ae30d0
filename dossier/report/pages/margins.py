"""The chart of margins: every requirement's distance from its limit, on page one."""

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dossier.decision.finding import Finding
from dossier.report.blocks import Cell, Chart, Line, Link, Mark, Table
from dossier.report.charts.margins_chart import Margin, draw_margins, goes_beyond, rows_that_fit
from dossier.report.charts.style import draw
from dossier.report.format import fixed
from dossier.report.layout.glyphs import lacking
from dossier.report.pages.fixed_words import mark
from dossier.report.pages.places import MARGINS, same_as
from dossier.report.pages.results import (
    estimate_text,
    limit_text,
    limits_shown,
    margin_rank,
    what_of,
)
from dossier.words import say, say_count

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FONTS = Path(__file__).parents[1] / "fonts"
MM_PER_POINT = 25.4 / 72.0
PAGE, WIDTH = 252.0, 170.0
"""Height and width of the text on an A4 page of the style sheet [mm]."""
SAFETY = 4.0
"""Left free at the foot, for what the ruler rounds away [mm]."""
LEAST = 1.9
"""A chart is never lower than this [in]: words are shortened until there is as much room."""


def shortened(text: str, most: int) -> str:
    """Return text cut at a word to at most `most` characters, an ellipsis showing the cut."""
    if len(text) <= most:
        return text
    head = text[: most - 1]
    cut = head.rpartition(" ")[0] if " " in head[most // 2 :] else head
    return cut.rstrip(" ,;:") + "…"


@cache
def _font(bold: bool) -> Any:
    from matplotlib.ft2font import FT2Font

    name = "FiraSans-SemiBold.ttf" if bold else "FiraSans-Regular.ttf"
    font = FT2Font(str(FONTS / name))
    font.set_size(100.0, 72)
    return font


@cache
def _width(word: str, bold: bool) -> float:
    """Return the width of a word at one point of size [points].

    Unknown letters count as wide, those that stand as a code point in a box as wider.
    """
    font = _font(bold)
    known = font.get_charmap()
    strange = sum(ord(letter) not in known for letter in word)
    plain = "".join(letter for letter in word if ord(letter) in known)
    font.set_text(plain or " ", 0.0)
    counts = Counter(word)
    boxes = 2.5 * sum(counts[letter] for letter in lacking(word))
    return float(font.get_width_height()[0]) / 64.0 / 100.0 + 1.1 * strange + boxes


@dataclass(frozen=True, slots=True)
class Ruler:
    """Text of one size, measured with the fonts that set it."""

    points: float
    leading: float
    """Height of a line over the size of its letters [-]."""
    bold: bool = False

    def lines(self, text: str, width: float) -> int:
        """Return how many lines `text` takes in a column of `width` [mm]."""
        room = 0.985 * width / MM_PER_POINT / self.points
        space = _width("n n", self.bold) - 2.0 * _width("n", self.bold)
        count, used = 1, 0.0
        for word in filter(None, re.split(r"[ \t\r\n]+", text)):
            wide = _width(word, self.bold)
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
TEXT, HEAD = Ruler(9.0, 1.35), Ruler(10.0, 1.35, bold=True)
CAPTION, CELL, NOTE = Ruler(8.5, 1.25, bold=True), Ruler(8.0, 1.25), Ruler(7.5, 1.35)


def chart_height(
    *,
    title: str,
    question: str,
    answer: Sequence[str],
    word: str,
    lists: Sequence[Sequence[Line]],
    table: Table,
    caption: str,
    logo: bool,
) -> float:
    """Return the height that is left for the chart on page one [in].

    `answer` are the sentences in the box under its `word`; `lists` the items under a heading each.
    """
    used = KIND.height("x") + (10.0 if logo else 0.0) + TITLE.height(title) + 2.5
    used += QUESTION.height(f"1 {question}") + 3.0
    used += 4.6 + WORD.height(word, 155.0) + 1.0 + 3.5
    used += sum(TEXT.height(sentence, 158.0) + 1.0 for sentence in answer)
    for items in lists:
        if items:
            used += HEAD.height("x") + 3.2 + 2.5
            used += sum(TEXT.height(_plain(item), WIDTH - 6.0) for item in items)
    used += _table(table) + 2.0 + 1.0 + NOTE.height(caption)
    return (PAGE - SAFETY - used) / 25.4


def _table(table: Table) -> float:
    heads = [
        CELL.height(column.title, WIDTH * column.width / 100.0 - 2.2) for column in table.columns
    ]
    used = CAPTION.height(table.caption) + 1.2 + max(heads) + 2.0
    for row in table.rows:
        used += 1.8 + max(
            _cell(cell, WIDTH * column.width / 100.0 - 2.2)
            for cell, column in zip(row, table.columns, strict=True)
        )
    return used + NOTE.height(table.note) + 5.5


def _cell(cell: Cell, width: float) -> float:
    parts = cell if isinstance(cell, tuple) else (cell,)
    return sum(CELL.height(_plain(part), width) for part in parts)


def _plain(part: str | Mark | Line) -> str:
    if isinstance(part, Line):
        return "".join(each.text if isinstance(each, Link) else each for each in part.parts)
    return part.text if isinstance(part, Mark) else part


def _ordered(findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings that apply, each once, the closest first."""
    again = same_as(findings)
    decided = [
        f for f in findings if f.verdict.value != "not applicable" and f.demand.id not in again
    ]
    return sorted(decided, key=margin_rank)


def margins_caption(findings: Sequence[Finding], left_out: int = 0) -> str:
    """Return what the chart shows; `left_out` requirements had no room on it."""
    again = same_as(findings)
    same = "; ".join(
        say("{name} is the same as {first}", name=name, first=first)
        for name, first in again.items()
    )
    texts = [
        say(
            "Margin of each requirement with the 95 % interval of its result, in units of its own "
            "expanded uncertainty; a bar across the line leaves it open."
        )
    ]
    if any(goes_beyond(margin_of(finding)) for finding in _ordered(findings)):
        texts.append(say("An arrow points on to what is, or may be, further out."))
    stricter = [f.demand.id for f in findings if f.demand.basis != "mean"]
    if stricter:
        names = ", ".join(stricter)
        if len(stricter) > 12:
            names = say_count(len(stricter), "{number} requirement", "{number} requirements")
        texts.append(
            say(
                "The point is the mean; {names} are judged more strictly, on every specimen or on "
                "the population.",
                names=names,
            )
        )
    if same:
        texts.append(f"{same[0].upper()}{same[1:]}.")
    if left_out:
        texts.append(
            say_count(
                left_out,
                "{number} further requirement is in the table of requirements.",
                "{number} further requirements are in the table of requirements.",
            )
        )
    return " ".join(texts)


def margins_chart(findings: Sequence[Finding], style: str, height: float) -> Chart:
    """Return the chart of every requirement's margin, at most `height` [in] high.

    The closest come first; beyond what two columns can hold, the farthest are left out.
    """
    ordered = _ordered(findings)
    if not ordered:
        words = say("No requirement applies, so there is no margin.")
        return Chart(caption=say("Margins"), id=MARGINS, missing=words)
    columns, rows, tall = rows_that_fit(len(ordered), height)
    shown = ordered[: columns * rows]
    margins = [margin_of(finding) for finding in shown]

    def paint(figure: "Figure") -> None:
        axes = figure.subplots(1, columns, squeeze=False)[0]
        for place, ax in enumerate(axes):
            draw_margins(ax, margins[place * rows : (place + 1) * rows], rows, tall)

    return Chart(
        caption=margins_caption(findings, len(ordered) - len(shown)),
        id=MARGINS,
        uri=draw(paint, style, tall),
        alt=_alt(shown, margins),
    )


def _alt(findings: Sequence[Finding], margins: Sequence[Margin]) -> str:
    rows = "; ".join(
        f"{margin.label}: {_alt_margin(margin)}, {say(margin.verdict)}" for margin in margins
    )
    first = findings[0]
    result = (
        say("no result")
        if first.estimate is None
        else estimate_text(first.demand, first.estimate, first)
    )
    return say(
        "Chart of {number} requirements. Horizontal axis: margin to the limit in expanded "
        "uncertainties, from −30 to 30, zero is the limit, inside to the right. "
        "Closest: {closest}, result {result}, limit {limit}. {rows}.",
        number=len(margins),
        closest=first.demand.id,
        result=result,
        limit=limit_text(first),
        rows=rows,
    )


def _alt_margin(margin: Margin) -> str:
    if margin.middle is None:
        return say("no number")
    number = fixed(margin.middle, 1)
    return say("more than {number}", number=number) if margin.bound else number


def margin_of(finding: Finding) -> Margin:
    """Return the margin of a finding to the nearest of its limits, in expanded uncertainties."""
    demand = finding.demand
    kind = mark(finding.verdict.value).kind
    words = what_of(demand) if "characteristic" in demand.at else say(demand.quantity.title)
    label = f"{demand.id}  {shortened(words, 38)}"
    if demand.severity == "advisory":
        label = say("{label} (advisory)", label=label)
    seen = finding.estimate if demand.must_hold else None
    blank = Margin(
        label=label, verdict=finding.verdict.value, kind=kind, middle=None,
        result=estimate_text(demand, seen) if seen else "",
    )  # fmt: skip
    estimate = finding.estimate
    limits = limits_shown(finding)
    if estimate is None or not limits or not math.isfinite(estimate.value):
        return blank
    value = demand.shown(estimate.value)
    low, high = _ends(finding, value)
    sides = [_distances(value, low, high, end, +1) for end in _shown(finding, finding.lower)]
    sides += [_distances(value, low, high, end, -1) for end in _shown(finding, finding.upper)]
    middle, worst, best = min(sides)
    return Margin(
        label=label, verdict=finding.verdict.value, kind=kind, middle=middle, low=worst,
        high=best, bound=bool(estimate.bound),
    )  # fmt: skip


def _shown(finding: Finding, end: float | None) -> list[float]:
    return [] if end is None else [finding.demand.shown(end)]


def _ends(finding: Finding, value: float) -> tuple[float, float]:
    if finding.interval is None:
        return value, value
    low, high = sorted(finding.demand.shown(end) for end in finding.interval)
    half = _limit_half_width(finding)
    return value - math.hypot(value - low, half), value + math.hypot(high - value, half)


def _limit_half_width(finding: Finding) -> float:
    """Return the half-width of a limit that the reference sets, in the printed unit; else zero.

    Taken as independent of the candidate's: on the chart the safe side.
    """
    reference = finding.reference
    if finding.demand.not_worse is None or reference is None:
        return 0.0
    low, high = reference.interval()
    half = 0.5 * (high - low) * abs(finding.demand.of_reference[0])
    return half / abs(finding.demand.spread_factor) if math.isfinite(half) else 0.0


def _distances(
    value: float, low: float, high: float, limit: float, sign: int
) -> tuple[float, float, float]:
    """Return margin of value, worst and best end over the half-width toward the limit [-].

    `sign` is +1 for a lower limit, -1 for an upper one.  A result without an interval is set on
    the scale of one hundredth of its limit.
    """
    inside = sign * (value - limit)
    toward = (value - low) if (sign > 0) == (inside >= 0) else (high - value)
    scale = toward if 0 < toward < math.inf else 0.01 * max(abs(limit), abs(value), 1e-300)
    worst, best = sorted((sign * (low - limit) / scale, sign * (high - limit) / scale))
    return inside / scale, worst, best
