"""What a chart shows: panels with axes, lines, bands and labels, all lengths in points.

It is kept as data, so that a test can look at it; `drawing.figure_svg` draws it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from dossier.physics.values import Floats
from dossier.report.format import MINUS
from dossier.report.scales import scales
from dossier.words import decimal_mark

Align = Literal["left", "center", "right"]
Level = Literal["top", "center", "bottom"]

INK = "#000000"
DASHES = {"-": "", "--": "4.4 1.9", ":": "1.2 1.8", "-.": "6 2 1.2 2"}
"""Line styles as lengths of strokes and gaps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """Form of all charts; a house may set it within bounds."""

    size: float = 8.0
    """Of letters."""
    title: str = "left"
    bold_title: bool = False
    grid: bool = True
    top: bool = False
    right: bool = False
    """Whether the frame is closed at the top, and on the right."""
    frame: float = 0.6
    grid_line: float = 0.4
    line: float = 1.2
    marker: float = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A series: a line through its points, or a marker at each, or both."""

    x: Floats
    y: Floats
    color: str
    style: str = "-"
    """One of `DASHES`; empty for markers alone."""
    width: float | None = None
    marker: str = ""
    """o, s, ^, v or >; empty without."""
    size: float | None = None
    fill: str = ""
    """Colour inside the markers: that of the line where it is empty."""
    beyond: bool = False
    """Whether markers stand whole where they cross the frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """What lies between two curves over the same places."""

    x: Floats
    low: Floats
    high: Floats
    color: str
    opacity: float = 1.0
    hatched: bool = False
    edged: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """Words beside a place, which is in data, or a share of the panel's width or height."""

    text: str
    x: float = 0.0
    y: float = 0.0
    dx: float = 0.0
    dy: float = 0.0
    """Upward."""
    align: Align = "left"
    level: Level = "center"
    color: str = INK
    of_width: bool = False
    of_height: bool = False
    of: tuple[Series, ...] = ()
    """Lines that the words name: they stand beside these, a piece of the first before them."""


@dataclass(slots=True)
class Axis:
    """One axis: its words, its ends, and its numbers."""

    words: str = ""
    unit: str = ""
    """Of the values along it; the numbers are in the unit that this one prints in."""
    log: bool = False
    low: float | None = None
    high: float | None = None
    ticks: list[tuple[float, str]] | None = None
    seen: list[float] = field(default_factory=list)

    def see(self, values: Any) -> None:
        """Note values that the axis must reach."""
        finite = np.asarray(values, dtype=np.float64)
        finite = finite[np.isfinite(finite)]
        if len(finite):
            self.seen += [float(finite.min()), float(finite.max())]

    def ends(self) -> tuple[float, float]:
        """Return where the axis begins and ends: as set, else a twentieth beyond what it shows."""
        if self.low is not None and self.high is not None:
            return self.low, self.high
        values = [self._scaled(v) for v in self.seen if v > 0 or not self.log] or [0.0, 1.0]
        room = 0.05 * (max(values) - min(values)) or 0.05 * abs(values[0]) or 0.5
        low, high = min(values) - room, max(values) + room
        if self.log:
            low, high = 10.0**low, 10.0**high
        return low if self.low is None else self.low, high if self.high is None else self.high

    def _scaled(self, value: Any) -> Any:
        return np.log10(np.maximum(value, 1e-300)) if self.log else value

    def share(self, value: Any) -> Any:
        """Return how far along the axis values lie: 0 at its beginning, 1 at its end [-]."""
        low, high = (float(self._scaled(end)) for end in self.ends())
        return (self._scaled(value) - low) / ((high - low) or 1.0)

    def marks(self, most: int) -> list[tuple[float, str]]:
        """Return the numbers along the axis, at most about `most` of them."""
        scale = scales(self.unit)[0]
        low, high = sorted(map(scale.of, self.ends()))
        if self.ticks is not None:
            return [(scale.back(at), text) for at, text in self.ticks if low <= at <= high]
        raw = (high - low) / most
        power = 10.0 ** math.floor(math.log10(raw))
        step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        found = [(scale.back(i * step), tick(i * step)) for i in range(first, last + 1)]
        return found or self.marks(2 * most)  # no axis without a number


def widened(values: Sequence[float], share: float) -> tuple[float, float]:
    """Return the ends of `values` with a `share` of their span [-] as room around them."""
    low, high = min(values), max(values)
    room = share * (high - low) or 0.1 * abs(high) or 1.0
    return low - room, high + room


def tick(value: float, spec: str = "g") -> str:
    """Return a number as charts print it: a true minus, and the decimal mark of the language."""
    return format(value, spec).replace("-", MINUS).replace(".", decimal_mark())


@dataclass(slots=True)
class Panel:
    """One pair of axes and what is drawn in it."""

    look: Form = field(default_factory=Form)
    title: str = ""
    x: Axis = field(default_factory=Axis)
    y: Axis = field(default_factory=Axis)
    areas: list[Area] = field(default_factory=list)
    lines: list[Series] = field(default_factory=list)
    labels: list[Tag] = field(default_factory=list)

    def line(self, x: Any, y: Any, **look: Any) -> Series:
        """Draw a series and return it, so that it can be named."""
        made = Series(x=np.asarray(x, float), y=np.asarray(y, float), **look)
        self.x.see(made.x)
        self.y.see(made.y)
        self.lines.append(made)
        return made

    def area(self, x: Any, low: Any, high: Any, color: str, **look: Any) -> None:
        """Fill between two curves."""
        x, low, high = (np.asarray(each, float) for each in (x, low, high))
        made = Area(x=x, low=low, high=high, color=color, **look)
        self.x.see(made.x)
        self.y.see([*made.low, *made.high])
        self.areas.append(made)

    def across(self, y: float, *, width: float = 1.0, style: str = "-") -> None:
        """Draw a black line over the whole width."""
        self.line([-np.inf, np.inf], [y, y], color=INK, width=width, style=style)

    def upright(self, x: float, *, width: float = 1.0, style: str = "-") -> None:
        """Draw a black line over the whole height."""
        self.line([x, x], [-np.inf, np.inf], color=INK, width=width, style=style)

    def label(self, text: str, x: float, y: float, **more: Any) -> None:
        """Write words beside a place: left of it where they are moved to the left."""
        side: Align = "right" if more.get("dx", 0.0) < 0 else "left"
        self.labels.append(Tag(text=text, x=x, y=y, **{"align": side, **more}))

    def name(self, text: str, lines: Sequence[Series]) -> None:
        """Write the name of lines of one look beside them."""
        self.labels.append(Tag(text=text, of=tuple(lines), color=lines[0].color))


@dataclass(slots=True)
class Figure:
    """A chart of one panel or several, in rows."""

    width: float
    height: float
    look: Form = field(default_factory=Form)
    rows: list[list[Panel]] = field(default_factory=list)

    def row(self, number: int = 1) -> list[Panel]:
        """Return so many panels beside each other, in a row below those there are."""
        self.rows.append([Panel(self.look) for _ in range(number)])
        return self.rows[-1]
