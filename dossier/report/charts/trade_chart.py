"""Where both filters stand between what they hold, catch and cost in pressure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import Any

import numpy as np

from dossier.report.charts.panel import Panel
from dossier.report.charts.style import SHADE, line_style
from dossier.words import say

LONGEST_LABEL = 26
"""Letters of an axis label in one line: more would run off the side of the chart."""


NUMERALS = "I", "II", "III", "IV"
"""What several candidates are called: requirements and specimens have letters."""
LOOKS: Mapping[str, Mapping[str, Any]] = {
    "candidate": line_style("candidate"), "reference": line_style("reference"),
    "I": line_style("candidate"), "II": line_style("reference"),
    "III": {"color": "#009E73", "marker": "^"},
    "IV": {"color": "#000000", "marker": "v", "fill": "#fff"},
}  # fmt: skip
"""Colour, marker and whether it is filled: each tells the filters apart by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """Where one filter stands: value and 95 % interval on both axes, in printed units."""

    side: str
    x: float
    x_ends: tuple[float, float]
    y: float
    y_ends: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One axis: its label, and the range that the requirements allow."""

    label: str
    lower: float | None
    upper: float | None


def draw_trade(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Draw filters as crosses of their intervals over the allowed region."""
    _frame(panel, points, x, y)
    _allowed(panel, points, x, y)
    for reach, line in ((x, panel.upright), (y, panel.across)):
        for end in (reach.lower, reach.upper):
            if end is not None:
                line(end)
    for point in points:
        look = LOOKS[point.side]
        color = look["color"]
        panel.line(point.x_ends, [point.y, point.y], color=color)
        panel.line([point.x, point.x], point.y_ends, color=color)
        panel.line([point.x], [point.y], **{**look, "style": ""})
        right, top = _beyond(panel, point)
        panel.label(say(point.side), point.x, point.y, color=color, dx=-7.0 if right else 7.0,
                    dy=-9.0 if top else 9.0, align="right" if right else "left")  # fmt: skip
    panel.x.words = fill(x.label, LONGEST_LABEL)
    panel.y.words = fill(y.label, LONGEST_LABEL)


def _beyond(panel: Panel, point: TradePoint) -> tuple[bool, bool]:
    """Return whether a point stands so far right, and so high, that its label must not."""
    return float(panel.x.share(point.x)) > 0.65, float(panel.y.share(point.y)) > 0.85


def _frame(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Show every interval and every limit with some room around them."""
    spans = (
        (x, [end for p in points for end in (p.x, *p.x_ends)], panel.x),
        (y, [end for p in points for end in (p.y, *p.y_ends)], panel.y),
    )
    for reach, ends, axis in spans:
        everything = [e for e in (*ends, reach.lower, reach.upper)
                      if e is not None and math.isfinite(e)]  # fmt: skip
        room = 0.12 * (max(everything) - min(everything)) or 0.1 * abs(max(everything)) or 1.0
        axis.low, axis.high = min(everything) - room, max(everything) + room


def _allowed(panel: Panel, points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Shade the region that the requirements on both axes allow; name it where no point is."""
    x0, x1 = (-np.inf if x.lower is None else x.lower, np.inf if x.upper is None else x.upper)
    y0, y1 = (-np.inf if y.lower is None else y.lower, np.inf if y.upper is None else y.upper)
    panel.area([x0, x1], [y0, y0], [y1, y1], SHADE)

    def inside(corner: tuple[float, float]) -> tuple[float, float]:
        across, up = panel.x.share(corner[0]), panel.y.share(corner[1])
        return min(max(float(across), 0.0), 1.0), min(max(float(up), 0.0), 1.0)

    def lonely(corner: tuple[float, float]) -> float:
        places = [(float(panel.x.share(p.x)), float(panel.y.share(p.y))) for p in points]
        return min((math.dist(inside(corner), place) for place in places), default=0.0)

    corner = max([(x1, y1), (x1, y0), (x0, y0), (x0, y1)], key=lonely)
    right, top = corner[0] == x1, corner[1] == y1
    panel.label(
        say("allowed"), *inside(corner), of_width=True, of_height=True,
        dx=-4.0 if right else 4.0, align="right" if right else "left",
        dy=-4.0 if top else 4.0, level="top" if top else "bottom",
    )  # fmt: skip
