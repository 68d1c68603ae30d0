"""Charts of pressure drop: against flow, against oil temperature, against service hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dossier.report.charts.filtration_chart import LimitMark
from dossier.report.charts.style import LIMIT, SHADE, end_label, line_style, side_color, tick
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A computed line with its 95 % band, in printed units."""

    side: str
    label: str
    x: Floats
    y: Floats
    low: Floats
    high: Floats


def _bands(ax: "Axes", bands: Sequence[Band]) -> list[Any]:
    artists: list[Any] = []
    for band in bands:
        look = line_style(band.side)
        look["marker"] = ""
        color = side_color(band.side)
        finite = np.isfinite(band.low) & np.isfinite(band.high)
        artists.append(
            ax.fill_between(
                band.x[finite], band.low[finite], band.high[finite], color=color, alpha=0.18,
                linewidth=0,
            )
        )  # fmt: skip
        artists += ax.plot(band.x, band.y, **look)
    return artists


def _labels(ax: "Axes", bands: Sequence[Band], height: float, *, rising: bool = True) -> list[Any]:
    """Return a label a band where it passes `height` [kPa], each on its own side of the curves."""
    artists = []
    order = sorted(bands, key=lambda band: _where(band, height))
    for rank, band in enumerate(order):
        left = rank == 0 and (rising or len(order) > 1)
        at = 0.35 * height if left and not rising else height
        at = min(at, 0.6 * float(np.nanmax(band.y)))
        artists.append(
            end_label(
                ax, _where(band, at), at, say(band.label), side_color(band.side),
                xytext=(-9, 2 if rising else -4) if left else (9, -2),
                ha="right" if left else "left",
            )
        )  # fmt: skip
    return artists


def _where(band: Band, height: float) -> float:
    """Return the place on the horizontal axis at which a band passes `height`."""
    return float(band.x[int(np.argmin(np.abs(band.y - height)))])


def _marks(ax: "Axes", limits: Sequence[LimitMark]) -> list[Any]:
    """Return a triangle that points to the allowed side of each limit, with its name."""
    artists: list[Any] = []
    for limit in limits:
        life = limit.y == 0.0
        marker = ">" if life else "^" if limit.is_minimum else "v"
        artists += ax.plot(
            [limit.x], [limit.y], color=LIMIT, marker=marker, linestyle="", markersize=6, zorder=5,
            clip_on=False,
        )  # fmt: skip
        artists.append(
            end_label(
                ax, limit.x, limit.y, limit.label, LIMIT, xytext=(-5, 7), ha="right", fontsize=8
            )
        )
    return artists


def draw_against_flow(
    ax: "Axes", bands: Sequence[Band], limits: Sequence[LimitMark], title: str
) -> list[Any]:
    """Return the artists: clean pressure drop [kPa] against flow [L/min], limits as marks."""
    artists = [*_bands(ax, bands), *_marks(ax, limits)]
    top = max([float(np.nanmax(band.y)) for band in bands] + [limit.y for limit in limits])
    artists += _labels(ax, bands, 0.5 * top)
    ax.set_ylim(0.0, 1.18 * top)
    ax.set_xlim(left=0.0)
    ax.set_title(title)
    ax.set_xlabel(say("flow / (L/min)"))
    ax.set_ylabel(say("clean pressure drop / kPa"))
    return artists


def draw_against_temperature(
    ax: "Axes", bands: Sequence[Band], opening: tuple[float, float] | None, cold: float
) -> list[Any]:
    """Return the artists: pressure drop [kPa] against oil temperature [degC].

    `opening` is the band in which the bypass valve opens [kPa], `cold` the cold start [degC].
    """
    artists = _bands(ax, bands)
    if opening is not None:
        artists += _opening(ax, opening)
    artists += _marker_line(ax, cold, say("cold start {cold} °C", cold=tick(cold, ".4g")), 16)
    artists += _labels(ax, bands, 0.3 * _cap(ax, bands, opening), rising=False)
    ax.set_xlabel(say("oil temperature / °C"))
    ax.set_ylabel(say("clean pressure drop / kPa"))
    return artists


def _opening(ax: "Axes", opening: tuple[float, float]) -> list[Any]:
    low, high = opening
    words = say("valve opens: {low:.4g} to {high:.4g} kPa", low=low, high=high)
    return [
        ax.axhspan(low, high, facecolor=SHADE, edgecolor="#808080", hatch="////", linewidth=0),
        ax.axhline(low, color=LIMIT, linewidth=1.0),
        ax.annotate(
            words, (1.0, high), xycoords=ax.get_yaxis_transform(), xytext=(0, 3),
            textcoords="offset points", ha="right", va="bottom", fontsize=8,
        ),
    ]  # fmt: skip


def _marker_line(ax: "Axes", x: float, words: str, away: int = 4) -> list[Any]:
    """Return a line across the chart with its name at the top, on the side that has more room."""
    low, high = ax.get_xlim()
    left = x - low > 0.42 * (high - low)
    return [
        ax.axvline(x, color=LIMIT, linewidth=0.9, linestyle=(0, (4, 2))),
        ax.annotate(
            words, (x, 0.94), xycoords=ax.get_xaxis_transform(), xytext=(-4 if left else away, 0),
            textcoords="offset points", ha="right" if left else "left", va="center", fontsize=8,
        ),
    ]  # fmt: skip


