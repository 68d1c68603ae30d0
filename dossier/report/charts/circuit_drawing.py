"""The circuit with its filter as a drawing: lines and symbols after ISO 1219-1:2012 (from memory).

All places are in points on a sheet of `WIDTH` by `height_of`; the page lays it out at that size.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

from dossier.report.assets import svg_sheet
from dossier.report.format import chart_text
from dossier.report.scales import instead

WIDTH = 290.0
SIZE, LEADING = 8.0, 9.6
"""Size of the letters and from line to line [points]."""
LEFT, MIDDLE, RIGHT = 112.0, 160.0, 208.0
"""Where the lines about a filter begin and end, and its middle."""

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitDrawing:
    """What is drawn: an arrangement of the case format, where its valve is, and all labels."""

    arrangement: str
    valve: str
    """"filter" or "head"; empty without a bypass valve."""
    pump: Sequence[str]
    """Lines of the label, as of the others."""
    filter: Sequence[str]
    fine: Sequence[str]
    bypass: Sequence[str]
    bearings: Sequence[str]
    sump: Sequence[str]


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text: its anchor on the baseline [points]."""

    x: float
    y: float
    anchor: Anchor
    text: str


@dataclass(frozen=True, slots=True)
class _Filter:
    """A filter at the height `y`, its taps and its valve, where it has one, at theirs."""

    y: float
    gauge: float
    bypass: float | None


def labels_of(circuit: CircuitDrawing) -> Iterator[Label]:
    """Yield every label of a drawing at its place."""
    main, fine = _filters(circuit)
    yield from _lines(54.0, 93.0, "end", circuit.pump)
    yield from _lines(MIDDLE, _surface(circuit) + 22.0, "middle", circuit.sump)
    below = 92.5 if len(circuit.bearings) > 1 else 97.5
    yield from _lines(258.0, below, "middle", circuit.bearings)
    yield from _lines(MIDDLE, main.y + 21.0, "middle", circuit.filter)
    if fine is not None:
        yield from _lines(MIDDLE, fine + 21.0, "middle", circuit.fine)
    yield Label(MIDDLE, main.gauge + 2.8, "middle", "Δp")
    if main.bypass is not None and main.gauge > main.y:
        yield from _lines(MIDDLE, main.bypass - 17.0, "middle", [" ".join(circuit.bypass)])
    elif main.bypass is not None:
        yield from _lines(221.0, main.bypass - 2.0, "start", circuit.bypass)


def _lines(x: float, y: float, anchor: Anchor, texts: Sequence[str]) -> list[Label]:
    return [Label(x, y + LEADING * i, anchor, text) for i, text in enumerate(texts)]


def _filters(circuit: CircuitDrawing) -> tuple[_Filter, float | None]:
    """Return the filter that the valve guards, and the height of the fine one beside it."""
    if circuit.arrangement == "partial_flow":
        return _Filter(80.0, 118.0, 54.0 if circuit.valve else None), None
    main = _Filter(62.0, 12.0, 36.0 if circuit.valve else None)
    return main, {"combined_through_flow": 100.0, "full_flow": None}.get(circuit.arrangement, 106.0)


def height_of(circuit: CircuitDrawing) -> float:
    """Return the height of a drawing [points]."""
    return _surface(circuit) + 36.0


def _surface(circuit: CircuitDrawing) -> float:
    """Return where the sump begins, below all that is drawn above it."""
    return 116.0 if circuit.arrangement == "full_flow" else 134.0


def begin() -> float:
    """Return where a drawing begins at its left: "US gal/min" is longer than "L/min" [points]."""
    return -14.0 if instead() else 0.0


def svg_of(circuit: CircuitDrawing) -> bytes:
    """Return the drawing as SVG."""
    main, fine = _filters(circuit)
    lines = [*_frame(circuit), *_around(main)]
    dashed, filled = [_dash(main.y)], ["M70 85l-6.5 9.5h13z", _arrow(238.0, _supply(circuit))]
    if fine is not None:
        lines.append(_beside(circuit, fine))
        dashed.append(_dash(fine))
    thin = 'fill="none" stroke="#404040" stroke-width="0.6" stroke-dasharray="7 2 1 2"'
    looks = (
        (lines, 'fill="none" stroke="#000" stroke-width="0.9"'),
        (dashed, 'fill="none" stroke="#000" stroke-width="0.8" stroke-dasharray="2.4 1.6"'),
        (_can(circuit, main, fine), thin),
        (filled, 'fill="#000"'),
    )
    marks = "".join(f'<path d="{" ".join(paths)}" {look}/>' for paths, look in looks if paths)
    words = "".join(map(_text, labels_of(circuit)))
    letters = f'<g font-family="\'Dossier Sans\'" font-size="{SIZE:g}">{words}</g>'
    return svg_sheet(WIDTH - begin(), height_of(circuit), marks + letters, left=begin())


