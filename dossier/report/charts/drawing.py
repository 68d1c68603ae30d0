"""A chart as SVG: a path a series, few nodes, and no two words in one place."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from dossier.report.charts.panel import (
    DASHES,
    INK,
    Align,
    Area,
    Axis,
    Figure,
    Floats,
    Form,
    Level,
    Panel,
    Series,
    Tag,
)
from dossier.report.format import chart_text
from dossier.report.layout.glyphs import text_width

GREY, GRID = "#404040", "#d8d8d8"
LEADING = 1.2
"""From line to line over the size of letters [-]."""
GAP = 2.0
"""Least distance between two labels."""
STEPS = sorted(
    ((20.0 * over, 3.0 * down) for over in range(-9, 10) for down in range(-26, 27)),
    key=lambda step: 2.0 * abs(step[0]) + abs(step[1]),
)
"""How far a label may be moved, the least first: sooner up or down than across."""
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


@dataclass(frozen=True, slots=True)
class Placed:
    """A panel on the sheet: its frame, its numbers, and all its words."""

    panel: Panel
    frame: Box
    x_marks: Sequence[float]
    y_marks: Sequence[float]
    words: tuple[Word, ...]

    def at(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Return where data lie on the sheet; what is infinite lies at the frame."""
        left, top, right, bottom = self.frame
        across = np.clip(self.panel.x.share(x), -20.0, 21.0)
        up = np.clip(self.panel.y.share(y), -20.0, 21.0)
        return left + across * (right - left), bottom - up * (bottom - top)


def placed_panels(figure: Figure) -> Iterator[Placed]:
    """Yield each panel at its place, with every word."""
    deep = figure.height / max(len(figure.rows), 1)
    columns = max(map(len, figure.rows), default=1)
    wide = figure.width / columns
    for r, row in enumerate(figure.rows):
        for c, panel in enumerate(row):
            yield _placed(panel, (c * wide, r * deep, (c + 1) * wide, (r + 1) * deep))


def _placed(panel: Panel, cell: Box) -> Placed:
    size, step = panel.look.size, LEADING * panel.look.size
    left, top, right, bottom = cell
    x_words, y_words = (axis.words.split("\n") if axis.words else [] for axis in (panel.x, panel.y))
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
    words = [
        _word(text, float(spot.at(value, 1.0)[0]), bottom + 3.0, "center", "top", panel.look)
        for value, text in x_marks
    ]
    words += [
        _word(text, left - 4.0, float(spot.at(1.0, value)[1]), "right", "center", panel.look)
        for value, text in y_marks
    ]
    if panel.title:
        edge = {"left": left, "center": (left + right) / 2, "right": right}[panel.look.title]
        words.append(_word(panel.title, edge, cell[1] + 2.0, panel.look.title, "top", panel.look,
                           bold=panel.look.bold_title))  # fmt: skip
    for i, text in enumerate(x_words):
        words.append(_word(text, (left + right) / 2, bottom + 4.0 + step * (1 + i), "center",
                           "top", panel.look))  # fmt: skip
    for i, text in enumerate(y_words):
        words.append(_turned(text, cell[0] + 2.0 + step * i, (top + bottom) / 2, cell, panel.look))
    for label in panel.labels:
        words.append(_free(label, spot, cell, [each.box for each in words]))
    ticks = [value for value, _ in panel.x.marks(0)] if panel.x.ticks else None
    drawn = ticks or [value for value, _ in x_marks]
    return Placed(panel, frame, drawn, [value for value, _ in y_marks], tuple(words))


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


def _word(
    text: str, x: float, y: float, align: Any, level: Level, look: Form, *,
    color: str = INK, bold: bool = False,
) -> Word:  # fmt: skip
    """Return a word whose box has its edge, or its middle, at a place."""
    text = chart_text(text)
    wide, high = text_width(text, bold) * look.size, look.size
    top = y - {"top": 0.0, "center": 0.5, "bottom": 1.0}[level] * high
    left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[align] * wide
    box = (left, top, left + wide, top + high)
    return Word(text, left, top + 0.82 * high, color, box, bold=bold)


def _turned(text: str, x: float, y: float, cell: Box, look: Form) -> Word:
    """Return a word that runs upward, its middle at `y` where its panel has room for it."""
    text = chart_text(text)
    half = text_width(text) * look.size / 2.0
    y = min(max(y, cell[1] + half), max(cell[3] - half, cell[1] + half))
    box = (x, y - half, x + look.size, y + half)
    return Word(text, x + 0.82 * look.size, y + half, INK, box, turned=True)


