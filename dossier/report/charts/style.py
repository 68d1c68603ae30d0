"""One look for all charts, and the way from a drawing to text that a page can hold."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, cast

from dossier.report.assets import now_or_later
from dossier.report.charts.drawing import figure_svg
from dossier.report.charts.panel import Figure, Form

CANDIDATE = "#0072B2"
"""Blue of the palette of Okabe and Ito: told from vermillion by every kind of colour vision."""
REFERENCE = "#D55E00"
"""Vermillion of the same palette."""
LIMIT = "#000000"
SHADE = "#EDEDED"
WIDTH = 6.7
"""Width of a chart [in]: that of the text on an A4 page."""
HEIGHT = 1.55
"""Usual height of a chart [in]."""
HALF = 3.25
"""Width of one of two charts side by side [in]."""


def width_of(half: bool) -> float:
    """Return the width of a chart [in]."""
    return HALF if half else WIDTH


SETTINGS: Mapping[str, tuple[str, ...] | tuple[float, float]] = {
    "font.family": ("Fira Sans",), "font.size": (8.0, 9.0),
    "axes.titlelocation": ("left", "center", "right"), "axes.titleweight": ("normal", "bold"),
    "axes.grid": ("True", "False"), "axes.spines.top": ("True", "False"),
    "axes.spines.right": ("True", "False"), "legend.frameon": ("True", "False"),
    "axes.linewidth": (0.4, 1.2), "grid.linewidth": (0.2, 0.8), "lines.linewidth": (0.8, 2.0),
    "lines.markersize": (3.0, 6.0),
}  # fmt: skip
"""What a house may set of a chart: one of these words, or a number within these bounds."""
NUMBERS = {
    "font.size": "size", "axes.linewidth": "frame", "grid.linewidth": "grid_line",
    "lines.linewidth": "line", "lines.markersize": "marker",
}  # fmt: skip
SWITCHES = {
    "axes.grid": "grid", "axes.spines.top": "top", "axes.spines.right": "right",
    "axes.titleweight": "bold_title",
}  # fmt: skip
"""Fields of `Form` by the names under which a house sets them."""


def _settings(style: str) -> dict[str, str]:
    pairs = (line.partition("#")[0].partition(":") for line in style.splitlines())
    return {name.strip(): value.strip() for name, colon, value in pairs if colon}


def setting_faults(style: str) -> Iterator[str]:
    """Yield what a house may not set of a chart, each in words."""
    for name, value in _settings(style).items():
        allowed = SETTINGS.get(name)
        if allowed is None:
            yield f"{name[:60]!r} is no setting that a house gives; they are {', '.join(SETTINGS)}"
        elif value not in allowed and not _within(value, allowed):
            ends = " to " if isinstance(allowed[0], float) else ", "
            yield f"{name} is {value[:40]!r}; it may be {ends.join(map(str, allowed))}"


def _within(value: str, allowed: Sequence[object]) -> bool:
    low, high = allowed[0], allowed[-1]
    plain = re.fullmatch(r"[0-9]{1,2}(\.[0-9]{1,3})?", value)
    return bool(plain) and isinstance(low, float) and low <= float(value) <= cast(float, high)


def draw(
    paint: Callable[[Figure], object], style: str, height: float = HEIGHT, width: float = WIDTH
) -> str:
    """Return the chart that `paint` draws on a figure of `height` and `width` [in], as a data URI.

    Inside `drawn_later` it is drawn later, and its address comes back.
    Text stays text, so that it can be read out and searched.
    """
    return now_or_later(lambda: _drawn(paint, style, height, width))


def _drawn(paint: Callable[[Figure], object], style: str, height: float, width: float) -> bytes:
    figure = Figure(72.0 * width, 72.0 * height, look_of(style))
    paint(figure)
    return figure_svg(figure)


def look_of(style: str) -> Form:
    """Return the form that a style sheet of charts sets; the later of two settings counts."""
    made: dict[str, Any] = {}
    for name, value in _settings(style).items():
        if name in NUMBERS:
            made[NUMBERS[name]] = float(value)
        elif name in SWITCHES:
            made[SWITCHES[name]] = value in {"True", "bold"}
        elif name == "axes.titlelocation":
            made["title"] = value
    return Form(**made)


def side_color(side: str) -> str:
    """Return the colour of a side; line and marker differ as well, so that grey suffices."""
    return CANDIDATE if side == "candidate" else REFERENCE


def line_style(side: str) -> dict[str, Any]:
    """Return line and marker of a side: candidate solid and filled, reference dashed and open."""
    color = side_color(side)
    if side == "candidate":
        return {"color": color, "style": "-", "marker": "o"}
    return {"color": color, "style": "--", "marker": "s", "fill": "#fff"}
