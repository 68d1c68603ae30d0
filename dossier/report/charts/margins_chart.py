"""How far each requirement is inside or outside its limit, with the uncertainty of the result."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING, Any

from dossier.report.blocks import Kind
from dossier.report.charts.style import LIMIT, SHADE, end_label, side_color, tick
from dossier.report.format import chart_text
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

AXES = 0.62
"""Height of the horizontal axis with its label and of the words above the chart [in]."""
LOWEST, HIGHEST = 0.098, 0.19
"""Height of a row: the least at which it can be read, the most that it needs [in]."""

FARTHEST = 30.0
"""Margins beyond this many expanded uncertainties are drawn there with an arrow [-]."""
EDGE = 1.7 * FARTHEST
"""Where the axis ends: beyond it there is room for the arrow [-]."""

MARKERS: dict[Kind, dict[str, Any]] = {
    "pass": {"marker": "o", "markerfacecolor": "#0072B2", "markeredgecolor": "#0072B2"},
    "partly": {"marker": "D", "markerfacecolor": "white", "markeredgecolor": "#404040"},
    "fail": {"marker": "X", "markerfacecolor": "#D55E00", "markeredgecolor": "#D55E00"},
    "open": {"marker": "", "markerfacecolor": "white", "markeredgecolor": "#404040"},
    "none": {"marker": "", "markerfacecolor": "white", "markeredgecolor": "#404040"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """One row: distances from the limit in expanded uncertainties, positive inside."""

    label: str
    verdict: str
    kind: Kind
    middle: float | None
    """Margin of the result over its expanded uncertainty toward the limit [-]; None: no number."""
    low: float = 0.0
    """Least favourable end of the 95 % interval [-]."""
    high: float = 0.0
    """Most favourable end of the 95 % interval [-]."""
    bound: bool = False
    """True where the result is only a bound and may lie further inside."""
    result: str = ""
    """What stands in place of a margin that has no number, such as "found so on 3 of 3"."""


def goes_beyond(margin: Margin) -> bool:
    """Return whether a row has an arrow: some of it is further out than the axis, or may be."""
    if margin.middle is None:
        return False
    return margin.bound or max(-margin.low, margin.high) > FARTHEST


def rows_that_fit(rows: int, height: float) -> tuple[int, int, float]:
    """Return columns, rows in each and height of the chart [in], for `rows` in `height` [in].

    Rows are as high as is comfortable, or as low as they must; a second column comes only where
    one cannot hold them, and rows that two cannot hold are left out.
    """
    room = max(int((height - AXES) / LOWEST), 2)
    columns = 1 if rows <= room else 2
    each = min(-(-rows // columns), room)
    return columns, each, min(height, AXES + HIGHEST * max(each, 2))


def draw_margins(ax: "Axes", margins: Sequence[Margin], rows: int, height: float) -> list[Any]:
    """Return the artists drawn: one row a requirement, zero the limit, its own scale linear to 2.

    `rows` have room in a chart of `height` [in].  Beyond two expanded uncertainties the axis is
    logarithmic, so that one far margin does not hide the near ones, which decide.
    """
    size = min(8.0, 0.86 * 72.0 * (height - AXES) / max(rows, 2))
    ax.set_xscale("symlog", linthresh=2.0, linscale=1.4)
    ax.set_xlim(-EDGE, EDGE)
    ax.set_ylim(rows - 0.4, -0.6)
    artists: list[Any] = [
        ax.axvspan(0.0, EDGE, color=SHADE, zorder=0, linewidth=0),
        ax.axvline(0.0, color=LIMIT, linewidth=1.2, zorder=2),
    ]
    for row, margin in enumerate(margins):
        artists += _row(ax, row, margin, size)
    _axes(ax, margins, size)
    return artists


def _row(ax: "Axes", row: int, margin: Margin, size: float) -> list[Any]:
    words = ax.text(
        1.015, row, say(margin.verdict), transform=ax.get_yaxis_transform(), va="center", ha="left",
        fontsize=size,
        fontweight="semibold" if margin.kind in {"fail", "open"} else "normal",
    )  # fmt: skip
    if margin.middle is None:
        seen = chart_text(margin.result or say("no number to draw"))
        note = ax.text(0.15, row, seen, va="center", fontsize=min(7.0, size), color="#404040")
        return [words, note]
    middle = _held(margin.middle)
    look = MARKERS[margin.kind]
    ends = [_held(margin.low), FARTHEST if margin.bound else _held(margin.high)]
    artists: list[Any] = [words]
    artists += ax.plot(ends, [row, row], color="#404040", linewidth=1.0, zorder=3)
    if margin.bound:
        artists += ax.plot([middle], [row], marker="|", color="#404040", markersize=8, zorder=4)
        artists += ax.plot([FARTHEST], [row], marker=">", color="#404040", zorder=4)
        return artists
    artists += ax.plot([middle], [row], linestyle="", markersize=5.5, zorder=4, **look)
    for end, sign in ((margin.low, -1.0), (margin.high, 1.0)):
        if sign * end > FARTHEST:
            artists.append(_arrow(ax, row, sign, 6.0 if middle == sign * FARTHEST else 2.0))
    return artists


def _arrow(ax: "Axes", row: int, sign: float, beside: float) -> Any:
    """Return an arrow `beside` the edge [pt], outward: what is drawn there lies further out."""
    from matplotlib.transforms import ScaledTranslation

    shift = ScaledTranslation(sign * beside / 72.0, 0.0, ax.figure.dpi_scale_trans)
    (arrow,) = ax.plot(
        [sign * FARTHEST], [row], marker=">" if sign > 0 else "<", color="#404040", markersize=4.0,
        transform=ax.transData + shift, zorder=4,
    )  # fmt: skip
    return arrow


def _held(value: float) -> float:
    return max(-FARTHEST, min(FARTHEST, value))


def _axes(ax: "Axes", margins: Sequence[Margin], size: float) -> None:
    ticks = [-30, -10, -5, -2, -1, 0, 1, 2, 5, 10, 30]
    ax.set_xticks(ticks, [tick(place) for place in ticks])
    ax.minorticks_off()
    ax.set_yticks(range(len(margins)), [chart_text(margin.label) for margin in margins])
    ax.tick_params(axis="y", length=0, labelsize=size)
    ax.grid(visible=False, axis="y")
    ax.spines["left"].set_visible(False)
    ax.set_xlabel(say("margin to the limit, in expanded uncertainties of the result (95 %)"))
    outside, inside = say("outside the limit"), say("inside the limit")
    ax.text(0.01, 1.0, outside, transform=ax.transAxes, va="bottom", ha="left", fontsize=7)
    ax.text(0.99, 1.0, inside, transform=ax.transAxes, va="bottom", ha="right", fontsize=7)


LONGEST_LABEL = 34
"""Letters of an axis label in one line: more would run off the side of the chart."""


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


def draw_trade(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> list[Any]:
    """Return the artists: filters as crosses of their intervals over the allowed region."""
    artists: list[Any] = []
    _frame(ax, points, x, y)
    for point in points:
        color = side_color(point.side)
        filled = color if point.side == "candidate" else "white"
        artists.append(
            ax.errorbar(
                [point.x], [point.y],
                xerr=[[point.x - point.x_ends[0]], [point.x_ends[1] - point.x]],
                yerr=[[point.y - point.y_ends[0]], [point.y_ends[1] - point.y]],
                color=color, marker="o" if point.side == "candidate" else "s",
                markerfacecolor=filled, capsize=2, linewidth=1.2,
            )
        )  # fmt: skip
        right, top = _beyond(ax, point)
        artists.append(
            end_label(
                ax, point.x, point.y, say(point.side), color,
                xytext=(-7 if right else 7, -9 if top else 9), ha="right" if right else "left",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
            )
        )  # fmt: skip
    artists.append(_allowed(ax, points, x, y))
    for reach, line in ((x, ax.axvline), (y, ax.axhline)):
        for end in (reach.lower, reach.upper):
            if end is not None:
                artists.append(line(end, color=LIMIT, linewidth=1.0, linestyle="-"))
    ax.set_xlabel(fill(x.label, LONGEST_LABEL))
    ax.set_ylabel(fill(y.label, LONGEST_LABEL))
    return artists


def _beyond(ax: "Axes", point: TradePoint) -> tuple[bool, bool]:
    """Return whether a point stands so far right, and so high, that its label must not."""
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    return point.x > left + 0.65 * (right - left), point.y > bottom + 0.85 * (top - bottom)


def _frame(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> None:
    """Show every interval and every limit with some room around them."""
    spans = (
        (x, [end for p in points for end in p.x_ends], ax.set_xlim),
        (y, [end for p in points for end in p.y_ends], ax.set_ylim),
    )
    for reach, ends, set_limits in spans:
        everything = ends + [e for e in (reach.lower, reach.upper) if e is not None]
        room = 0.12 * (max(everything) - min(everything)) or 0.1 * abs(max(everything)) or 1.0
        set_limits(min(everything) - room, max(everything) + room)


def _allowed(ax: "Axes", points: Sequence[TradePoint], x: Reach, y: Reach) -> Any:
    """Shade the region that the requirements on both axes allow; name it where no point is."""
    from matplotlib.patches import Rectangle

    left, right = ax.get_xlim()
    bottom, top = ax.get_ylim()
    x0 = left if x.lower is None else x.lower
    x1 = right if x.upper is None else x.upper
    y0 = bottom if y.lower is None else y.lower
    y1 = top if y.upper is None else y.upper
    patch = Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=SHADE, edgecolor="none", zorder=0)
    ax.add_patch(patch)

    def lonely(corner: tuple[float, float]) -> float:
        gaps = [
            math.hypot((corner[0] - p.x) / (right - left), (corner[1] - p.y) / (top - bottom))
            for p in points
        ]
        return min(gaps, default=0.0)

    corner = max([(x1, y1), (x1, y0), (x0, y0), (x0, y1)], key=lonely)
    east, north = corner[0] == x1, corner[1] == y1
    ax.annotate(
        say("allowed"), corner, xytext=(-4 if east else 4, -4 if north else 4),
        textcoords="offset points", ha="right" if east else "left",
        va="top" if north else "bottom", fontsize="small",
    )  # fmt: skip
    return patch
