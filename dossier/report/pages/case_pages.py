"""Application, filters and specimens as formatted text."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from dossier.case.application import Application, Library
from dossier.case.case import Case
from dossier.case.fields import Measured
from dossier.case.model import Filter, RecordEntry
from dossier.case.units import from_si
from dossier.decision.cautions import KINDS
from dossier.decision.finding import Assessment
from dossier.decision.rules import FAILS, Verdict
from dossier.report.blocks import Cell, Column, Fact, Line, Table
from dossier.report.format import (
    NONE,
    PLUS_MINUS,
    SPACE,
    date_text,
    quantity_text,
    speak,
    with_uncertainty,
    with_unit,
)
from dossier.report.pages.carried import carried_table
from dossier.report.pages.filtration import side_brief
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import Places, named
from dossier.report.pages.ruler import in_quotes, shortened
from dossier.system.grouped import grouped
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


@dataclass(frozen=True, slots=True, kw_only=True)
class FiltersPage:
    """What was tested."""

    facts: tuple[Fact, ...]
    """The filters and the test fluids."""
    records: Table
    carried: Table | None
    """Evidence of the dossier before; None where nothing is carried over."""


def of_maker(part: str, maker: str) -> str:
    """Return a part number with its maker, if one is stated."""
    return say("{part} of {maker}", part=part, maker=maker) if maker else part


def si(value: float | None, unit: str, dimension: str) -> str:
    """Return a working value with `unit`, or that none was stated."""
    return say(NONE) if value is None else quantity_text(from_si(value, unit, dimension), unit)


def measured_text(value: Measured | None, unit: str, dimension: str) -> str:
    """Return a measured constant with its expanded uncertainty (twice the standard one)."""
    if value is None:
        return say(NONE)
    middle = from_si(value.value, unit, dimension)
    if value.u is None:
        return quantity_text(middle, unit)
    step = from_si(1.0, unit, dimension) - from_si(0.0, unit, dimension)
    text = with_uncertainty(middle, 2.0 * value.u * step)
    return say("{value}, k\u00a0=\u00a0{k}", value=with_unit(PLUS_MINUS.join(text), unit), k=2)


def _set_lines(each: Library) -> Iterator[str]:
    """Yield where a requirement set is from, and which of its requirements count."""
    day = date_text(each.issued)
    yield say(
        "{title}, revision {revision} of {day}", title=each.title, revision=each.revision, day=day
    )
    yield each.file
    if each.taken:
        yield say("taken from it: {names}", names=", ".join(each.taken))
    if each.overridden:
        names = ", ".join(each.overridden)
        yield say("stated otherwise in this application: {names}", names=names)


def revision_of(asked: Application) -> str:
    """Return revision and day of issue of an application."""
    words = later("revision {revision}, issued {issued}")
    return say(words, revision=asked.revision, issued=asked.issued)


def machines_of(asked: Application) -> tuple[str, str]:
    """Return the machines of an application, and by which document they are named."""
    machines = [in_quotes(each, 500) for each in asked.equipment] or [say("no equipment named")]
    words = later("asked by {owner} in {title}, revision {revision}, issued {issued}")
    source = say(
        words, title=in_quotes(asked.title, 500), revision=asked.revision, issued=asked.issued,
        owner=speak(asked.owner) or say("an owner not named"),
    )  # fmt: skip
    return "; ".join(machines), source


def application_facts(case: Case) -> Iterator[Fact]:
    """Yield the requirement sets that an application takes, its oil, its duty and its notes."""
    for each in case.libraries:
        yield Fact(say("Requirement set"), "; ".join(_set_lines(each)))
    asked, factor = case.application, case.application.duty.life_factor
    oil = (
        speak(asked.oil.description) or say(NONE),
        _stated(say("Viscosity at 40 °C"), asked.oil.kv40.value, "mm2/s", "kinematic viscosity"),
        _stated(say("Viscosity at 100 °C"), asked.oil.kv100.value, "mm2/s", "kinematic viscosity"),
        _stated(say("Density at 15 °C"), asked.oil.density15, "kg/m3", "density"),
    )
    yield Fact(say("Oil"), "; ".join(oil))
    ingression = measured_text(asked.duty.ingression, "g/h", "mass rate")
    life = say(NONE) if factor is None else say("{number:g} service intervals", number=factor)
    duty = (
        _stated(say("Hot oil"), asked.duty.hot_oil, "degC", "temperature"),
        _stated(say("Normal oil"), asked.duty.normal_oil, "degC", "temperature"),
        _stated(say("Cold start"), asked.duty.cold_start, "degC", "temperature"),
        _stated(say("Service interval"), asked.duty.service_interval, "h", "time"),
        say("Contaminant reaching the filter: {rate}", rate=ingression),
        say("Taken as: {dust}", dust=asked.duty.ingression_dust or say(NONE)),
        say("Life at least: {number}", number=life),
    )
    yield Fact(say("Duty"), "; ".join(duty))
    notes = speak(asked.notes)
    if notes and notes != speak(case.qualification.notes):  # page two has said it
        yield Fact(say("Notes"), notes)


def _stated(name: str, value: float | None, unit: str, dimension: str) -> str:
    return f"{name}: {si(value, unit, dimension)}"


def filters_page(case: Case, assessment: Assessment, places: Places) -> FiltersPage:
    """Return filters, test fluids and records as formatted text."""
    return FiltersPage(
        facts=tuple(_filters(case, assessment)),
        records=_records(case, assessment, places),
        carried=carried_table(case, assessment),
    )


def _filters(case: Case, assessment: Assessment) -> Iterator[Fact]:
    """Yield the filter that is asked about, the one now fitted, and the test fluids."""
    qualification = case.qualification
    sides = (
        (say("Candidate, asked about"), "candidate", qualification.candidate),
        (say("Reference, now fitted"), "reference", qualification.reference),
    )
    for name, side, filter_ in sides:
        if filter_ is not None:
            yield Fact(name, "; ".join(_filter_texts(case, assessment, side, filter_)))
    for fluid in qualification.fluid:
        described = speak(fluid.description)
        values = (
            (si(fluid.kv40.value, "mm2/s", "kinematic viscosity"), 40),
            (si(fluid.kv100.value, "mm2/s", "kinematic viscosity"), 100),
            (si(fluid.density15, "kg/m3", "density"), 15),
        )
        each = [say("{value} at {number} °C", value=value, number=at) for value, at in values]
        new = (one for one in each if _one_space(one) not in _one_space(described))
        told = "; ".join(filter(None, [described, ", ".join(new)]))
        yield Fact(say("Test fluid “{name}”", name=fluid.id), told)


def _one_space(text: str) -> str:
    return text.replace(SPACE, " ")


def tested_of(case: Case, assessment: Assessment, side: str, records: Collection[str]) -> set[str]:
    """Return the specimens of one filter that `records` tell of, by their entry or their rows."""
    named_ = {r.entry.specimen for r in case.records if r.entry.filter == side and r.id in records}
    results = [f.estimate if side == "candidate" else f.reference for f in assessment.findings]
    rows = {v.specimen for e in results if e for v in e.per_specimen if v.record in records}
    return {str(name) for name in named_ | rows if name}


def lots_tested(case: Case, assessment: Assessment) -> tuple[set[str], set[str], list[str]]:
    """Return the candidate's specimens, the lots they are said to be of, and all lots named.

    What was carried from before a change of the filter tells of none of them.
    """
    asked, earlier = case.qualification, set(case.earlier_lots)
    new = {r.id for r in case.records if not (earlier and case.source(r.id))}
    tested = tested_of(case, assessment, "candidate", new)
    lots = {each.id: each.lot for each in asked.specimen if each.filter == "candidate"}
    named_ = [lot for lot in asked.lots_of("candidate") if lot not in earlier]
    return tested, {lots.get(name, "") for name in tested} - {""}, named_


def lots_fact(case: Case, assessment: Assessment) -> Fact:
    """Return the lots that leave is given for, and what a later one needs."""
    _, drawn, named_ = lots_tested(case, assessment)
    words = later(
        "{lots}; any later lot: a new revision that names it and carries or repeats tests"
    )
    lots = ", ".join(sorted(drawn) or named_) or say("no lot named")
    told = say(words, lots=in_quotes(lots, 90))
    if case.earlier_lots and case.qualification.replaces.strip():
        words = later("{told}; {lots}: no leave any more")
        told = say(words, told=told, lots=in_quotes(", ".join(case.earlier_lots), 90))
    return Fact(say("Lots"), told)


def to_do(assessment: Assessment) -> Fact:
    """Return what is to be done where no leave is given."""
    asked = [f for f in assessment.findings if f.demand.severity == "mandatory"]
    ids = [
        f.demand.id
        for f in asked
        if f.verdict in (*FAILS, Verdict.NOT_DEMONSTRATED) and not f.concession
    ]
    words = later(
        "Keep the filter now fitted; take off any candidate that is fitted. Cure: a new "
        "revision that shows each mandatory requirement met; now not shown: {requirements}."
    )
    shown = shortened(named(ids), 90) or "–"
    return Fact(say("What to do"), say(words, requirements=shown))


def _filter_texts(case: Case, assessment: Assessment, side: str, filter_: Filter) -> Iterator[str]:
    yield of_maker(filter_.part_number, filter_.maker)
    if filter_.description:
        yield speak(filter_.description)
    tested = tested_of(case, assessment, side, {r.id for r in case.records})
    lots: Sequence[str] = case.qualification.lots_of(side)
    if side == "candidate" and case.earlier_lots:
        new, _, lots = lots_tested(case, assessment)
        earlier = later("from before the change, of {lots}, tested: {specimens}")
        yield say(earlier, lots=", ".join(case.earlier_lots), specimens=named(sorted(tested - new)))
        tested = new
    names = named(sorted(tested)) or say("none")
    lots_text = ", ".join(lots) or say("no lot named")
    yield say("of {lots} tested: {specimens}", lots=lots_text, specimens=names)


def _records(case: Case, assessment: Assessment, places: Places) -> Table:
    """Return a row a specimen and a column a kind of test, with the record and its last day."""
    kinds = [kind for kind in KINDS if any(r.entry.kind == kind for r in case.records)]
    found: dict[tuple[str, str], dict[str, list[Line]]] = {}
    for record in case.records:
        entry = record.entry
        row = found.setdefault((entry.filter, entry.specimen or ""), {})
        row.setdefault(entry.kind, []).append(_tested(case, entry, places))
    lots: dict[tuple[str, str], str] = {
        (each.filter, each.id): each.lot for each in case.qualification.specimen
    }
    rows: list[tuple[Cell, ...]] = [
        (
            ", ".join(filter(None, (f"{side_brief(side)} {name}".strip(), lots.get((side, name))))),
            *(tuple(row.get(kind, ())) or "–" for kind in kinds),
        )
        for (side, name), row in sorted(found.items(), key=lambda each: each[0][0])
    ]
    width = 80 // max(len(kinds), 1)
    return Table(
        caption=say("Test records by specimen, each file attached to this PDF byte for byte"),
        columns=(
            Column(say("Specimen, lot") if any(lots.values()) else say("Specimen"), 20),
            *(Column(_method_head(case, kind), width) for kind in kinds),
        ),
        rows=tuple(rows),
        note=say(
            "With the last day of each test, of specimens as received by the laboratory. "
            "{laboratories} What was checked of each stands in the section on validity; its file "
            "and method in the attached decision.json.",
            laboratories=" ".join([_laboratories(case, assessment), *_borrowed(case)]),
        ),
    )


def _borrowed(case: Case) -> Iterator[str]:
    """Yield which records are those of other cases, and which further files."""
    sets = {each.file.removeprefix("../") for each in case.libraries}
    found: dict[str, list[str]] = {}
    for file in case.inputs:
        owner, _, rest = file.name.partition("/")
        if owner != case.name and file.name not in sets:
            own = [record.id for record in case.records if record.file == file.name]
            found.setdefault(owner, []).extend(own or [rest])
    for owner, names in found.items():
        yield say("From case {case}: {file}.", case=owner, file=named(names))


def _tested(case: Case, entry: RecordEntry, places: Places) -> Line:
    path = [say(PATHS[entry.path])] if entry.path != "full_flow" else []
    path += [say("carried over")] if case.source(entry.id) else []
    day = date_text(entry.finished or entry.tested)
    return Line((", ".join([entry.id, *path, day]),), id=places.records[entry.id])


def _method_head(case: Case, kind: str) -> str:
    named_ = dict.fromkeys(r.entry.standard for r in case.records if r.entry.kind == kind)
    return f"{say(KINDS[kind])}, {'; '.join(named_)}" if len(named_) < 3 else say(KINDS[kind])


def _laboratories(case: Case, assessment: Assessment) -> str:
    """Return who tested what, with the specimens where records hold those of several."""
    many = {record.id for record in case.records if not record.entry.specimen}
    used = grouped((case.laboratory(r.entry.laboratory).name, r.id) for r in case.records)
    if len(used) == 1:
        return say("All tested by {laboratory}.", laboratory=next(iter(used)))
    told = []
    for name, ids in used.items():
        sides = ("candidate", "reference")
        own = [e for s in sides for e in sorted(tested_of(case, assessment, s, many & set(ids)))]
        records = f"{named(ids)} ({named(own)})" if own else named(ids)
        told.append(say("Tested by {laboratory}: {records}.", laboratory=name, records=records))
    return " ".join(told)
