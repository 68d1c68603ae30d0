"""Charts of pressure drop: against flow, against oil temperature, against service hours."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dossier.evidence.bench import Curve
from dossier.physics.values import Floats
from dossier.report.charts.filtration_chart import LimitMark, name_sides
from dossier.report.charts.panel import Panel, tick
from dossier.report.charts.style import LIMIT, SHADE, line_style
from dossier.system.grouped import grouped
from dossier.words import later, say


def _bands(panel: Panel, bands: Sequence[Curve]) -> None:
    """Draw lines with their bands, each named; that of the reference has an edge, seen in grey."""
    for band in bands:
        finite = np.isfinite(band.low) & np.isfinite(band.high)
        look, edged = line_style(band.side), band.side == "reference"
        x, low, high = (each[finite] for each in (band.x, band.low, band.high))
        panel.area(x, low, high, look["color"], opacity=0.1 if edged else 0.2, edged=edged)
        panel.name(say(band.label), [panel.line(band.x, band.y, **{**look, "marker": ""})])


def _marks(panel: Panel, limits: Sequence[LimitMark]) -> None:
    """Draw a triangle that points to the allowed side of each limit, with its name."""
    for limit in limits:
        life = limit.y == 0.0
        marker = ">" if life else "^" if limit.is_minimum else "v"
        panel.line([limit.x], [limit.y], color=LIMIT, marker=marker, style="", size=6, beyond=True)
        panel.label(limit.label, limit.x, limit.y, dx=-5.0, dy=7.0)


def draw_against_flow(
    panel: Panel, bands: Sequence[Curve], limits: Sequence[LimitMark], title: str
) -> None:
    """Draw clean pressure drop [kPa] against flow [L/min], limits as marks."""
    panel.title = title
    panel.x.words, panel.y.words = say("flow / (L/min)"), say("clean pressure drop / kPa")
    panel.x.unit, panel.y.unit = "L/min", "kPa"
    _bands(panel, bands)
    _marks(panel, limits)
    top = max([float(np.nanmax(band.y)) for band in bands] + [limit.y for limit in limits])
    panel.y.low, panel.y.high, panel.x.low = 0.0, 1.18 * top, 0.0


def draw_against_temperature(
    panel: Panel,
    bands: Sequence[Curve],
    opening: tuple[float, float] | None,
    cold: float,
    swept: float | None = None,
) -> None:
    """Draw pressure drop [kPa] against oil temperature [degC].

    `opening` is the band in which the bypass valve opens [kPa], `cold` the cold start, and `swept`
    that above which oil is thinner than any that was swept [degC].
    """
    panel.x.words = say("oil temperature / °C")
    panel.y.words = say("clean pressure drop / kPa")
    panel.x.unit, panel.y.unit = "degC", "kPa"
    _bands(panel, bands)
    if opening is not None:
        _opening(panel, opening)
    _marker_line(panel, cold, say("cold start {cold} °C", cold=tick(cold, ".4g")), 26.0)
    _cap(panel, bands, opening)
    if swept is not None:
        words = later("oil temperature / °C; swept up to {swept} °C")
        panel.x.words = say(words, swept=tick(swept, ".4g"))


def _opening(panel: Panel, opening: tuple[float, float]) -> None:
    low, high = opening
    panel.area([-np.inf, np.inf], [low, low], [high, high], SHADE, hatched=True)
    panel.across(low)
    words = say("valve opens: {low:.4g} to {high:.4g} kPa", low=low, high=high)
    panel.label(words, 1.0, high, dy=3.0, align="right", level="bottom", of_width=True)


def _marker_line(panel: Panel, x: float, words: str, away: float = 4.0) -> None:
    """Draw a line across the chart with its name at the top, on the side that has more room."""
    low, high = panel.x.ends()
    left = x - low > 0.42 * (high - low)
    panel.upright(x, width=0.9, style="--")
    panel.label(words, x, 0.94, dx=-4.0 if left else away, of_height=True)


def _cap(panel: Panel, bands: Sequence[Curve], opening: tuple[float, float] | None) -> None:
    """End the axis a little above the valve, which a cold filter's hundreds would hide."""
    top = max(float(np.nanmax(band.high[np.isfinite(band.high)])) for band in bands)
    if opening is not None:
        top = min(top, 2.2 * opening[1])
        top = max(top, 1.35 * opening[1])
    panel.y.low, panel.y.high = 0.0, 1.05 * top