def _text(label: Label) -> str:
    place = f'x="{label.x:g}" y="{label.y:g}" text-anchor="{label.anchor}"'
    return f"<text {place}>{escape(chart_text(label.text), quote=False)}</text>"


def _supply(circuit: CircuitDrawing) -> float:
    """Return the height of the line from the pump to the bearings."""
    return 22.0 if circuit.arrangement == "partial_flow" else 62.0


def _frame(circuit: CircuitDrawing) -> Iterator[str]:
    """Yield tank, pump, bearings and the line that joins them."""
    top, supply = _surface(circuit), _supply(circuit)
    yield f"M40 {top:g}v32H284V{top:g}M70 {top + 16:g}V107M258 108V{top + 16:g}"
    yield f"M81 96A11 11 0 1 0 59 96A11 11 0 1 0 81 96M70 85V{supply:g}M232 82H284V108H232Z"
    if circuit.arrangement == "partial_flow":
        yield f"M70 22H258V82M88 22V80H{MIDDLE - 12:g}M{MIDDLE + 12:g} 80H224V{top + 16:g}"
    else:
        yield f"M70 62H{MIDDLE - 12:g}M{MIDDLE + 12:g} 62H258V82"


def _around(main: _Filter) -> Iterator[str]:
    """Yield a filter with the taps of its differential pressure and its valve."""
    yield _diamond(main.y)
    yield f"M104 {main.y:g}V{main.gauge:g}H151M169 {main.gauge:g}H216V{main.y:g}"
    yield _ring(MIDDLE, main.gauge, 9.0)
    if main.bypass is not None:
        y = main.bypass
        yield f"M{LEFT:g} {main.y:g}V{y:g}H153M160 {y - 6.5:g}L153 {y:g}L160 {y + 6.5:g}"
        yield _ring(159.6, y, 4.0)
        yield f"M163.6 {y:g}l2 -4l3 8l3 -8l3 8l2 -4H{RIGHT:g}V{main.y:g}"


def _beside(circuit: CircuitDrawing, y: float) -> str:
    """Return the fine filter with its lines: to the sump, or along the other to the engine."""
    ends = f"H{MIDDLE - 12:g}M{MIDDLE + 12:g} {y:g}"
    if circuit.arrangement == "combined_through_flow":
        return f"{_diamond(y)}M118 62V{y:g}{ends}H202V62"
    return f"{_diamond(y)}M88 62V{y:g}{ends}H224V{_surface(circuit) + 16:g}"


def _can(circuit: CircuitDrawing, main: _Filter, fine: float | None) -> list[str]:
    """Return the outline of what is one part: a can with both media, and with its own valve."""
    one = fine is not None and circuit.arrangement != "full_and_partial_flow"
    if not one and circuit.valve != "filter":
        return []
    top = (main.bypass or main.y) - 10.0 if circuit.valve == "filter" else main.y - 16.0
    low = fine if fine is not None and one else main.y
    return [f"M108 {top:g}H212V{low + 24:g}H108Z"]


def _diamond(y: float) -> str:
    return f"M{MIDDLE - 12:g} {y:g}l12 -12l12 12l-12 12z"


def _dash(y: float) -> str:
    return f"M{MIDDLE:g} {y - 12:g}V{y + 12:g}"


def _ring(x: float, y: float, r: float) -> str:
    return f"M{x + r:g} {y:g}A{r:g} {r:g} 0 1 0 {x - r:g} {y:g}A{r:g} {r:g} 0 1 0 {x + r:g} {y:g}"


def _arrow(x: float, y: float) -> str:
    return f"M{x:g} {y:g}l-6 -2.2v4.4z"
