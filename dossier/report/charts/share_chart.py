"""Chart of the share through the fine path against oil temperature."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from dossier.report.charts.pressure_chart import Band
from dossier.report.charts.style import LIMIT, end_label, line_style, side_color
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_share(ax: "Axes", bands: Sequence[Band], normal: float) -> list[Any]:
    """Return the artists: share [%] against oil temperature [degC], normal oil marked."""
    artists: list[Any] = []
    order = sorted(bands, key=lambda band: float(band.y[-1]))
    for rank, band in enumerate(order):
        color = side_color(band.side)
        artists.append(
            ax.fill_between(band.x, band.low, band.high, color=color, alpha=0.18, linewidth=0)
        )
        artists += ax.plot(band.x, band.y, **{**line_style(band.side), "marker": ""})
        at = int(np.argmin(np.abs(band.y - 0.6 * band.y[-1])))
        below = rank == 0 and len(order) > 1
        artists.append(
            end_label(
                ax, float(band.x[at]), float(band.y[at]), say(band.label), color,
                xytext=(9, -7) if below else (-9, 7), ha="left" if below else "right",
            )
        )  # fmt: skip
    artists.append(ax.axvline(normal, color=LIMIT, linewidth=0.8, linestyle="--"))
    artists.append(
        ax.annotate(
            say("normal oil"), (normal, 0), xytext=(-4, 4), textcoords="offset points", ha="right",
            fontsize="small",
        )
    )  # fmt: skip
    ax.set_ylim(bottom=0)
    ax.set_xlabel(say("oil temperature / °C"))
    ax.set_ylabel(say("share of the flow / %"))
    return artists
