"""Application, filters and specimens as formatted text."""

from collections.abc import Sequence
from dataclasses import dataclass

from dossier.case.case import Case
from dossier.case.fields import Measured
from dossier.case.model import Filter, Oil, RecordEntry
from dossier.case.units import from_si
from dossier.decision.finding import Assessment
from dossier.evidence.check import Check
from dossier.evidence.fluid import kinematic_at
from dossier.report.blocks import Cell, Column, Fact, Line, Link, Table
from dossier.report.condense import named
from dossier.report.format import (
    NONE,
    PLUS_MINUS,
    date_text,
    percent,
    quantity_text,
    speak,
    with_uncertainty,
    with_unit,
)
from dossier.report.places import CHECKS, Places
from dossier.report.words import KINDS, PATHS

__all__ = ["ApplicationPage", "FiltersPage", "application_page", "filters_page", "si"]

ARRANGEMENTS = {
    "full_flow": "full flow: all oil passes the filter",
    "partial_flow": "partial flow: a share of the oil passes the filter and returns to the sump",
    "full_and_partial_flow": "full flow and partial flow, two filters",
    "combined": "two media in one can; the fine part returns to the sump",
    "combined_through_flow": "two media in one can; all oil goes to the engine",
}
LOCATIONS = {"filter": "in the filter", "head": "in the filter head", "none": "none"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ApplicationPage:
    """Where the filter will work."""

    document: tuple[Fact, ...]
    circuit: tuple[Fact, ...]
    oil: tuple[Fact, ...]
    duty: tuple[Fact, ...]
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FiltersPage:
    """What was tested."""

    filters: Table
    fluids: Table
    records: Table


def si(value: float | None, unit: str, dimension: str) -> str:
    """Return a working value with `unit`, or that none was stated."""
    return NONE if value is None else quantity_text(from_si(value, unit, dimension), unit)


def measured(value: Measured | None, unit: str, dimension: str) -> str:
    """Return a measured constant with its expanded uncertainty (twice the standard one)."""
    if value is None:
        return NONE
    middle = from_si(value.value, unit, dimension)
    if value.u is None:
        return quantity_text(middle, unit)
    step = from_si(1.0, unit, dimension) - from_si(0.0, unit, dimension)
    text = with_uncertainty(middle, 2.0 * value.u * step)
    return f"{with_unit(PLUS_MINUS.join(text), unit)}, k = 2"


def application_page(case: Case) -> ApplicationPage:
    """Return the application as formatted text."""
    application = case.application
    document = (
        Fact("Title", application.title),
        Fact("Revision", application.revision),
        Fact("Issued", date_text(application.issued)),
        Fact("Owner", application.owner or NONE),
        Fact("Equipment covered", application.equipment or (NONE,)),
    )
    return ApplicationPage(
        document=document,
        circuit=_circuit(case),
        oil=_oil(case),
        duty=_duty(case),
        notes=speak(application.notes),
    )


def _circuit(case: Case) -> tuple[Fact, ...]:
    circuit = case.application.circuit
    share = circuit.partial_flow_share
    return (
        Fact("Arrangement", ARRANGEMENTS[circuit.arrangement]),
        Fact("Rated flow", si(circuit.rated_flow, "L/min", "flow")),
        Fact("Sump volume", si(circuit.sump_volume, "L", "volume")),
        Fact("Share of partial flow", NONE if share is None else percent(share)),
        Fact("Bypass valve", _valve(case)),
        Fact("Highest system pressure", si(circuit.system_pressure, "kPa", "pressure")),
    )


def _valve(case: Case) -> str:
    valve = case.application.circuit.bypass_valve
    if valve is None:
        return NONE
    where = LOCATIONS[valve.location]
    if valve.opening is None:
        return where
    low, high = (from_si(end, "kPa", "pressure") for end in (valve.opening.min, valve.opening.max))
    return f"{where}, opens between {quantity_text(low, 'kPa')} and {quantity_text(high, 'kPa')}"


def _oil(case: Case) -> tuple[Fact, ...]:
    oil, duty = case.application.oil, case.application.duty
    states = (("hot", duty.hot_oil), ("normal", duty.normal_oil), ("cold start", duty.cold_start))
    computed = tuple(
        Fact(f"Viscosity, {name}, {si(t, 'degC', 'temperature')}", _viscosity(oil, t))
        for name, t in states
    )
    return (
        Fact("Oil", speak(oil.description) or NONE),
        Fact("Viscosity at 40 °C", si(oil.kv40, "mm2/s", "kinematic viscosity")),
        Fact("Viscosity at 100 °C", si(oil.kv100, "mm2/s", "kinematic viscosity")),
        Fact("Density at 15 °C", si(oil.density15, "kg/m3", "density")),
        *computed,
    )


def _viscosity(oil: Oil, temperature: float) -> str:
    try:
        nu = kinematic_at(oil, temperature)
    except ValueError as error:
        return f"not computed: {error}"
    return f"{quantity_text(nu * 1e6, 'mm2/s', 3)} (by ASTM D341)"


def _duty(case: Case) -> tuple[Fact, ...]:
    duty = case.application.duty
    factor = duty.life_factor
    return (
        Fact("Hot oil", si(duty.hot_oil, "degC", "temperature")),
        Fact("Normal oil", si(duty.normal_oil, "degC", "temperature")),
        Fact("Cold start", si(duty.cold_start, "degC", "temperature")),
        Fact("Service interval", si(duty.service_interval, "h", "time")),
        Fact("Contaminant reaching the filter", measured(duty.ingression, "g/h", "mass rate")),
        Fact("Taken as", duty.ingression_dust or NONE),
        Fact("Life at least", NONE if factor is None else f"{factor:g} service intervals"),
    )


def filters_page(case: Case, assessment: Assessment, places: Places) -> FiltersPage:
    """Return filters, fluids and records as formatted text."""
    return FiltersPage(
        filters=_filters(case),
        fluids=_fluids(case),
        records=_records(case, assessment.checks, places),
    )


def _filters(case: Case) -> Table:
    qualification = case.qualification
    described = [("candidate", qualification.candidate), ("reference", qualification.reference)]
    rows = [_filter_row(case, side, filter_) for side, filter_ in described if filter_]
    return Table(
        caption="Filters",
        columns=(
            Column("Side", 12),
            Column("Part number", 16),
            Column("Maker", 17),
            Column("Description", 30),
            Column("Lots", 12),
            Column("Specimens tested", 13),
        ),
        rows=tuple(rows),
        note="Candidate: the filter that is asked about. Reference: the filter now fitted.",
    )


def _filter_row(case: Case, side: str, filter_: Filter) -> tuple[str | tuple[str, ...], ...]:
    tested = {r.entry.specimen for r in case.records if r.entry.filter == side}
    return (
        side,
        filter_.part_number,
        filter_.maker or NONE,
        speak(filter_.description) or NONE,
        filter_.lots or (NONE,),
        ", ".join(sorted(name for name in tested if name)) or NONE,
    )


def _fluids(case: Case) -> Table:
    rows = [
        (
            fluid.id,
            speak(fluid.description) or "–",
            si(fluid.kv40, "mm2/s", "kinematic viscosity"),
            si(fluid.kv100, "mm2/s", "kinematic viscosity"),
            si(fluid.density15, "kg/m3", "density"),
        )
        for fluid in case.qualification.fluid
    ]
    return Table(
        caption="Test fluids",
        columns=(
            Column("Fluid", 18),
            Column("Description", 28),
            Column("Viscosity at 40 °C", 18, "right"),
            Column("Viscosity at 100 °C", 18, "right"),
            Column("Density at 15 °C", 18, "right"),
        ),
        rows=tuple(rows),
        empty="No test fluid is described.",
    )


def _records(case: Case, checks: Sequence[Check], places: Places) -> Table:
    folder = _common_folder([record.file for record in case.records])
    rows: list[tuple[Cell, ...]] = []
    for record in case.records:
        entry = record.entry
        file = record.file.removeprefix(folder)
        rows.append(
            (
                entry.id,
                KINDS[entry.kind],
                _tested_on(entry),
                entry.standard,
                date_text(entry.finished or entry.tested),
                f"{file}, sheet {record.sheet}" if record.sheet else file,
                _checked([check for check in checks if check.record == entry.id]),
            )
        )
    return Table(
        caption="Test records, each attached to this PDF as the laboratory handed it in",
        columns=(
            Column("Record", 9),
            Column("Kind", 15),
            Column("Filter, specimen, path", 19),
            Column("Method named", 15),
            Column("Tested until", 10),
            Column(f"File in {folder}" if folder else "File", 24),
            Column("Checks", 8, "right"),
        ),
        rows=tuple(rows),
        anchors=tuple(places.records[record.id] for record in case.records),
        note=f"{_laboratories(case)} Checks: met of made; what was not met stands in the section "
        "on validity.",
    )


def _common_folder(files: Sequence[str]) -> str:
    folders = {file.rpartition("/")[0] + "/" for file in files if "/" in file}
    return folders.pop() if len(folders) == 1 and all("/" in file for file in files) else ""


def _tested_on(entry: RecordEntry) -> str:
    path = PATHS[entry.path] if entry.path != "full_flow" else ""
    return ", ".join(part for part in (entry.filter, entry.specimen or "", path) if part)


def _checked(checks: Sequence[Check]) -> Cell:
    if not checks:
        return "–"
    met = sum(check.outcome == "met" for check in checks)
    return Line((Link(f"{met} of {len(checks)}", CHECKS),))


def _laboratories(case: Case) -> str:
    used: dict[str, list[str]] = {}
    for record in case.records:
        used.setdefault(case.laboratory(record.entry.laboratory).name, []).append(record.id)
    if len(used) == 1:
        return f"All tested by {next(iter(used))}."
    return " ".join(f"Tested by {name}: {named(ids)}." for name, ids in used.items())