def draw_against_hours(
    panel: Panel,
    bands: Sequence[Curve],
    lowest_opening: float | None,
    interval: float,
    limits: Sequence[LimitMark] = (),
) -> None:
    """Draw predicted pressure drop [kPa] against service time [h].

    `lowest_opening` is the least pressure at which the valve may open [kPa], `interval` the
    service interval [h]; `limits` those of requirements on pressure [kPa] and, with a pressure of
    zero, on life [h].
    """
    panel.x.words = say("service time / h")
    panel.y.words, panel.y.unit = say("predicted pressure drop / kPa"), "kPa"
    panel.x.low = 0.0
    _bands(panel, bands)
    if lowest_opening is not None:
        panel.across(lowest_opening)
        words = say("valve from {low:.4g} kPa", low=lowest_opening)
        panel.label(words, 0.0, lowest_opening, dx=4.0, dy=3.0, level="bottom", of_width=True)
    _marker_line(panel, interval, say("service interval {interval:.4g} h", interval=interval))
    limit = None if lowest_opening is None else (lowest_opening, lowest_opening)
    _cap(panel, bands, limit)
    panel.y.high = 1.15 * panel.y.ends()[1]  # a name has room above the end of a band
    _marks(panel, limits)


def draw_share(panel: Panel, bands: Sequence[Curve], normal: float) -> None:
    """Draw the share [%] against oil temperature [degC], normal oil marked."""
    panel.x.words, panel.y.words = say("oil temperature / °C"), say("share of the flow / %")
    panel.x.unit = "degC"
    panel.y.low = 0.0
    _bands(panel, bands)
    panel.upright(normal, width=0.8, style="--")
    panel.label(say("normal oil"), normal, 0.0, dx=-4.0, dy=4.0, level="bottom", of_height=True)


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


def draw_sweeps(panel: Panel, sweeps: Sequence[Sweep]) -> None:
    """Draw raw points and fitted lines, both axes logarithmic."""
    panel.x.words, panel.y.words = say("flow / (L/min)"), say("differential pressure / kPa")
    panel.x.unit, panel.y.unit = "L/min", "kPa"
    panel.x.log = panel.y.log = True
    lines = []
    for sweep in sweeps:
        look = line_style(sweep.side)
        lines.append(panel.line(sweep.flow, sweep.fitted, **{**look, "marker": "", "width": 0.7}))
        panel.line(sweep.flow, sweep.pressure, **{**look, "style": "", "size": 3.0})
    name_sides(panel, [sweep.side for sweep in sweeps], lines)
    _viscosities(panel, sweeps)
    panel.y.low = 0.45 * min(float(sweep.fitted.min()) for sweep in sweeps)
    steps = [m * 10.0**e for e in range(-4, 6) for m in (1, 2, 5)]
    for axis in (panel.x, panel.y):
        axis.ticks = [(step, tick(step)) for step in steps]


def _viscosities(panel: Panel, sweeps: Sequence[Sweep]) -> None:
    """Write the viscosity under each bundle of curves."""
    for bundle in grouped((f"{sweep.viscosity:.1g}", sweep) for sweep in sweeps).values():
        nu = float(np.mean([sweep.viscosity for sweep in bundle]))
        lowest = min(bundle, key=lambda sweep: float(sweep.fitted[0]))
        x, y = float(lowest.flow[0]), float(lowest.fitted[0])
        panel.label(f"{tick(nu, '.3g')} mm²/s", x, y, dx=9.0, dy=-7.0)