def obstacles(spot: Placed) -> Iterator[Box]:
    """Yield the boxes of upright and level lines and of markers: words stand beside them."""
    left, top, right, bottom = spot.frame
    for line in spot.panel.lines:
        xs, ys = spot.at(line.x, line.y)
        if line.style and len(xs) == 2 and (xs[0] == xs[1] or ys[0] == ys[1]):
            xs, ys = np.clip(xs, left, right), np.clip(ys, top, bottom)
            yield (float(min(xs)), float(min(ys)) - 0.5, float(max(xs)), float(max(ys)) + 0.5)
        if line.marker:
            r = (spot.panel.look.marker if line.size is None else line.size) / 2.0
            for px, py in zip(xs, ys, strict=True):
                yield (float(px) - r, float(py) - r, float(px) + r, float(py) + r)


def _free(label: Tag, spot: Placed, cell: Box, taken: Sequence[Box]) -> Word:
    """Return a label inside its panel where no other word is, as near to its place as can be.

    Where there is such a place off lines and markers, it is taken; one that belongs to an edge of
    the panel may go to the opposite one for it.
    """
    left, top, right, bottom = spot.frame
    x, y = spot.at(label.x, label.y)
    x = left + label.x * (right - left) if label.of_width else float(x)
    y = bottom - label.y * (bottom - top) if label.of_height else float(y)
    other: Align = {"left": "right", "right": "left", "center": "center"}[label.align]  # type: ignore[assignment]
    across = (left + right - x) if label.of_width else x
    sides: list[tuple[int, Align, float]] = [(1, label.align, x), (-1, other, across)]
    room = (left + 1.0, top - 2.0, cell[2], bottom)

    def moved(step: tuple[float, float], side: int, align: Align, place: float) -> Word:
        over, down = step
        word = _word(label.text, place + side * label.dx + over, y - label.dy + down, align,
                     label.level, spot.panel.look, color=label.color)  # fmt: skip
        return _pushed(word, room)

    def clear(of: Sequence[Box]) -> Iterator[Word]:
        words = (moved(step, *side) for step in STEPS for side in sides)
        return (word for word in words if not any(_meet(word.box, box) for box in of))

    off = next(clear([*taken, *obstacles(spot)]), None)
    return off or next(clear(taken), None) or moved((0.0, 0.0), *sides[0])


def _pushed(word: Word, room: Box) -> Word:
    """Return a word moved by as little as brings it inside."""
    left, top, right, bottom = word.box
    dx = max(room[0] - left, 0.0) or min(room[2] - right, 0.0)
    dy = max(room[1] - top, 0.0) or min(room[3] - bottom, 0.0)
    box = (left + dx, top + dy, right + dx, bottom + dy)
    return Word(word.text, word.x + dx, word.y + dy, word.color, box, bold=word.bold)


def _meet(a: Box, b: Box) -> bool:
    return min(a[2], b[2]) > max(a[0], b[0]) - 1.0 and min(a[3], b[3]) > max(a[1], b[1])


def figure_svg(figure: Figure) -> bytes:
    """Return a figure as SVG."""
    body = "".join("".join(_drawn(each, i)) for i, each in enumerate(placed_panels(figure)))
    size = figure.look.size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{figure.width:g}pt" '
        f'height="{figure.height:g}pt" viewBox="0 0 {figure.width:g} {figure.height:g}" '
        f'font-family="\'Dossier Sans\'" font-size="{size:g}">{body}</svg>'
    ).encode()


def _drawn(spot: Placed, number: int) -> Iterator[str]:
    """Yield the nodes of a panel, from the back to the front."""
    look, (left, top, right, bottom) = spot.panel.look, spot.frame
    wide, high = right - left, bottom - top
    yield (f'<clipPath id="c{number}"><rect x="{left:.2f}" y="{top:.2f}" width="{wide:.2f}" '
           f'height="{high:.2f}"/></clipPath><g clip-path="url(#c{number})">')  # fmt: skip
    yield "".join(_filled(spot, area) for area in spot.panel.areas)
    xs = [float(spot.at(v, 1.0)[0]) for v in spot.x_marks]
    ys = [float(spot.at(1.0, v)[1]) for v in spot.y_marks]
    if look.grid:
        grid = "".join(f"M{x:.2f} {top:.2f}V{bottom:.2f}" for x in xs)
        grid += "".join(f"M{left:.2f} {y:.2f}H{right:.2f}" for y in ys)
        yield _path(grid, GRID, look.grid_line)
    yield "".join(_stroke(spot, line) for line in spot.panel.lines if line.style)
    yield "".join(_markers(spot, line) for line in spot.panel.lines if not line.beyond)
    yield "</g>"
    edge = f"M{left:.2f} {top:.2f}V{bottom:.2f}H{right:.2f}"
    edge += f"V{top:.2f}" if look.right else ""
    edge += f"M{left:.2f} {top:.2f}H{right:.2f}" if look.top else ""
    edge += "".join(f"M{x:.2f} {bottom:.2f}v2.5" for x in xs)
    yield _path(edge + "".join(f"M{left:.2f} {y:.2f}h-2.5" for y in ys), GREY, look.frame)
    yield "".join(_markers(spot, line) for line in spot.panel.lines if line.beyond)
    yield "".join(map(_written, spot.words))


