"""Where all of a chart stands on its sheet: frames, numbers, words, and labels in free places."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.physics.values import Floats
from dossier.report.charts.panel import INK, Area, Axis, Figure, Form, Level, Panel, Series, Tag
from dossier.report.format import chart_text
from dossier.report.layout.glyphs import text_width

LEADING = 1.2
"""From line to line over the size of letters [-]."""
GAP = 2.0
"""Least distance between two numbers of an axis."""
KEY = 17.0
"""Length of the piece of a line before its name: three strokes of a dashed one."""
ON_WORD, ON_LINE, ON_EDGE, ON_BAND = 10**8, 10**5, 40, 3
"""Cost of a square point of a label on what it may hide, in tenths of points from its place."""
Box = tuple[float, float, float, float]
"""Left, top, right and bottom."""


@dataclass(frozen=True, slots=True)
class Word:
    """A line of text on the sheet: where it begins on the baseline, and the box it takes."""

    text: str
    x: float
    y: float
    color: str
    box: Box
    turned: bool = False
    bold: bool = False
    key: Series | None = None
    """Line of which a piece stands before the text."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A panel on the sheet: its frame, its numbers, its words outside and its labels inside."""

    panel: Panel
    frame: Box
    x_marks: Sequence[float]
    y_marks: Sequence[float]
    words: tuple[Word, ...]
    labels: tuple[Word, ...] = ()

    def at(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Return where data lie on the sheet; what is infinite lies at the frame."""
        left, top, right, bottom = self.frame
        across = np.clip(self.panel.x.share(x), -20.0, 21.0)
        up = np.clip(self.panel.y.share(y), -20.0, 21.0)
        return left + across * (right - left), bottom - up * (bottom - top)

    def word(
        self,
        text: str,
        x: float,
        y: float,
        align: str = "center",
        level: Level = "top",
        **look: Any,
    ) -> Word:
        """Return a word whose box has its edge, or its middle, at a place; `look` as of `Word`."""
        text, high = chart_text(text), self.panel.look.size
        wide = text_width(text, look.get("bold", False)) * high
        top = y - {"top": 0.0, "center": 0.5, "bottom": 1.0}[level] * high
        left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[align] * wide
        box = (left, top, left + wide, top + high)
        return Word(text, left, top + 0.82 * high, **{"color": INK, "box": box, **look})


def placed_panels(figure: Figure) -> Iterator[Placed]:
    """Yield each panel at its place, with every word."""
    deep = figure.height / max(len(figure.rows), 1)
    columns = max(map(len, figure.rows), default=1)
    wide = figure.width / columns
    for r, row in enumerate(figure.rows):
        for c, panel in enumerate(row):
            said = c > 0 and row[c - 1].y.words == panel.y.words
            yield _placed(panel, (c * wide, r * deep, (c + 1) * wide, (r + 1) * deep), said)


def _placed(panel: Panel, cell: Box, said: bool) -> Placed:
    """Return a panel in its cell, without the words of its upright axis where they are `said`."""
    size, step = panel.look.size, LEADING * panel.look.size
    for axis in (panel.x, panel.y):
        axis.low, axis.high = axis.ends()
    left, top, right, bottom = cell
    x_words = panel.x.words.split("\n") if panel.x.words else []
    y_words = panel.y.words.split("\n") if panel.y.words and not said else []
    top += 3.0 + (step if panel.title else 2.0)
    bottom -= 3.0 + step * (1 + len(x_words)) + 2.0
    y_marks = _apart(panel.y, panel.y.marks(max(2, int((bottom - top) / (1.5 * step)))),
                     lambda text: step, bottom - top)  # fmt: skip
    numbers = max((text_width(text) * size for _, text in y_marks), default=0.0)
    left += 2.0 + step * len(y_words) + numbers + 5.0
    x_marks = panel.x.marks(max(2, int((right - left) / (4.5 * size))))
    half = [(float(panel.x.share(v)), text_width(text) * size / 2.0) for v, text in x_marks]
    right = min([right - 8.0, *(left + (right - left - h) / s for s, h in half if s > 0.5)])
    x_marks = _apart(panel.x, x_marks, lambda text: text_width(text) * size, right - left)
    frame = (left, top, right, bottom)
    spot = Placed(panel, frame, (), (), ())
    middle = (left + right) / 2
    words = [spot.word(text, float(spot.at(at, 1.0)[0]), bottom + 3.0) for at, text in x_marks]
    for at, text in y_marks:
        words.append(spot.word(text, left - 4.0, float(spot.at(1.0, at)[1]), "right", "center"))
    if panel.title:
        look = panel.look
        edge = {"left": left, "center": middle, "right": right}[look.title]
        words.append(spot.word(panel.title, edge, cell[1] + 2.0, look.title, bold=look.bold_title))
    for i, text in enumerate(x_words):
        words.append(spot.word(text, middle, bottom + 4.0 + step * (1 + i)))
    for i, text in enumerate(y_words):
        words.append(_turned(text, cell[0] + 2.0 + step * i, (top + bottom) / 2, cell, panel.look))
    ticks = [value for value, _ in panel.x.marks(0)] if panel.x.ticks else None
    drawn, labels = ticks or [at for at, _ in x_marks], tuple(_labelled(spot, words))
    return Placed(panel, frame, drawn, [at for at, _ in y_marks], tuple(words), labels)


def _apart(
    axis: Axis, marks: Sequence[tuple[float, str]], long: Callable[[str], float], room: float
) -> list[tuple[float, str]]:
    """Return the numbers along an axis, without those that would touch the one before."""
    kept: list[tuple[float, str]] = []
    end = -math.inf
    for value, text in sorted(marks, key=lambda each: float(axis.share(each[0]))):
        middle, half = float(axis.share(value)) * room, long(text) / 2.0
        if middle - half >= end + GAP / 2.0:
            kept.append((value, text))
            end = middle + half
    return kept


def _turned(text: str, x: float, y: float, cell: Box, look: Form) -> Word:
    """Return a word that runs upward, its middle at `y` where its panel has room for it."""
    text = chart_text(text)
    half = text_width(text) * look.size / 2.0
    y = min(max(y, cell[1] + half), max(cell[3] - half, cell[1] + half))
    box = (x, y - half, x + look.size, y + half)
    return Word(text, x + 0.82 * look.size, y + half, INK, box, turned=True)


def _along(spot: Placed, x: Floats, y: Floats) -> Floats:
    """Return places (n, 2) all along what is seen of a line, less than half a point apart."""
    corners = np.column_stack(spot.at(x, y))
    corners = corners[~np.isnan(corners).any(axis=1)]
    if len(corners) < 2:
        return np.empty((0, 2))
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    walk = np.linspace(0.0, way[-1], 2 + int(way[-1] / 0.4))
    across, down = (np.interp(walk, way, axis) for axis in corners.T)
    left, top, right, bottom = spot.frame
    seen = (across >= left) & (across <= right) & (down >= top) & (down <= bottom)
    return np.column_stack([across[seen], down[seen]])


def _marked(spot: Placed, line: Series) -> list[Box]:
    """Return the boxes of the markers of a series."""
    r = (spot.panel.look.marker if line.size is None else line.size) / 2.0
    places = zip(*spot.at(line.x, line.y), strict=True) if line.marker else ()
    return [(x - r, y - r, x + r, y + r) for x, y in places if not math.isnan(x + y)]


class _Ink:
    """What is drawn in a panel, as the cost of covering each square point of it."""

    def __init__(self, spot: Placed) -> None:
        self.left, self.top, right, bottom = spot.frame
        self.cost = np.zeros((int(bottom - self.top) + 2, int(right - self.left) + 2), int)
        for area in spot.panel.areas:
            if len(area.x) and (area.opacity < 1.0 or area.hatched):
                self.shade(spot, area)
            for edge in (area.low, area.high) if area.edged else ():
                self.follow(_along(spot, area.x, edge), ON_EDGE)
        self.ways = {
            id(line): _along(spot, line.x, line.y) for line in spot.panel.lines if line.style
        }
        for way in self.ways.values():
            self.follow(way, ON_LINE)
        for box in (box for line in spot.panel.lines for box in _marked(spot, line)):
            self.cover(box, ON_LINE)

    def shade(self, spot: Placed, area: Area) -> None:
        """Note that a band lies where it does."""
        rows, columns = (np.arange(many) + 0.5 for many in self.cost.shape)
        x, low = spot.at(area.x, area.low)
        high = spot.at(area.x, area.high)[1]
        upper, lower = (np.interp(columns + self.left, x, end) - self.top for end in (high, low))
        inside = (columns + self.left >= x[0]) & (columns + self.left <= x[-1])
        inside = inside & (rows[:, None] >= upper) & (rows[:, None] <= lower)
        self.cost[inside] = ON_BAND

    def follow(self, places: Floats, cost: int) -> None:
        """Note that something runs through places (n, 2)."""
        across, down = (places - (self.left, self.top)).T.astype(int)
        self.cost[down, across] = cost

    def cover(self, box: Box, cost: int) -> None:
        """Note that something lies in a box."""
        a, b, c, d = self._cells(*np.array(box))
        self.cost[b:d, a:c] = cost

    def under(self, x: Floats, y: Floats, wide: float, high: float) -> NDArray[np.int_]:
        """Return what boxes (n,) of one size would cover, with a point around them."""
        total = np.pad(self.cost, ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
        a, b, c, d = self._cells(x - 1.0, y - 1.0, x + wide + 1.0, y + high + 1.0)
        return np.asarray(total[d, c] - total[b, c] - total[d, a] + total[b, a])

    def nearest(
        self, lines: Sequence[Series], x: Floats, y: Floats, wide: float, high: float
    ) -> Floats:
        """Return how far boxes (n,) of one size are from the nearest of some lines."""
        ways = [self.ways.get(id(line), np.empty((0, 2)))[::40] for line in lines]
        across, down = np.concatenate([np.empty((0, 2)), *ways]).T
        gaps = _gap(x[:, None], wide, across), _gap(y[:, None], high, down)
        return np.asarray(np.hypot(*gaps).min(axis=1, initial=1e3))

    def _cells(self, a: Any, b: Any, c: Any, d: Any) -> list[Any]:
        rows, columns = self.cost.shape
        ends = (a - self.left, columns), (b - self.top, rows)
        far = (np.ceil(c - self.left), columns), (np.ceil(d - self.top), rows)
        return [np.clip(v, 0, most).astype(int) for v, most in (*ends, *far)]


def _labelled(spot: Placed, words: Sequence[Word]) -> Iterator[Word]:
    """Yield the labels of a panel, each at the place that costs least; names of lines last."""
    ink = _Ink(spot)
    for word in words:
        ink.cover(word.box, ON_WORD)
    for label in sorted(spot.panel.labels, key=lambda tag: bool(tag.of)):
        word = _free(label, spot, ink)
        ink.cover(word.box, ON_WORD)
        yield word


def _free(label: Tag, spot: Placed, ink: _Ink) -> Word:
    """Return a label inside the frame of its panel, where it hides least and is nearest."""
    left, top, right, bottom = spot.frame
    key = label.of[0] if label.of and label.of[0].style else None
    ahead = KEY + 3.0 if key else 0.0
    size = spot.panel.look.size
    wide = text_width(chart_text(label.text)) * size + ahead
    across = np.arange(left + 3.0, max(right - wide, left + 3.0) + 0.01, 4.0)
    down = np.arange(top, max(bottom - 2.0 - size, top) + 0.01, 2.0)
    x, y = (each.ravel() for each in np.meshgrid(across, down))
    hidden = ink.under(x, y, wide, size)
    least = hidden < hidden.min() + ON_LINE
    x, y, hidden = x[least], y[least], hidden[least]
    if label.of:
        others = [each for each in spot.panel.lines if each.color not in (label.color, INK)]
        own, other = (ink.nearest(lines, x, y, wide, size) for lines in (label.of, others))
        far = own + 3.0 * np.maximum(0.0, own + 2.0 - other)
    else:
        far = _to_place(label, spot, x, y, wide)
    best = int(np.argmin(hidden + np.rint(10.0 * far).astype(int)))
    at = float(x[best]) + ahead, float(y[best])
    word = spot.word(label.text, *at, "left", color=label.color)
    return replace(word, key=key, box=(word.box[0] - ahead, *word.box[1:]))


def _to_place(label: Tag, spot: Placed, x: Floats, y: Floats, wide: float) -> Floats:
    """Return how far boxes (n,) are from the place of a label; along its line all are near."""
    left, top, right, bottom = spot.frame
    size = spot.panel.look.size
    px, py = spot.at(label.x, label.y)
    px = left + label.x * (right - left) if label.of_width else px
    py = bottom - label.y * (bottom - top) if label.of_height else py
    wanted = spot.word(label.text, px + label.dx, py - label.dy, label.align, label.level).box
    aside = 0.0 if label.of_width else _gap(x, wide, px)
    above = 0.0 if label.of_height else _gap(y, size, py)
    moved = np.hypot(x - wanted[0], y - wanted[1])
    return np.asarray(6.0 * np.hypot(aside, above) + 0.2 * moved)


def _gap(start: Floats, long: float, place: Any) -> Floats:
    """Return how far places lie outside of lengths that begin at `start`."""
    return np.asarray(np.maximum(np.maximum(start - place, place - start - long), 0.0))
