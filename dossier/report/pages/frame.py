"""Page two: the circuit, what is covered and what not, what would flip it, days and changes."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.decision.conditions import APPROVES
from dossier.decision.finding import Assessment, Finding, Sensitivity
from dossier.decision.flips import MOST
from dossier.decision.rules import Verdict
from dossier.evidence.changed import inputs_of
from dossier.evidence.quantities import all_quantities
from dossier.physics.values import KELVIN
from dossier.report.blocks import Cell, Chart, Column, Line, Link, Table
from dossier.report.format import NONE, date_text, significant, speak
from dossier.report.pages.carried import change_text, moved_text, on_carried
from dossier.report.pages.case_pages import lots_tested, machines_of, measured_text, of_maker, si
from dossier.report.pages.circuit import circuit_drawing, states_table
from dossier.report.pages.places import Places
from dossier.report.pages.places import named as in_runs
from dossier.report.signing import SignOff, role_text
from dossier.system.grouped import grouped
from dossier.words import later, say, say_count

LISTED = 12
"""Machines that the table of page two lists; more stand below it, or with their applications."""
SHOWN = 11
"""Requirements whose factors page two has room for, the nearest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePage:
    """What stands around the decision."""

    drawing: Chart
    states: Table
    scope: Table
    machines: str
    """All machines of one application, where they are too many for the table."""
    flips: Table
    days: Table
    changes: str
    """What changed since the revision or the dossier before; empty where there is none."""


def frame_page(
    case: Case, assessment: Assessment, signoff: SignOff, issued: date, places: Places
) -> FramePage:
    """Return page two as formatted text."""
    return FramePage(
        drawing=circuit_drawing(assessment.bench.case if case.parts else case),
        states=states_table(assessment.bench),
        scope=_scope(case, assessment),
        machines="" if case.parts or not _many(case) else machines_of(case.application)[0],
        flips=_flips(assessment, places),
        days=_days(case, assessment, signoff, issued),
        changes=" ".join(filter(None, (_changes(case), moved_text(case, assessment)))),
    )


def _changes(case: Case) -> str:
    said = case.qualification
    before = said.replaces.strip()
    if not before and said.revision == 0:
        return change_text(case)
    before = speak(before) or say("revision {number}", number=said.revision - 1)
    words = later("Since {before}: {changes}")
    told = say(words, before=before, changes=change_text(case) or say("not stated"))
    if not (case.earlier_lots and said.replaces.strip()):
        return told
    words = later("{told} This supersedes {before}: {lots} have no leave any more.")
    return say(words, told=told, lots=", ".join(case.earlier_lots), before=before)


def _scope(case: Case, assessment: Assessment) -> Table:
    rows = (
        (say("Machines"), *_machines(case)),
        (say("Filter"), *_filter(case, assessment)),
        (say("Oil and temperature"), *_oil(case, assessment)),
        (say("Service"), *_service(case, assessment)),
        (say("Checks"), *_checks(assessment)),
    )
    return Table(
        caption=say("Scope"),
        columns=(
            Column("", 12),
            Column(say("Asked for, and on what it rests"), 47),
            Column(say("Not covered"), 41),
        ),
        rows=rows,
        note=_asked(assessment),
    )


Pair = tuple[Cell, Cell]


def _machines(case: Case) -> Pair:
    machines, source = machines_of(case.application)
    if _many(case):
        number = len(case.application.equipment)
        machines = say_count(number, "{number} machine", "{number} machines")
        if not case.parts:
            machines = say("{machines}, below this table", machines=machines)
    told = _of_each(case) if case.parts else source
    return (machines, told), say("Other machines, circuits or valve settings")


def _many(case: Case) -> bool:
    return len(case.application.equipment) > LISTED


def _filter(case: Case, assessment: Assessment) -> Pair:
    asked, (tested, drawn, named) = case.qualification, lots_tested(case, assessment)
    text = say(
        "{part}, as tested: {number} specimens of {lots}",
        part=of_maker(asked.candidate.part_number, asked.candidate.maker),
        number=len(tested),
        lots=", ".join(sorted(drawn) or named) or say("no lot named"),
    )
    if asked.reference is not None:
        fitted = of_maker(asked.reference.part_number, asked.reference.maker)
        text = say("{filter}; in place of {other}", filter=text, other=fitted)
    houses = "; ".join(each.name for each in asked.laboratory)
    text = say("{filter}; tested by {names}", filter=text, names=houses)
    old, _ = on_carried(case, assessment)
    if old and case.earlier_lots:
        words = later("{filter}; by filters from before the change ({lots}): {requirements}")
        lots = ", ".join(case.earlier_lots)
        text = say(words, filter=text, lots=lots, requirements=in_runs(old))
    return text, _beyond(case, tested, drawn, named)


