"""One look for all charts, and the way from a drawing to text that a page can hold."""

import io
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from dossier.report.charts.deferred import now_or_later
from dossier.report.format import MINUS, chart_text
from dossier.words import decimal_mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

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


FIXED = {"svg.fonttype": "none", "svg.hashsalt": "dossier", "text.parse_math": "False"}
"""Set whatever the style says: searchable text, the same bytes, and names that stay text."""
SETTINGS: Mapping[str, tuple[str, ...] | tuple[float, float]] = {
    "font.family": ("Fira Sans",), "font.size": (8.0, 9.0),
    "axes.titlelocation": ("left", "center", "right"), "axes.titleweight": ("normal", "bold"),
    "axes.grid": ("True", "False"), "axes.spines.top": ("True", "False"),
    "axes.spines.right": ("True", "False"), "legend.frameon": ("True", "False"),
    "axes.linewidth": (0.4, 1.2), "grid.linewidth": (0.2, 0.8), "lines.linewidth": (0.8, 2.0),
    "lines.markersize": (3.0, 6.0),
}  # fmt: skip
"""What a house may set of a chart: one of these words, or a number within these bounds."""
FONTS = Path(__file__).parents[1] / "fonts"
FAMILIES = {"Fira Sans": "Dossier Sans", "DejaVu Sans Mono": "Dossier Mono"}
"""The shipped fonts under names of our own, as the style sheet declares them: a font of the same
name but another version, installed on the machine, must not take their place."""


@cache
def _fonts() -> None:
    from matplotlib import font_manager

    for path in sorted(FONTS.glob("*.ttf")):
        font_manager.fontManager.addfont(str(path))


@contextmanager
def styled(style: str) -> Iterator[None]:
    """Apply the chart style sheet `style` (its text), and nothing of the user's own settings."""
    import matplotlib as mpl

    _fonts()
    with mpl.rc_context(), warnings.catch_warnings():
        # A name in a script that the fonts lack is set by the page, which has the system's fonts.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        for name, value in {**_settings(style), **FIXED}.items():
            settings[name] = value
        yield


def _settings(style: str) -> dict[str, Any]:
    pairs = {}
    for line in style.splitlines():
        name, colon, value = line.partition("#")[0].partition(":")
        if colon:
            pairs[name.strip()] = value.strip()
    return pairs


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
    paint: Callable[["Figure"], object], style: str, height: float, width: float = WIDTH
) -> str:
    """Return the chart that `paint` draws on a figure of `height` and `width` [in], as a data URI.

    Inside `drawn_later` it is drawn later, and its address comes back.
    Text stays text, so that it can be read out and searched; ids are salted and no date is
    written, so that the same chart gives the same bytes.
    """
    return now_or_later(lambda: _drawn(paint, style, height, width))


def _drawn(paint: Callable[["Figure"], object], style: str, height: float, width: float) -> bytes:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with styled(style):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasSVG(figure)
        paint(figure)
        _mark_decimals(figure)
        _lay_out(figure)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "dossier"})
    drawing = buffer.getvalue()
    for name, ours in FAMILIES.items():
        drawing = drawing.replace(f"'{name}'".encode(), f"'{ours}'".encode())
    return drawing


def _lay_out(figure: "Figure") -> None:
    """Place the panels once; saving would draw the whole figure a second time for it."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine("none")


def tick(value: float, spec: str = "g") -> str:
    """Return a number as charts print it: a true minus, and the decimal mark of the language."""
    return format(value, spec).replace("-", MINUS).replace(".", decimal_mark())


def _mark_decimals(figure: "Figure") -> None:
    """Have the axes that number themselves write the decimal mark of the language."""
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            _mark_decimal(axis)


def _mark_decimal(axis: "Axis") -> None:
    from matplotlib.ticker import ScalarFormatter

    class Localised(ScalarFormatter):
        """Numbers as matplotlib writes them, but for the decimal mark."""

        def __call__(self, x: float, pos: int | None = None) -> str:
            return super().__call__(x, pos).replace(".", decimal_mark())

        def get_offset(self) -> str:
            return super().get_offset().replace(".", decimal_mark())

    if type(axis.get_major_formatter()) is ScalarFormatter:
        axis.set_major_formatter(Localised())


def side_color(side: str) -> str:
    """Return the colour of a side; line and marker differ as well, so that grey suffices."""
    return CANDIDATE if side == "candidate" else REFERENCE


def line_style(side: str) -> dict[str, Any]:
    """Return line and marker of a side: candidate solid and filled, reference dashed and open."""
    color = side_color(side)
    if side == "candidate":
        return {"color": color, "linestyle": "-", "marker": "o", "markerfacecolor": color}
    return {"color": color, "linestyle": "--", "marker": "s", "markerfacecolor": "white"}


def end_label(ax: "Axes", x: float, y: float, text: str, color: str, **more: Any) -> Any:
    """Return a label written beside a point, in the colour of its line."""
    options: dict[str, Any] = {
        "xytext": (4, 0),
        "textcoords": "offset points",
        "va": "center",
        "ha": "left",
        "color": color,
        "annotation_clip": False,
    }
    return ax.annotate(chart_text(text), (x, y), **{**options, **more})
