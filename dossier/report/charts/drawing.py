"""A chart as SVG: a path a series, few nodes."""

import math
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from dossier.physics.values import Floats
from dossier.report.assets import svg_sheet
from dossier.report.charts.panel import DASHES, INK, Area, Figure, Series
from dossier.report.charts.placing import KEY, Box, Placed, Word, placed_panels

GREY, GRID = "#404040", "#d8d8d8"
FINE = 0.05
"""What is nearer than this to a line shows no difference from lying on it."""


def figure_svg(figure: Figure) -> bytes:
    """Return a figure as SVG."""
    body = "".join("".join(_drawn(each, i)) for i, each in enumerate(placed_panels(figure)))
    letters = f' font-family="\'Dossier Sans\'" font-size="{figure.look.size:g}"'
    return svg_sheet(figure.width, figure.height, body, letters)


def _drawn(spot: Placed, number: int) -> Iterator[str]:
    """Yield the nodes of a panel, from the back to the front."""
    look, (left, top, right, bottom) = spot.panel.look, spot.frame
    wide, high = right - left, bottom - top
    inside = f'x="{left:.2f}" y="{top:.2f}" width="{wide:.2f}" height="{high:.2f}"'
    yield f'<clipPath id="c{number}"><rect {inside}/></clipPath><g clip-path="url(#c{number})">'
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
    yield "".join(map(_written, (*spot.words, *spot.labels)))


def _written(word: Word) -> str:
    """Return a word from where it begins: an anchor would be a drawing of its own in the PDF."""
    place = f'x="{word.x:.2f}" y="{word.y:.2f}"'
    if word.turned:
        place = f'transform="translate({word.x:.2f} {word.y:.2f}) rotate(-90)"'
    color = "" if word.color == INK else f' fill="{word.color}"'
    weight = ' font-weight="600"' if word.bold else ""
    return f"<text {place}{color}{weight}>{escape(word.text, quote=False)}</text>"


def _path(outline: str, color: str, width: float, dashes: str = "", more: str = "") -> str:
    if not outline:
        return ""
    more += f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{outline}" fill="none" stroke="{color}" stroke-width="{width:g}"{more}/>'


def _points(spot: Placed, x: Floats, y: Floats) -> list[list[tuple[float, float]]]:
    """Return points on the sheet, in pieces where some are no number."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for px, py in zip(*spot.at(x, y), strict=True):
        if math.isnan(px) or math.isnan(py):
            pieces.append([])
        else:
            pieces[-1].append((float(px), float(py)))
    return [piece for piece in pieces if piece]


def thinned(points: Floats) -> Floats:
    """Return a line (n, 2) without corners that nobody sees.

    Every other one is left out where it lies on the way between its neighbours, time and again.
    """
    first = 1
    while first < len(points) - 1 and first < 3:
        start, corner, end = points[first - 1 : -2 : 2], points[first:-1:2], points[first + 1 :: 2]
        way, off = end - start, corner - start
        share = (off * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-12)
        off = off - np.clip(share, 0.0, 1.0)[:, None] * way
        seen = np.ones(len(points), bool)
        seen[first:-1:2] = np.hypot(*off.T) > FINE
        first = first + 1 if seen.all() else 1
        points = points[seen]
    return points


def _run(points: Sequence[tuple[float, float]]) -> str:
    return "L".join(f"{x:.2f} {y:.2f}" for x, y in thinned(np.array(points)))


def _stroke(spot: Placed, line: Series) -> str:
    width = spot.panel.look.line if line.width is None else line.width
    pieces = [piece for piece in _points(spot, line.x, line.y) if len(piece) > 1]
    outline = "".join(f"M{_run(piece)}" for piece in pieces)
    keys = [word.box for word in spot.labels if word.key is line]
    outline += "".join(f"M{box[0]:.2f} {(box[1] + box[3]) / 2:.2f}h{KEY:g}" for box in keys)
    return _path(outline, line.color, width, DASHES[line.style])


def _markers(spot: Placed, line: Series) -> str:
    """Return all markers of a series as one path; a dot is the round end of a line of no length."""
    if not line.marker:
        return ""
    r = (spot.panel.look.marker if line.size is None else line.size) / 2.0
    places = [place for piece in _points(spot, line.x, line.y) for place in piece]
    if line.marker == "o":
        dots = "".join(f"M{x:.2f} {y:.2f}h.01" for x, y in places)
        return _path(dots, line.color, 2.0 * r + 0.8, more=' stroke-linecap="round"')
    outline = "".join(_marker(line.marker, x, y, r) for x, y in places)
    if not outline:
        return ""
    fill = line.fill or line.color
    return f'<path d="{outline}" fill="{fill}" stroke="{line.color}" stroke-width="0.8"/>'


def _marker(kind: str, x: float, y: float, r: float) -> str:
    if kind == "s":
        return f"M{x - r:.2f} {y - r:.2f}h{2 * r:g}v{2 * r:g}h{-2 * r:g}z"
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
    edge = f' stroke="{area.color}" stroke-width="0.4"' if area.edged else ""
    outline = f"M{_run(low)}L{_run(high[::-1])}z"
    body = f'<path d="{outline}" fill="{area.color}"{faint}{edge}/>'
    return body + (_hatching(spot.frame, high[0][1], low[0][1]) if area.hatched else "")


def _hatching(frame: Box, top: float, bottom: float) -> str:
    """Return slanted lines between two heights, over the whole width."""
    left, _, right, _ = frame
    high = bottom - top
    starts = np.arange(left - high, right, 5.0)
    slants = (f"M{x:.2f} {bottom:.2f}l{high:.2f} {-high:.2f}" for x in starts)
    return _path("".join(slants), "#808080", 0.5)
