"""Behaviour in the circuit as formatted text and a chart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dossier.case.case import Case
from dossier.decision.finding import Assessment
from dossier.evidence.quantities.circuit import CircuitSide, LongRun
from dossier.report.blocks import Chart, Column, Fact, Table
from dossier.report.charts.pressure_chart import Band, draw_share
from dossier.report.charts.style import draw
from dossier.report.format import quantity_text, significant, speak, with_uncertainty
from dossier.words import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KELVIN = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitPage:
    """What either filter does in this circuit."""

    facts: Table
    long_run: Table
    share: Chart | None
    notes: tuple[str, ...]


def circuit_page(case: Case, assessment: Assessment, style: str) -> CircuitPage:
    """Return the section on the circuit."""
    sides = assessment.circuit
    return CircuitPage(
        facts=_side_by_side(sides),
        long_run=_long_run(sides),
        share=_share(case, sides, style),
        notes=tuple(dict.fromkeys(speak(note) for side in sides for note in side.notes)),
    )  # fmt: skip


def _plus_minus(value: float, expanded: float) -> str:
    return " ± ".join(with_uncertainty(value, expanded))


def _side_by_side(sides: Sequence[CircuitSide]) -> Table:
    facts = [{fact.name: fact.value for fact in _facts(side)} for side in sides]
    names = dict.fromkeys(name for each in facts for name in each)
    rows = tuple((name, *(each.get(name, "–") for each in facts)) for name in names)
    width = 64 // max(len(sides), 1)
    return Table(
        caption=say("In the circuit with either filter"),
        columns=(Column(say("Quantity"), 36), *(Column(say(side.side), width) for side in sides)),
        rows=rows,
        empty=say("Nothing could be computed beyond the long-run balance."),
    )


def _facts(side: CircuitSide) -> tuple[Fact, ...]:
    found = []
    if side.share is not None:
        value = _plus_minus(100 * side.share.value, 200 * side.share.u)
        found.append(Fact(say("Share through the fine path, normal oil"), f"({value})\u00a0%"))
    if side.turnover is not None:
        text = quantity_text(side.turnover / 60, "min", 3)
        found.append(Fact(say("One sump volume through the fine path"), text))
    if side.code:
        found.append(Fact(say("ISO 4406 code of the sump in the long run"), side.code))
    if side.spared is not None:
        text = say(
            "{longer} times, from the size classes counted, which hold {share:.0f}\u00a0% of the "
            "dust's mass",
            longer=significant(side.spared, 3),
            share=100 * side.spared_mass_share,
        )
        name = say("Life of the full-flow filter with the fine path over that without it")
        found.append(Fact(name, text))
    return tuple(found)


def _long_run(sides: Sequence[CircuitSide]) -> Table:
    sizes = sorted({run.size for side in sides for run in side.long_run})
    rows = []
    for size in sizes:
        cells: list[str] = []
        for side in sides:
            run = next((r for r in side.long_run if r.size == size), None)
            cells += _cells(run)
        rows.append((significant(size), *cells))
    width = 88 // (3 * max(len(sides), 1))
    columns = [Column(say("Size / µm(c)"), 12)]
    for side in sides:
        columns += [
            Column(say("{side}: sump / (1/mL)", side=say(side.side)), width, "right"),
            Column(say("at the bearings / (1/mL)"), width, "right"),
            Column(say("time constant"), width, "right"),
        ]
    return Table(
        caption=say(
            "Long-run contamination with oil at its normal temperature, "
            "particles of the size and larger"
        ),
        columns=tuple(columns),
        rows=tuple(rows),
        note=say(
            "What enters, in the long run, is what the filters catch: the sump's volume sets only "
            "how fast. Contaminant counts as entering the sump, by the number spectrum of "
            "ISO 12103-1 A3; no oil is lost or replaced. At the bearings by the cumulative "
            "efficiency of the path."
        ),
        empty=say("No long-run balance could be computed."),
    )


def _cells(run: LongRun | None) -> list[str]:
    if run is None:
        return ["–", "–", "–"]
    slow = "–" if not math.isfinite(run.time_constant) else f"{run.time_constant:.0f}\u00a0s"
    return [
        _plus_minus(run.sump.value, 2 * run.sump.u), significant(run.bearings, 2), slow,
    ]  # fmt: skip


def _share(case: Case, sides: Sequence[CircuitSide], style: str) -> Chart | None:
    curves = [side.share_curve for side in sides if side.share_curve is not None]
    if not curves:
        return None
    bands = [
        Band(
            side=c.side, label=c.label, x=c.x - KELVIN, y=100 * c.y, low=100 * c.low,
            high=100 * c.high,
        )
        for c in curves
    ]  # fmt: skip
    normal = case.application.duty.normal_oil - KELVIN

    def paint(figure: "Figure") -> None:
        draw_share(figure.subplots(), bands, normal)

    ends = "; ".join(
        say(
            "{label} {low:.2g} % at {cold:.0f} °C to {high:.3g} % at {hot:.0f} °C",
            label=say(b.label),
            low=float(b.y[0]),
            cold=float(b.x[0]),
            high=float(b.y[-1]),
            hot=float(b.x[-1]),
        )
        for b in bands
    )
    return Chart(
        caption=say(
            "Share of the flow through the fine path against oil temperature, from the balance of "
            "pressures, with its 95 % band. In the cold the fine path takes little."
        ),
        id="chart-share",
        uri=draw(paint, style, 1.9),
        alt=say(
            "Chart of the share through the fine path in % against oil temperature in °C: {ends}.",
            ends=ends,
        ),
    )