def _cap(ax: "Axes", bands: Sequence[Band], opening: tuple[float, float] | None) -> float:
    """End the axis a little above the valve, which a cold filter's hundreds would hide."""
    top = max(float(np.nanmax(band.high[np.isfinite(band.high)])) for band in bands)
    if opening is not None:
        top = min(top, 2.2 * opening[1])
        top = max(top, 1.25 * opening[1])
    ax.set_ylim(0.0, 1.05 * top)
    return top


def draw_against_hours(
    ax: "Axes",
    bands: Sequence[Band],
    lowest_opening: float | None,
    interval: float,
    limits: Sequence[LimitMark] = (),
) -> list[Any]:
    """Return the artists: predicted pressure drop [kPa] against service time [h].

    `lowest_opening` is the least pressure at which the valve may open [kPa], `interval` the
    service interval [h]; `limits` those of requirements on pressure [kPa] and, with a pressure of
    zero, on life [h].
    """
    artists = [*_bands(ax, bands), *_marks(ax, limits)]
    if lowest_opening is not None:
        artists.append(ax.axhline(lowest_opening, color=LIMIT, linewidth=1.0))
        words = say("valve may open from {low:.4g} kPa", low=lowest_opening)
        artists.append(
            ax.annotate(
                words, (0.0, lowest_opening),
                xycoords=ax.get_yaxis_transform(), xytext=(4, 3), textcoords="offset points",
                fontsize=8, va="bottom",
            )
        )  # fmt: skip
    words = say("service interval {interval:.4g} h", interval=interval)
    artists += _marker_line(ax, interval, words)
    limit = None if lowest_opening is None else (lowest_opening, lowest_opening)
    artists += _labels(ax, bands, 0.45 * _cap(ax, bands, limit))
    ax.set_xlim(left=0.0)
    ax.set_xlabel(say("service time / h"))
    ax.set_ylabel(say("predicted pressure drop / kPa"))
    return artists


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
            fontsize=8,
        )
    )  # fmt: skip
    ax.set_ylim(bottom=0)
    ax.set_xlabel(say("oil temperature / °C"))
    ax.set_ylabel(say("share of the flow / %"))
    return artists


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One specimen's sweep at one viscosity, in printed units and in order of flow."""

    side: str
    flow: Floats
    """(n,) [L/min]."""
    pressure: Floats
    """As read (n,) [kPa]."""
    fitted: Floats
    """Of the fitted curve at the same flow and oil (n,) [kPa]."""
    viscosity: float
    """Mean kinematic viscosity of the oil [mm2/s]."""


def draw_sweeps(ax: "Axes", sweeps: Sequence[Sweep]) -> list[Any]:
    """Return the artists: raw points and fitted lines, both axes logarithmic."""
    artists: list[Any] = []
    for sweep in sweeps:
        look = line_style(sweep.side)
        artists += ax.plot(sweep.flow, sweep.fitted, **{**look, "marker": "", "linewidth": 0.7})
        artists += ax.plot(sweep.flow, sweep.pressure, **{**look, "linestyle": "", "markersize": 3})
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(bottom=0.45 * min(float(sweep.fitted.min()) for sweep in sweeps))
    artists += _sweeps_chart_labels(ax, sweeps)
    _plain_ticks(ax)
    ax.set_xlabel(say("flow / (L/min)"))
    ax.set_ylabel(say("differential pressure / kPa"))
    return artists


def _sweeps_chart_labels(ax: "Axes", sweeps: Sequence[Sweep]) -> list[Any]:
    """Return the viscosity under each bundle of curves, and each side beside the upper one."""
    artists = []
    bundles: dict[float, list[Sweep]] = {}
    for sweep in sweeps:
        bundles.setdefault(float(f"{sweep.viscosity:.1g}"), []).append(sweep)
    for bundle in bundles.values():
        nu = float(np.mean([sweep.viscosity for sweep in bundle]))
        lowest = min(bundle, key=lambda sweep: float(sweep.fitted[0]))
        x, y = float(lowest.flow[0]), float(lowest.fitted[0])
        artists.append(end_label(ax, x, y, f"{tick(nu, '.3g')} mm²/s", "black", xytext=(9, -7)))
    top = max(bundles.values(), key=lambda bundle: bundle[0].viscosity)
    for side, offset, align in (("candidate", (-6, 5), "right"), ("reference", (7, -5), "left")):
        own = [sweep for sweep in top if sweep.side == side]
        if own:
            middle = len(own[0].flow) // 2
            artists.append(
                end_label(
                    ax, float(own[0].flow[middle]), float(own[0].fitted[middle]), say(side),
                    side_color(side), xytext=offset, ha=align,
                )
            )  # fmt: skip
    return artists


def _plain_ticks(ax: "Axes") -> None:
    """Label axes at 1, 2 and 5 of each decade: few enough to read, enough for a short span."""
    steps = [m * 10.0**e for e in range(-4, 6) for m in (1, 2, 5)]
    for limits, set_ticks in ((ax.get_xlim(), ax.set_xticks), (ax.get_ylim(), ax.set_yticks)):
        inside = [step for step in steps if limits[0] <= step <= limits[1]]
        set_ticks(inside, [tick(step) for step in inside])
    ax.minorticks_off()