def _written(word: Word) -> str:
    """Return a word from where it begins: an anchor would be a drawing of its own in the PDF."""
    place = f'x="{word.x:.2f}" y="{word.y:.2f}"'
    if word.turned:
        place = f'transform="translate({word.x:.2f} {word.y:.2f}) rotate(-90)"'
    color = "" if word.color == INK else f' fill="{word.color}"'
    weight = ' font-weight="600"' if word.bold else ""
    return f"<text {place}{color}{weight}>{escape(word.text, quote=False)}</text>"


def _path(outline: str, color: str, width: float, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (f'<path d="{outline}" fill="none" stroke="{color}" stroke-width="{width:g}"{dashed}/>'
            if outline else "")  # fmt: skip


def _points(spot: Placed, x: Floats, y: Floats) -> list[list[tuple[float, float]]]:
    """Return points on the sheet, in pieces where some are no number."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for px, py in zip(*spot.at(x, y), strict=True):
        if math.isnan(px) or math.isnan(py):
            pieces.append([])
        else:
            pieces[-1].append((float(px), float(py)))
    return [piece for piece in pieces if piece]


def _run(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)


def _stroke(spot: Placed, line: Series) -> str:
    width = spot.panel.look.line if line.width is None else line.width
    pieces = [piece for piece in _points(spot, line.x, line.y) if len(piece) > 1]
    return _path("".join(map(_run, pieces)), line.color, width, DASHES[line.style])


def _markers(spot: Placed, line: Series) -> str:
    """Return all markers of a series as one path."""
    if not line.marker:
        return ""
    r = (spot.panel.look.marker if line.size is None else line.size) / 2.0
    places = [place for piece in _points(spot, line.x, line.y) for place in piece]
    outline = "".join(_marker(line.marker, x, y, r) for x, y in places)
    if not outline:
        return ""
    fill = line.fill or line.color
    return f'<path d="{outline}" fill="{fill}" stroke="{line.color}" stroke-width="0.8"/>'


def _marker(kind: str, x: float, y: float, r: float) -> str:
    if kind == "s":
        return f"M{x - r:.2f} {y - r:.2f}h{2 * r:g}v{2 * r:g}h{-2 * r:g}z"
    if kind == "o":  # four curves: the handle of a quarter of a circle is 0.5523 of its radius
        k, m = round(0.5523 * r, 2), round(0.4477 * r, 2)
        return (f"M{x - r:.2f} {y:.2f}c0 {-k:g} {m:g} {-r:g} {r:g} {-r:g}"
                f"c{k:g} 0 {r:g} {m:g} {r:g} {r:g}c0 {k:g} {-m:g} {r:g} {-r:g} {r:g}"
                f"c{-k:g} 0 {-r:g} {-m:g} {-r:g} {-r:g}z")  # fmt: skip
    if kind == ">":
        return f"M{x - r:.2f} {y - r:.2f}v{2 * r:g}l{2 * r:g} {-r:g}z"
    up = 1 if kind == "^" else -1
    return f"M{x - r:.2f} {y + up * r:.2f}h{2 * r:g}l{-r:g} {-up * 2 * r:g}z"


def _filled(spot: Placed, area: Area) -> str:
    known = np.isfinite(area.x) | np.isinf(area.x)
    known &= ~np.isnan(area.low) & ~np.isnan(area.high)
    low = list(zip(*spot.at(area.x[known], area.low[known]), strict=True))
    high = list(zip(*spot.at(area.x[known], area.high[known]), strict=True))
    if not low:
        return ""
    faint = f' fill-opacity="{area.opacity:g}"' if area.opacity < 1.0 else ""
    body = f'<path d="{_run([*low, *reversed(high)])}z" fill="{area.color}"{faint}/>'
    return body + (_hatching(spot.frame, high[0][1], low[0][1]) if area.hatched else "")


def _hatching(frame: Box, top: float, bottom: float) -> str:
    """Return slanted lines between two heights, over the whole width."""
    left, _, right, _ = frame
    high = bottom - top
    starts = np.arange(left - high, right, 5.0)
    return _path("".join(f"M{x:.2f} {bottom:.2f}l{high:.2f} {-high:.2f}" for x in starts),
                 "#808080", 0.5)  # fmt: skip