def _beyond(case: Case, tested: set[str], drawn: set[str], named: Sequence[str]) -> str:
    """Return what of lots and specimens is not covered, or not stated."""
    untested, known = [lot for lot in named if drawn and lot not in drawn], case.qualification
    beyond = say("Later lots; any change of materials or making")
    if untested:
        words = later("Lots not tested: {lots}; later ones; any change of materials or making")
        beyond = say(words, lots=", ".join(untested))
    each = [e for e in known.specimen if e.filter == "candidate" and e.drawn and e.drawn_by]
    lacking = [say("which specimen is of which lot")] if len(named) > 1 and not drawn else []
    if not tested <= {e.id for e in each}:
        lacking.append(say("how and by whom specimens were drawn"))
    words = later("{beyond}; not stated: {what}")
    return say(words, beyond=beyond, what=", ".join(lacking)) if lacking else beyond


def _of_each(case: Case) -> Line:
    """Return where what several applications say is listed, with its page."""
    link = Link(say("list"), "application", paged=True)
    count = say_count(len(case.parts), "{number} application", "{number} applications")
    return Line((say("as each of {applications} states: ", applications=count), link))


def _oil(case: Case, assessment: Assessment) -> Pair:
    """Return the oil that is covered, and below which temperature the drawn line ends."""
    oil, duty = case.application.oil, case.application.duty
    beyond = say("Other oil or temperatures; oil thick with soot or water")
    parts = [(part.bench.case, part.curves) for part in assessment.parts or (assessment,)]
    ends: list[str] = []
    for own, curves in parts:
        coldest = curves.cold_temperature
        if coldest is not None and coldest > own.application.duty.cold_start + 0.5:
            shown = say("{t:.0f} °C", t=coldest - KELVIN)
            ends.append(f"{shown} ({own.mark})" if own.mark else shown)
    if ends:
        words = later("{beyond}; pressure drop below {temperature}, where the sweeps end")
        beyond = say(words, beyond=beyond, temperature=", ".join(ends))
    swept = [curves.swept_to for _, curves in parts if curves.swept_to is not None]
    if swept:
        words = later("{beyond}; above {t:.0f} °C carried, not swept")
        beyond = say(words, beyond=beyond, t=min(swept) - KELVIN)
    words = later("{oil}, {kv40} at 40 °C; from cold start at {cold} to {hot}")
    told = say(
        words,
        oil=speak(oil.description) or say(NONE),
        kv40=si(oil.kv40.value, "mm2/s", "kinematic viscosity"),
        cold=si(duty.cold_start, "degC", "temperature"),
        hot=si(duty.hot_oil, "degC", "temperature"),
    )
    return _resting(case, assessment, told, "viscosity"), beyond


def _service(case: Case, assessment: Assessment) -> Pair:
    duty = case.application.duty
    words = later("{hours} with {ingression} of contaminant ({dust})")
    if duty.ingression is None:
        words = later("{hours}; how much contaminant is not stated")
    told = say(
        words,
        hours=si(duty.service_interval, "h", "time"),
        ingression=measured_text(duty.ingression, "g/h", "mass rate"),
        dust=duty.ingression_dust or say(NONE),
    )
    beyond = say("A longer interval; more or other contaminant; pulsating flow")
    return _resting(case, assessment, told, "ingression"), beyond


def _resting(case: Case, assessment: Assessment, told: str, name: str) -> Cell:
    """Return what is asked for, and the requirements whose results are for it.

    What no result rests on does not read as if it had been tested.
    """
    parts = assessment.parts or (assessment,)
    ids = {part.bench.case.mark: _that_rest(part, name) for part in parts}
    without = [mark for mark, found in ids.items() if not found]
    if case.parts:
        words = later("not tested for {marks}: no result rests on it")
        return (_of_each(case), *([say(words, marks=", ".join(without))] if without else ()))
    words = later("{asked}; results for it: {requirements}")
    if without:
        words = later("{asked}; not tested: no result rests on it")
    return say(words, asked=told, requirements=in_runs(*ids.values()))


