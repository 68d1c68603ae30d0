"""Chart of the trade: what a filter catches, holds and costs in pressure, against the limits."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dossier.report.chart_style import LIMIT, SHADE, end_label, side_color

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Reach", "TradePoint", "draw_trade"]


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
        artists.append(end_label(ax, point.x, point.y, point.side, color, xytext=(7, 8)))
    _frame(ax, points, x, y)
    artists.append(_allowed(ax, x, y))
    for reach, line in ((x, ax.axvline), (y, ax.axhline)):
        for end in (reach.lower, reach.upper):
            if end is not None:
                artists.append(line(end, color=LIMIT, linewidth=1.0, linestyle="-"))
    ax.set_xlabel(x.label)
    ax.set_ylabel(y.label)
    return artists


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


def _allowed(ax: "Axes", x: Reach, y: Reach) -> Any:
    """Shade the region that the requirements on both axes allow."""
    from matplotlib.patches import Rectangle

    left, right = ax.get_xlim()
    bottom, top = ax.get_ylim()
    x0 = left if x.lower is None else x.lower
    x1 = right if x.upper is None else x.upper
    y0 = bottom if y.lower is None else y.lower
    y1 = top if y.upper is None else y.upper
    patch = Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=SHADE, edgecolor="none", zorder=0)
    ax.add_patch(patch)
    ax.annotate(
        "allowed", (x1, y0 if y.lower is None else y1), xytext=(-4, 4 if y.lower is None else -4),
        textcoords="offset points", ha="right", va="bottom" if y.lower is None else "top",
        fontsize="small",
    )  # fmt: skip
    return patch
