"""Behaviour in the circuit as formatted text and a chart."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain

from dossier.case.application import HAS_FINE, HAS_MAIN
from dossier.case.application import Circuit as Asked
from dossier.case.case import Case
from dossier.case.fields import Band
from dossier.decision.finding import Assessment
from dossier.evidence.bench import Bench
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.circuit import CircuitSide, LongRun
from dossier.evidence.quantities.fine_path import (
    fine_share,
    path_flow,
)
from dossier.evidence.quantities.valve import lowest_opening
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, attempt
from dossier.physics.values import KELVIN
from dossier.report.assets import now_or_later
from dossier.report.blocks import WIDE, Chart, Column, Fact, Table
from dossier.report.charts.circuit_drawing import CircuitDrawing, labels_of, svg_of
from dossier.report.charts.panel import Figure
from dossier.report.charts.pressure_chart import draw_share
from dossier.report.charts.style import draw
from dossier.report.format import (
    SPACE,
    joined,
    percent,
    quantity_text,
    significant,
    span_text,
    with_interval,
    with_uncertainty,
    with_unit,
)
from dossier.report.pages.case_pages import ARRANGEMENTS, application_facts, machines_of, si
from dossier.report.pages.uncertainty import rule_in_brief
from dossier.report.running import retold
from dossier.report.scales import BESIDE, Scale, form, in_form, scales
from dossier.words import later, say


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
        notes=tuple(dict.fromkeys(retold(note) for side in sides for note in side.notes)),
    )


def circuit_drawing(case: Case) -> Chart:
    """Return the drawing of the circuit as the application describes it, in SI units."""
    beside = form() == BESIDE
    with in_form("SI" if beside else form()):
        drawn = _drawing(case)
        alt = say(
            "Drawing of the circuit: {circuit}. Labels: {labels}.",
            circuit=described(case.application.circuit),
            labels="; ".join(each.text for each in labels_of(drawn)),
        )
    words = "; ".join([described(case.application.circuit), *(_converted(case) if beside else ())])
    return Chart(
        caption=say(
            "{circuit}. Symbols after ISO 1219-1:2012 (from memory).",
            circuit=f"{words[0].upper()}{words[1:]}",
        ),
        id="drawing-circuit",
        uri=now_or_later(lambda: svg_of(drawn)),
        alt=alt,
    )


def _converted(case: Case) -> Iterator[str]:
    """Yield what the drawing says in SI alone, with US customary units beside."""
    circuit = case.application.circuit
    valve = circuit.bypass_valve
    if circuit.pump_flow is not None:
        yield say("pump {flow}", flow=_flow(circuit.pump_flow))
    if valve is not None and valve.opening is not None:
        ends = [significant(end / 1e3) for end in (valve.opening.min, valve.opening.max)]
        yield say("valve opens at {pressures}", pressures=with_unit(span_text(*ends), "kPa"))
    for words, pressure in (
        (later("supply at most {pressure}"), circuit.system_pressure),
        (later("bearings {pressure}"), circuit.gallery_pressure),
    ):
        if pressure is not None:
            yield say(words, pressure=_kpa(pressure))
    if circuit.sump_volume is not None:
        yield say("sump {volume}", volume=si(circuit.sump_volume, "L", "volume"))


def _drawing(case: Case) -> CircuitDrawing:
    circuit = case.application.circuit
    valve, band = circuit.bypass_valve, circuit.opening
    can = circuit.arrangement in {"combined", "combined_through_flow"}
    main = say("Full-flow medium") if can else say("Full-flow filter")
    return CircuitDrawing(
        arrangement=circuit.arrangement,
        valve=valve.location if valve is not None and band is not None else "",
        pump=(say("Pump"), _flow(circuit.pumped),
              *(_most(p) for p in (circuit.system_pressure,) if p is not None)),
        filter=(say("Filter"),) if circuit.arrangement not in TWO else (main,),
        fine=(say("Fine medium") if can else say("Fine filter"),),
        bypass=(say("Bypass valve"), *(_band(b) for b in (band,) if b is not None)),
        bearings=(say("Bearings"),
                  *(_kpa(p) for p in (circuit.gallery_pressure,) if p is not None)),
        sump=(" ".join([say("Sump"), *(si(v, "L", "volume") for v in (circuit.sump_volume,)
                                       if v is not None)]),),
    )  # fmt: skip


WHERE = {
    "": later("no bypass valve stated"),
    "none": later("no bypass valve"),
    "filter": later("bypass valve in the filter"),
    "head": later("bypass valve in the filter head"),
}
"""Where the valve is, as said below the drawing."""


def described(circuit: Asked) -> str:
    """Return a circuit in words: arrangement, valve and flow."""
    where = circuit.bypass_valve.location if circuit.bypass_valve else ""
    parts = [say(ARRANGEMENTS[circuit.arrangement]), say(WHERE[where])]
    parts.append(say("rated flow {flow}", flow=_flow(circuit.rated_flow)))
    if circuit.partial_flow_share is not None:
        parts.append(
            say("stated share of partial flow {share}", share=percent(circuit.partial_flow_share))
        )
    return "; ".join(parts)


def applications_facts(assessment: Assessment) -> Iterator[Fact]:
    """Yield what each of several applications states, under its name, and by which rule it goes."""
    for part in assessment.parts:
        case, asked = part.bench.case, part.bench.case.application
        valve = asked.circuit.bypass_valve
        words = later("valve opens at {pressures}")
        opening = [say(words, pressures=_band(valve.opening))] if valve and valve.opening else []
        told = [*machines_of(asked), described(asked.circuit), *opening]
        told += [rule_in_brief(asked.decision_rule)]
        told += [f"{each.name}: {each.value}" for each in application_facts(case)]
        yield Fact(case.mark, "; ".join(told))


TWO = HAS_FINE & HAS_MAIN
"""Arrangements with two paths, each with a name on the drawing."""


def _flow(value: float) -> str:
    return si(value, "L/min", "flow")


def _kpa(value: float) -> str:
    return si(value, "kPa", "pressure")


def _most(pressure: float) -> str:
    return f"≤\u00a0{_kpa(pressure)}"


def _band(band: Band) -> str:
    scale = scales("kPa")[0]
    ends = (significant(scale.of(end / 1e3)) for end in (band.min, band.max))
    return f"{span_text(*ends)}{SPACE}{scale.unit}"


def states_table(bench: Bench) -> Table:
    """Return what flows and presses hot, at normal temperature and cold, with the candidate."""
    duty, circuit = bench.case.application.duty, bench.case.application.circuit
    states = (duty.hot_oil, duty.normal_oil, duty.cold_start)
    drops = [_clean(bench, each) for each in states]
    rows = [(say("Viscosity / (mm²/s)"), *(_viscosity(bench, each) for each in states))]
    for each in scales("kPa"):
        head = say("Clean Δp / {unit}", unit=each.unit)
        rows.append((head, *(_kilo(drop, each) for drop in drops)))
    if circuit.opening:
        rows.append((say("Valve"), *map(partial(_position, bench), states, drops)))
    if circuit.arrangement in HAS_FINE:
        shares = [attempt(fine_share, bench, "candidate", each) for each in states]
        rows.append((say("Fine path / (L/min)"), *(_through(bench, each) for each in shares)))
        if circuit.arrangement != "combined_through_flow":
            rest = [_through(bench, each, rest=True) for each in shares]
            rows.append((say("Bearings / (L/min)"), *rest))
    rows = [row for row in rows if any(cell != UNKNOWN for cell in row[1:])]
    heads = zip((later("hot, {t}"), later("normal, {t}"), later("cold, {t}")), states, strict=True)
    return Table(
        caption=say("Hot and cold, with the candidate"),
        columns=(Column("", 37), *(Column(say(w, t=si(t, "degC", "temperature")), 21, "right")
                                   for w, t in heads)),
        rows=tuple(rows), wide=WIDE - 301.3,
        note=" ".join([
            *([say(SHUT if circuit.opening else CLEAN)] if len(rows) > 1 else ()),
            *([say("{none}: the sweeps do not reach so far, or none were made.", none=UNKNOWN)]
              if UNKNOWN in chain(*rows) else ()),
        ]),
    )  # fmt: skip


UNKNOWN = "–"
CLEAN = later("Δp: clean, at rated flow.")
SHUT = later("Δp: clean, at rated flow, as if the valve stayed shut.")


def _viscosity(bench: Bench, temperature: float) -> str:
    try:
        viscosity = kinematic_at(bench.case.application.oil, temperature)
        return significant(viscosity * 1e6, 3, keep=True)
    except ValueError:
        return UNKNOWN


def _clean(bench: Bench, temperature: float) -> Estimate | None:
    flow = path_flow(bench.case.application.circuit, "full_flow")
    if flow is None:
        return None
    at = {"flow": flow, "temperature": temperature}
    found = all_quantities()["clean_pressure_drop"].compute(bench, "candidate", at)
    return found if isinstance(found, Estimate) else None


def _kilo(found: Estimate | None, scale: Scale) -> str:
    """Return a pressure in kPa, or in the unit that those print in."""
    return UNKNOWN if found is None else significant(scale.of(found.value / 1e3), 3, keep=True)


def _position(bench: Bench, temperature: float, drop: Estimate | None) -> str:
    """Return whether the clean filter opens the valve, by the lowest pressure and the band."""
    opening = bench.case.application.circuit.opening
    lowest = attempt(lowest_opening, bench, "candidate")
    if opening is None or isinstance(lowest, NotDemonstrated):
        return UNKNOWN
    if drop is None:
        return say("may open") if _colder_than_opening(bench, temperature) else UNKNOWN
    if drop.value < lowest.value:
        return say("shut")
    return say("open") if drop.value > opening.max else say("may open")


def _colder_than_opening(bench: Bench, temperature: float) -> bool:
    """Return whether the oil is colder than where the clean filter opens the valve [K]."""
    at = {"flow": bench.case.application.circuit.rated_flow}
    found = all_quantities()["cold_bypass_temperature"].compute(bench, "candidate", at)
    return isinstance(found, Estimate) and temperature < found.value


def _through(bench: Bench, share: Estimate | NotDemonstrated, *, rest: bool = False) -> str:
    if isinstance(share, NotDemonstrated):
        return UNKNOWN
    part = 1.0 - share.value if rest else share.value
    flow = part * bench.case.application.circuit.pumped * 6e4
    return significant(scales("L/min")[0].of(flow), 3, keep=True)


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


def _facts(side: CircuitSide) -> Iterator[Fact]:
    if side.share is not None:
        low, high = side.share.interval()
        text = joined([(with_interval(100 * side.share.value, 100 * low, 100 * high), "%")])
        yield Fact(say("Share through the fine path, normal oil"), text)
    if side.turnover is not None:
        text = quantity_text(side.turnover / 60, "min", 3)
        yield Fact(say("One sump volume through the fine path"), text)
    if side.code:
        yield Fact(say("ISO 4406 code of the sump in the long run"), side.code)
    if side.spared is not None:
        text = say(
            "{longer} times, from the size classes counted, which hold {share:.0f}\u00a0% of the "
            "dust's mass",
            longer=significant(side.spared, 3),
            share=100 * side.spared_mass_share,
        )
        name = say("Life of the full-flow filter with the fine path over that without it")
        yield Fact(name, text)


def _long_run(sides: Sequence[CircuitSide]) -> Table:
    sizes = sorted({run.size for side in sides for run in side.long_run})
    runs = [{run.size: run for run in side.long_run} for side in sides]
    rows = [
        (significant(size), *chain.from_iterable(_cells(own.get(size)) for own in runs))
        for size in sizes
    ]
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
            "particles of the size and larger, ± 2u"
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
    return [" ± ".join(with_uncertainty(run.sump, 2 * run.u)), significant(run.bearings, 2), slow]


def _share(case: Case, sides: Sequence[CircuitSide], style: str) -> Chart | None:
    curves = [side.share_curve for side in sides if side.share_curve is not None]
    if not curves:
        return None
    bands = [
        replace(c, x=c.x - KELVIN, y=100 * c.y, low=100 * c.low, high=100 * c.high) for c in curves
    ]
    normal = case.application.duty.normal_oil - KELVIN

    def paint(figure: Figure) -> None:
        draw_share(figure.row()[0], bands, normal)

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