def _that_rest(part: Assessment, name: str) -> list[str]:
    """Return the requirements with a result that rests on one input of the application."""
    found = [f for f in part.findings if f.estimate is not None]
    return [f.demand.id for f in found if name in inputs_of(part.bench, f.demand.quantity)]


def _asked(assessment: Assessment) -> str:
    """Return what nobody asked for, among all that can be asked."""
    asked = {f.demand.quantity.name for f in assessment.findings if not f.demand.not_applicable}
    others = [say(q.title) for name, q in all_quantities().items() if name not in asked]
    words = later(
        "Asked for: {number} of {known} quantities. Nobody asked for, and nothing here covers: "
        "{names}."
    )
    known = len(all_quantities())
    return say(words, number=len(asked), known=known, names="; ".join(others) or "–")


def _checks(assessment: Assessment) -> Pair:
    made = [each for each in assessment.checks if each.outcome != "does not apply"]
    missing = dict.fromkeys(say(c.rule) for c in made if c.outcome == "not checked")
    memory = {each.rule for each in made if each.from_memory}
    met = say(
        "{met} of {number} checks of the tests met",
        number=len(made),
        met=sum(each.outcome == "met" for each in made),
    )
    beyond = []
    if missing:
        beyond.append(say("Not checked: {rules}", rules=", ".join(missing)))
    if memory:
        words = later(
            "Limits of {number} of {rules} rules are from memory, not checked against the text"
        )
        beyond.append(say(words, number=len(memory), rules=len({each.rule for each in made})))
    return Line((met,)), tuple(beyond) or "–"


def _days(case: Case, assessment: Assessment, signoff: SignOff, issued: date) -> Table:
    tested = [each.entry.tested for each in case.records]
    last = max([*tested, *(r.entry.finished for r in case.records if r.entry.finished)])
    used = {name for each in case.records for name in each.entry.instruments}
    due = min((i.due for i in case.qualification.instrument if i.id in used), default=None)
    filed = case.on_file.since if case.on_file else None
    leave = assessment.decision in APPROVES
    signed = tuple(
        say("{role} {day}", role=role_text(each.role, leave=leave), day=each.date)
        for each in signoff.signed
        if each.holds
    )
    agreed = tuple(dict.fromkeys(date_text(p.application.decision_rule.agreed) for p in case.each))
    days: dict[str, Cell] = {
        say("Rule agreed"): agreed if len(agreed) > 1 else agreed[0],
        say("Requirements on file"): date_text(filed) if filed else say("never"),
        say("Tests, first and last"): tuple(dict.fromkeys(map(date_text, (min(tested), last)))),
        say("First calibration due"): date_text(due) if due else "–",
        say("Issued"): date_text(issued),
        say("Signed"): signed or say("nobody yet"),
        say("Valid until"): date_text(assessment.valid_until) if assessment.valid_until else "–",
        say("Review due"): _review(case.qualification.review_due, assessment.valid_until),
    }
    widths = (11, 13, 11, 13, 11, 19, 11, 11)
    columns = tuple(Column(name, width) for name, width in zip(days, widths, strict=True))
    return Table(caption=say("Days"), columns=columns, rows=(tuple(days.values()),))


def _review(due: date | None, end: date | None) -> Cell:
    """Return the day of review; after the end of validity there is something only if renewed."""
    late = due is not None and end is not None and due > end
    return (date_text(due), say("if renewed")) if late else date_text(due)


INPUTS = (
    ("ingression", later("Ingression")), ("viscosity", later("Oil viscosity")),
    ("opening", later("Valve opening")), ("flow", later("Flow")), ("", later("As measured")),
)  # fmt: skip
"""Columns of the table of factors; the last is what was measured, by the kind of requirement."""
OF_APPLICATION = {name for name, _ in INPUTS if name}


