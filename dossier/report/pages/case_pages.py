"""Application, filters and specimens as formatted text."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dossier.case.application import Oil
from dossier.case.case import Case
from dossier.case.extended import Library
from dossier.case.fields import Measured
from dossier.case.model import Filter, RecordEntry
from dossier.case.units import from_si
from dossier.decision.finding import Assessment
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.validity.check import Check
from dossier.report.blocks import Cell, Column, Fact, Line, Link, Table
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
from dossier.report.pages.filtration import side_brief
from dossier.report.pages.fixed_words import KINDS, PATHS
from dossier.report.pages.places import CHECKS, Places, named
from dossier.words import later, say

ARRANGEMENTS = {
    "full_flow": later("full flow: all oil passes the filter"),
    "partial_flow": later(
        "partial flow: a share of the oil passes the filter and returns to the sump"
    ),
    "full_and_partial_flow": later("full flow and partial flow, two filters"),
    "combined": later("two media in one can; the fine part returns to the sump"),
    "combined_through_flow": later("two media in one can; all oil goes to the engine"),
}
LOCATIONS = {
    "filter": later("in the filter"),
    "head": later("in the filter head"),
}


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
    return say(NONE) if value is None else quantity_text(from_si(value, unit, dimension), unit)


def measured(value: Measured | None, unit: str, dimension: str) -> str:
    """Return a measured constant with its expanded uncertainty (twice the standard one)."""
    if value is None:
        return say(NONE)
    middle = from_si(value.value, unit, dimension)
    if value.u is None:
        return quantity_text(middle, unit)
    step = from_si(1.0, unit, dimension) - from_si(0.0, unit, dimension)
    text = with_uncertainty(middle, 2.0 * value.u * step)
    return say("{value}, k = {k}", value=with_unit(PLUS_MINUS.join(text), unit), k=2)


def _set_lines(each: Library) -> Iterator[str]:
    """Yield where a requirement set is from, and which of its requirements count."""
    day = date_text(each.issued)
    yield say("{title}, revision {revision} of {day}", title=each.title, revision=each.revision,
              day=day)  # fmt: skip
    yield each.file
    if each.taken:
        yield say("taken from it: {names}", names=", ".join(each.taken))
    if each.overridden:
        names = ", ".join(each.overridden)
        yield say("stated otherwise in this application: {names}", names=names)


def application_page(case: Case) -> ApplicationPage:
    """Return the application as formatted text."""
    application = case.application
    document = (
        Fact(say("Title"), application.title),
        Fact(say("Revision"), application.revision),
        Fact(say("Issued"), date_text(application.issued)),
        Fact(say("Owner"), application.owner or say(NONE)),
        Fact(say("Equipment covered"), application.equipment or (say(NONE),)),
        *(Fact(say("Requirement set"), tuple(_set_lines(each))) for each in case.libraries),
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
        Fact(say("Arrangement"), say(ARRANGEMENTS[circuit.arrangement])),
        Fact(say("Rated flow"), si(circuit.rated_flow, "L/min", "flow")),
        Fact(say("Sump volume"), si(circuit.sump_volume, "L", "volume")),
        Fact(say("Share of partial flow"), say(NONE) if share is None else percent(share)),
        Fact(say("Bypass valve"), _valve(case)),
        Fact(say("Highest system pressure"), si(circuit.system_pressure, "kPa", "pressure")),
    )


def _valve(case: Case) -> str:
    valve = case.application.circuit.bypass_valve
    if valve is None:
        return say(NONE)
    where = (
        say("none", context="bypass valve")
        if valve.location == "none"
        else say(LOCATIONS[valve.location])
    )
    if valve.opening is None:
        return where
    low, high = (from_si(end, "kPa", "pressure") for end in (valve.opening.min, valve.opening.max))
    return say(
        "{where}, opens between {low} and {high}",
        where=where,
        low=quantity_text(low, "kPa"),
        high=quantity_text(high, "kPa"),
    )


def _oil(case: Case) -> tuple[Fact, ...]:
    oil, duty = case.application.oil, case.application.duty
    states = (
        (later("Viscosity, hot, {temperature}"), duty.hot_oil),
        (later("Viscosity, normal, {temperature}"), duty.normal_oil),
        (later("Viscosity, cold start, {temperature}"), duty.cold_start),
    )
    computed = tuple(
        Fact(say(name, temperature=si(t, "degC", "temperature")), _viscosity(oil, t))
        for name, t in states
    )
    return (
        Fact(say("Oil"), speak(oil.description) or say(NONE)),
        Fact(say("Viscosity at 40 °C"), si(oil.kv40.value, "mm2/s", "kinematic viscosity")),
        Fact(say("Viscosity at 100 °C"), si(oil.kv100.value, "mm2/s", "kinematic viscosity")),
        Fact(say("Density at 15 °C"), si(oil.density15, "kg/m3", "density")),
        *computed,
    )


def _viscosity(oil: Oil, temperature: float) -> str:
    try:
        nu = kinematic_at(oil, temperature)
    except ValueError as error:
        return say("not computed: {reason}", reason=str(error))
    return say("{viscosity} (by ASTM D341)", viscosity=quantity_text(nu * 1e6, "mm2/s", 3))


def _duty(case: Case) -> tuple[Fact, ...]:
    duty = case.application.duty
    factor = duty.life_factor
    return (
        Fact(say("Hot oil"), si(duty.hot_oil, "degC", "temperature")),
        Fact(say("Normal oil"), si(duty.normal_oil, "degC", "temperature")),
        Fact(say("Cold start"), si(duty.cold_start, "degC", "temperature")),
        Fact(say("Service interval"), si(duty.service_interval, "h", "time")),
        Fact(say("Contaminant reaching the filter"), measured(duty.ingression, "g/h", "mass rate")),
        Fact(say("Taken as"), duty.ingression_dust or say(NONE)),
        Fact(
            say("Life at least"),
            say(NONE) if factor is None else say("{number:g} service intervals", number=factor),
        ),
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
        caption=say("Filters"),
        columns=(
            Column(say("Side"), 12),
            Column(say("Part number"), 16),
            Column(say("Maker"), 17),
            Column(say("Description"), 30),
            Column(say("Lots"), 12),
            Column(say("Specimens tested"), 13),
        ),
        rows=tuple(rows),
        note=say("Candidate: the filter that is asked about. Reference: the filter now fitted."),
    )


def _filter_row(case: Case, side: str, filter_: Filter) -> tuple[str | tuple[str, ...], ...]:
    tested = {r.entry.specimen for r in case.records if r.entry.filter == side}
    return (
        side_brief(side),
        filter_.part_number,
        filter_.maker or say(NONE),
        speak(filter_.description) or say(NONE),
        case.qualification.lots_of(side) or (say(NONE),),
        ", ".join(sorted(name for name in tested if name)) or say(NONE),
    )


def _fluids(case: Case) -> Table:
    rows = [
        (
            fluid.id,
            speak(fluid.description) or "–",
            si(fluid.kv40.value, "mm2/s", "kinematic viscosity"),
            si(fluid.kv100.value, "mm2/s", "kinematic viscosity"),
            si(fluid.density15, "kg/m3", "density"),
        )
        for fluid in case.qualification.fluid
    ]
    return Table(
        caption=say("Test fluids"),
        columns=(
            Column(say("Fluid"), 18),
            Column(say("Description"), 28),
            Column(say("Viscosity at 40 °C"), 18, "right"),
            Column(say("Viscosity at 100 °C"), 18, "right"),
            Column(say("Density at 15 °C"), 18, "right"),
        ),
        rows=tuple(rows),
        empty=say("No test fluid is described."),
    )


def _records(case: Case, checks: Sequence[Check], places: Places) -> Table:
    folder = _common_folder([record.file for record in case.records])
    rows: list[tuple[Cell, ...]] = []
    for record in case.records:
        entry = record.entry
        file = record.file.removeprefix(folder)
        owner = record.file.partition("/")[0]
        if owner != case.name and record.file in {each.name for each in case.inputs}:
            file = say("{file}, from case {case}", file=file, case=owner)
        rows.append(
            (
                entry.id,
                say(KINDS[entry.kind]),
                _tested_on(entry),
                entry.standard,
                date_text(entry.finished or entry.tested),
                say("{file}, sheet {sheet}", file=file, sheet=record.sheet)
                if record.sheet
                else file,
                _checked([check for check in checks if check.record == entry.id]),
            )
        )
    return Table(
        caption=say("Test records, each file attached to this PDF byte for byte"),
        columns=(
            Column(say("Record"), 9),
            Column(say("Kind"), 15),
            Column(say("Filter, specimen, path"), 19),
            Column(say("Method named"), 15),
            Column(say("Tested until"), 10),
            Column(say("File in {folder}", folder=folder) if folder else say("File"), 24),
            Column(say("Checks"), 8, "right"),
        ),
        rows=tuple(rows),
        anchors=tuple(places.records[record.id] for record in case.records),
        note=say(
            "{laboratories} Checks: met of made; what was not met stands in the section on "
            "validity.",
            laboratories=_laboratories(case),
        ),
    )


def _common_folder(files: Sequence[str]) -> str:
    folders = {file.rpartition("/")[0] + "/" for file in files if "/" in file}
    return folders.pop() if len(folders) == 1 and all("/" in file for file in files) else ""


def _tested_on(entry: RecordEntry) -> str:
    path = say(PATHS[entry.path]) if entry.path != "full_flow" else ""
    return ", ".join(part for part in (say(entry.filter), entry.specimen or "", path) if part)


def _checked(checks: Sequence[Check]) -> Cell:
    if not checks:
        return "–"
    met = sum(check.outcome == "met" for check in checks)
    return Line((Link(say("{met} of {number}", met=met, number=len(checks)), CHECKS),))


def _laboratories(case: Case) -> str:
    used: dict[str, list[str]] = {}
    for record in case.records:
        used.setdefault(case.laboratory(record.entry.laboratory).name, []).append(record.id)
    if len(used) == 1:
        return say("All tested by {laboratory}.", laboratory=next(iter(used)))
    return " ".join(
        say("Tested by {laboratory}: {records}.", laboratory=name, records=named(ids))
        for name, ids in used.items()
    )