def _flips(assessment: Assessment, places: Places) -> Table:
    by = _by_requirement(assessment.flips)
    near = sorted(by, key=lambda name: _nearest(by[name].values()))
    moved = [name for name in near if any(each.flips for each in by[name].values())]
    readings = [name for name in moved if set(by[name]) == {""}]
    tabled = [name for name in moved if name not in readings] or readings
    readings = [name for name in readings if name not in tabled]
    found = {each.demand.id: each for each in assessment.findings}
    inputs = [(key, title) for key, title in INPUTS if any(key in by[name] for name in tabled)]
    rows = grouped((tuple(_factors(by[n].get(key)) for key, _ in inputs), n) for n in tabled)
    shown = list(rows.items())[:SHOWN]
    return Table(
        caption=say("What would flip a verdict: one input changed, all else as it is"),
        columns=(
            Column(say("Requirement"), 20),
            *(Column(say(title), 80 // len(inputs)) for _, title in inputs),
        ),
        rows=tuple((places.asked(names), *cells) for cells, names in shown),
        note=" ".join(_notes(by, near, moved, readings, [n for _, g in shown for n in g], found,
                             max(len(p.findings) for p in assessment.parts or (assessment,)))),
        empty=say("No change found of any verdict from half to twice each input that it rests on."),
    )  # fmt: skip


By = Mapping[str, Sensitivity]


def _by_requirement(flips: Iterable[Sensitivity]) -> dict[str, dict[str, Sensitivity]]:
    found: dict[str, dict[str, Sensitivity]] = {}
    for each in flips:
        key = each.input if each.input in OF_APPLICATION else ""
        found.setdefault(each.requirement, {})[key] = each
    return found


def _nearest(inputs: Iterable[Sensitivity]) -> float:
    factors = [flip.factor for each in inputs for flip in each.flips]
    return min((max(f, 1.0 / f) for f in factors), default=9.0)


def _factors(found: Sensitivity | None) -> str:
    """Return the factors at which it is decided otherwise, and how where it is no plain fail."""
    if found is None:
        return "–"
    cells = []
    for flip in found.flips:
        text = f"{'≤' if flip.factor < 1 else '≥'}\u00a0{significant(flip.factor)}"
        if flip.verdict is Verdict.NOT_DEMONSTRATED:
            text = f"({text})"
        elif flip.verdict is not Verdict.FAIL:  # may hold for a window of factors alone
            words, factor = later("{verdict} at {factor}"), significant(flip.factor)
            text = say(words, verdict=say(flip.verdict.value), factor=factor)
        cells.append(text)
    return "; ".join(cells) or say("no change")


def _notes(
    by: Mapping[str, By], near: Sequence[str], moved: Sequence[str], readings: Sequence[str],
    shown: Sequence[str], found: Mapping[str, Finding], number: int,
) -> Iterator[str]:  # fmt: skip
    if number > MOST:
        yield say("Of the {most} least certain requirements.", most=MOST)
    turns = {flip.verdict for name in moved for each in by[name].values() for flip in each.flips}
    yield say("Factors from 0.5 to 2 at which the verdict turns to fail, or to what is named.")
    if Verdict.NOT_DEMONSTRATED in turns:
        yield say("In brackets: not demonstrated, as nothing was tested there.")
    if turns - {Verdict.FAIL, Verdict.NOT_DEMONSTRATED}:
        yield say("What turns for the better cures no other requirement.")
    if len({frozenset(by[name]) for name in shown}) > 1:
        yield say("–: does not rest on it.")
    yield say(
        "As measured, on the candidate alone: counts downstream, mass injected, pressure swept, or "
        "the reading itself."
    )
    if readings:
        each = "; ".join(f"{name}\u00a0{_factors(by[name][''])}" for name in readings)
        yield say("By what was measured alone: {each}.", each=each)
    still = [name for name in near if name not in moved]
    amid = [name for name in still if _outside_two(found[name])]
    if amid:
        words = later("Outside two limits, with its distance on page one: {names}.")
        yield say(words, names=", ".join(amid))
    if still := [name for name in still if name not in amid]:
        yield say("No change found from half to twice: {names}.", names=", ".join(still))
    left = len(moved) - len(readings) - len(shown)
    if left:
        yield say_count(
            left, "{number} more needs a larger change.", "{number} more need a larger change."
        )


def _outside_two(finding: Finding) -> bool:
    """Return whether a larger or a smaller result could pass between two limits and beyond fail."""
    two = finding.lower is not None and finding.upper is not None
    return two and finding.verdict is not Verdict.PASS
