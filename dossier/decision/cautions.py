"""Cautions: the usual ones, and those that follow from this case's numbers."""

from collections.abc import Iterator
from dataclasses import replace

from dossier.case.application import HAS_MAIN
from dossier.case.case import Case
from dossier.case.model import Concession
from dossier.decision.comparison import side_by_side
from dossier.decision.conditions import APPROVES, late_review, ruled
from dossier.decision.finding import Caution, Condition, Findings
from dossier.decision.probability import chance_text
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench
from dossier.evidence.quantities import all_quantities
from dossier.evidence.reopened import needs, reopening
from dossier.evidence.statistics.between import rigs_of
from dossier.evidence.statistics.estimate import NotDemonstrated
from dossier.physics.values import KELVIN
from dossier.system.grouped import grouped
from dossier.words import later, say

USUAL = {
    later("The OEM and local rules come first"): later(
        "What is said here is laboratory data, reduced and compared with stated requirements. "
        "The engine or equipment maker's instructions, warranty terms, type approval and "
        "local rules stand above it; licensed or authorised people decide and fit the "
        "filter."
    ),
    later("Hot oil and pressure"): later(
        "Stop the machine, relieve the pressure and let the oil cool before opening the "
        "circuit. Hot oil burns; an oil spray can catch fire on hot parts."
    ),
    later("Oil starvation"): later(
        "A blocked or too tight filter without a working bypass valve stops lubrication. "
        "Watch oil pressure after every filter change."
    ),
    later("Open bypass"): later(
        "While the bypass valve is open, unfiltered oil reaches the bearings. That is "
        "better than no oil, and not a normal state."
    ),
    later("Housing and fit"): later(
        "Never exceed the rated pressure of the housing. Check thread, gasket seat, "
        "torque and flow direction; a filter with another valve setting is another part, "
        "however alike it looks."
    ),
    later("Work on the machine"): later(
        "See that the old gasket came off with the old filter: one gasket on another leaks. "
        "Pre-fill or prime as the maker of the machine says, and not otherwise. After the start "
        "look for leaks and for oil pressure, stop, and check the oil level."
    ),
    later("Service interval"): later("Nothing here is a reason to lengthen the service interval."),
    later("Waste oil and used filters"): later("Collect and dispose of them as local rules ask."),
    later("What the results relate to"): later(
        "Laboratory results relate to the specimens tested, at steady flow and with test "
        "dust. A pass on paper does not replace validation in the machine."
    ),
}
GENERAL = tuple(
    Caution(title=title, text=text, computed=False, name=title) for title, text in USUAL.items()
)
"""The usual cautions in English; they are said where they are given for a case."""


def cautions_for(bench: Bench, findings: Findings, decision: Decision) -> tuple[Caution, ...]:
    """Return the computed cautions of a case, then the general ones."""
    case = bench.case
    found = [
        *_refused(findings, decision, case.application.duty.service_interval),
        *_cold(bench),
        *_warmer(case, findings),
        *_thin(case, findings),
        *_trade(findings),
        *_elsewhere(bench),
        *_evidence(bench),
    ]
    found += [*_terminal(bench), *_undecided(findings, decision), *_agreed(case, findings)]
    found += [*_not_asked(bench, findings), *_longer(findings)]
    found += [*_unchecked(bench), *_review(case, findings)]
    general = (replace(each, title=say(each.title), text=say(each.text)) for each in GENERAL)
    return (*(Caution(title=title, text=text, computed=True) for title, text in found), *general)


Told = Iterator[tuple[str, str]]
"""Title and text of computed cautions."""


def _cold(bench: Bench) -> Told:
    """Say below which oil temperature oil passes by the filter on its way to the bearings."""
    application = bench.case.application
    if not application.circuit.opening or application.circuit.arrangement not in HAS_MAIN:
        return
    opens = all_quantities()["cold_bypass_temperature"].compute
    found = opens(bench, "candidate", {"flow": application.circuit.rated_flow})
    if isinstance(found, NotDemonstrated):
        words = later(
            "Below which oil temperature the clean candidate opens it is not known: {why}."
        )
        yield say("Bypass valve with cold oil"), say(words, why=found.reason)
    elif found.value > application.duty.cold_start:
        words = later(
            "Below about {warm:.0f} °C oil the clean candidate opens the bypass valve at "
            "rated flow; until the oil is warmer, part of it reaches the bearings unfiltered. "
            "Multigrade oil in the cold may be thicker than the calculation from its "
            "viscosities at 40 °C and 100 °C."
        )
        yield say("The valve opens with cold oil"), say(words, warm=found.value - KELVIN)


def _warmer(case: Case, findings: Findings) -> Told:
    """Say so where pressure drop in the cold is asked for oil warmer than the coldest start."""
    duty = case.application.duty
    asked = [
        (float(each.demand.at["temperature"]), each.demand.id)
        for each in findings
        if each.demand.quantity.name == "clean_pressure_drop"
    ]
    coldest, name = min(asked, default=(duty.cold_start, ""))
    if duty.cold_start + 0.5 < coldest < duty.normal_oil - 0.5:
        words = later(
            "{requirement} asks about oil at {asked:.4g} °C; the coldest start is at "
            "{cold:.4g} °C: no requirement holds the pressure drop of the thicker oil there."
        )
        text = say(words, requirement=name, asked=coldest - KELVIN, cold=duty.cold_start - KELVIN)
        yield say("Colder than was asked"), text


def _thin(case: Case, findings: Findings) -> Told:
    confidence = case.application.decision_rule.confidence
    words = later(
        "{quantity}: the requirement is met with probability {shown} only. "
        "Another lot may turn out otherwise."
    )
    for finding in findings:
        chance, demand = finding.probability, finding.demand
        if chance is None or finding.verdict not in (Verdict.PASS, Verdict.CONDITIONAL_PASS):
            continue
        if chance < 0.5 * (1.0 + confidence):
            shown = chance_text(chance, confidence)
            text = say(words, quantity=say(demand.quantity.title), shown=shown)
            yield say("Thin margin: {requirement}", requirement=demand.id), text


def _trade(findings: Findings) -> Told:
    """Say so when the candidate catches more and holds less, or the other way round."""
    finer, more = (side_by_side(findings, name) for name in ("efficiency", "retained_capacity"))
    if finer is None or more is None or not (finer.differs and more.differs):
        return
    percent = 100 * abs(more.change)
    if finer.better and not more.better:
        words = later(
            "The candidate lets less through than the filter now fitted and holds "
            "{percent:.0f} % less contaminant: expect shorter intervals or an open bypass."
        )
        yield say("Trades capacity for efficiency"), say(words, percent=percent)
    elif more.better and not finer.better:
        words = later(
            "The candidate holds {percent:.0f} % more contaminant and lets more through than "
            "the filter now fitted."
        )
        yield say("Trades efficiency for capacity"), say(words, percent=percent)


def _elsewhere(bench: Bench) -> Told:
    """Say which comparisons of the two filters are of tests on other rigs, by kind of record."""
    apart = []
    for kind in ("multipass", "pressure_drop"):
        used = [r.entry for r in bench.case.records if r.entry.kind == kind]
        rigs = rigs_of(bench.case, [e for e in used if e.id not in bench.excluded], "")
        sides = [{rigs.get(e.id, "") for e in used if e.filter == s} - {""} for s in bench.sides]
        if len(sides) == 2 and all(sides) and not sides[0] & sides[1]:
            apart.append(say(KINDS[kind]))
    words = later(
        "The two filters were tested at different laboratories or rigs ({tests}): what differs "
        "between them may be of the rigs, not of the filters."
    )
    if apart:
        yield say("Compared across rigs"), say(words, tests=", ".join(apart))


def _evidence(bench: Bench) -> Told:
    specimens = {run.specimen for run in bench.multipass if run.side == "candidate"}
    if 0 < len(specimens) < 6:
        words = later(
            "The multi-pass results rest on {number} specimens of the candidate. So few say "
            "little about the scatter of later production."
        )
        yield say("Few specimens"), say(words, number=len(specimens))
    warned = sorted({(c.rule, c.from_memory) for c in bench.checks if c.outcome == "warning"})
    if warned:
        words = later("See the section on validity for: {rules}.")
        rules = ", ".join(ruled(*each) for each in warned)
        yield say("Checks with a warning"), say(words, rules=rules)
    words = later("{rule}: {found}. Recorded deviation: {deviation}")
    for check in bench.checks:
        if check.outcome == "covered by a deviation":
            rule = ruled(check.rule, check.from_memory)
            text = say(words, rule=rule, found=check.found, deviation=check.deviation)
            yield say("Deviation accepted: record {record}", record=check.record), text
    for record, cause in sorted(bench.excluded.items()):
        yield say("Record {record} left out", record=record), f"{cause[0].upper()}{cause[1:]}."


def _terminal(bench: Bench) -> Told:
    circuit = bench.case.application.circuit
    own = [run for run in bench.multipass if run.side == "candidate"]
    runs = [run for run in own if run.path in circuit.guarded]
    end, element = max(((r.terminal + r.housing, r.terminal) for r in runs), default=(0.0, 0.0))
    if circuit.opening is not None and end > circuit.opening.min:
        words = later(
            "The runs ended at {terminal:.4g} kPa ({element:.4g} kPa across the element), the "
            "valve may open at {opening:.4g} kPa: contaminant held above that pressure is not "
            "usable in service."
        )
        opening = circuit.opening.min / 1e3
        text = say(words, terminal=end / 1e3, element=element / 1e3, opening=opening)
        yield say("Capacity beyond the valve's opening"), text


def _refused(findings: Findings, decision: Decision, interval: float) -> Told:
    """Say that what follows gives no leave, and where a filter is full before its change."""
    if decision not in APPROVES:
        words = later("The findings give: {decision}. No caution below is leave to fit the filter.")
        yield say("Not to be fitted"), say(words, decision=say(decision.value))
    words = later(
        "{requirement}: the predicted life, {life:.0f} h, is shorter than the service interval of "
        "{interval:.0f} h: the filter is full, and any bypass valve opens, before it is changed."
    )
    own = [(f.estimate, f.demand.id) for f in findings if f.demand.quantity.name == "service_life"]
    lives = grouped((life.value, name) for life, name in own if life and life.value < interval)
    for life, names in lives.items():
        text = say(words, requirement=", ".join(names), life=life / 3600, interval=interval / 3600)
        yield say("Full before the change"), text


def _not_asked(bench: Bench, findings: Findings) -> Told:
    """Say what a change of the filter reopens though nothing that is asked would show it."""
    asked = {n for f in findings if not f.demand.not_applicable for n in needs(f.demand.quantity)}
    reopened = reopening(bench.case.qualification, bench.limits)
    if names := [say(KINDS.get(each, each)) for each in reopened if each not in asked]:
        words = later(
            "The change of the filter may alter more than was asked for; nothing here shows: "
            "{names}. Ask for each that the application needs."
        )
        yield say("Changed, and not asked for"), say(words, names=", ".join(names))


KINDS = {
    "multipass": later("multi-pass run"), "pressure_drop": later("flow sweep"),
    "bypass_valve": later("bypass valve sweep"), "measurement": later("measurement"),
    "inspection": later("inspection"),
}  # fmt: skip
"""Kinds of record, as said on the page."""


def _longer(findings: Findings) -> Told:
    """Say what a dimension outside its limits asks of whoever fits the filter."""
    if names := [
        f.demand.id for f in findings if f.concession and f.demand.quantity.name == "dimension"
    ]:
        words = later(
            "{requirements}: a dimension outside its limits is conceded, not met. Look at the "
            "clearance around the filter at every fitting, hot and running as well (common "
            "practice); later filters may lie further out."
        )
        yield say("Clearance"), say(words, requirements=", ".join(names))


def _unchecked(bench: Bench) -> Told:
    """Say which rules could not be looked at, on which records."""
    open_ones = grouped((c.rule, c.record) for c in bench.checks if c.outcome == "not checked")
    if open_ones:
        rules = "; ".join(f"{say(rule)} ({', '.join(on)})" for rule, on in open_ones.items())
        words = later("Nothing was handed in to look at, so that nothing is shown: {rules}.")
        yield say("Not checked"), say(words, rules=rules)


def _review(case: Case, findings: Findings) -> Told:
    late = late_review(findings, case.qualification.review_due)
    if late:
        yield say("Review after the end of a concession"), late
    if case.qualification.review_due is None:
        words = later("The case names no day of review: nothing says when somebody looks again.")
        yield say("No review"), say(words)


def _undecided(findings: Findings, decision: Decision) -> Told:
    names = ", ".join(
        each.demand.id
        for each in findings
        if each.verdict is Verdict.NOT_DEMONSTRATED and each.demand.severity == "mandatory"
    )
    if names:
        words = later(
            "Requirements {names} are mandatory and not demonstrated: the decision is "
            "{decision!r} and must not be read as an approval."
        )
        yield say("Not demonstrated"), say(words, names=names, decision=say(decision.value))


def _agreed(case: Case, findings: Findings) -> Told:
    """Say so where nothing shows what was asked, and where a concession covers nothing."""
    if case.on_file is None:
        words = later(
            "No request is on file: nothing shows that the requirements were agreed before "
            "the tests. The command 'dossier request' puts them on file with the day."
        )
        yield say("Requirements not on file"), say(words)
    yield from dropped(case)
    used = [finding.concession for finding in findings]
    verdicts = {finding.demand.id: finding.verdict.value for finding in findings}
    words = later(
        "The concession of {agreed} covers nothing on the day of issue: the requirement's verdict "
        "is: {verdict}."
    )
    for each in case.qualification.concession:
        if each not in used:
            text = say(words, agreed=each.agreed, verdict=say(verdicts[each.requirement]))
            yield say("Concession not used: {requirement}", requirement=each.requirement), text


def dropped(case: Case) -> Told:
    """Say which applications that were asked of laboratories are not decided."""
    words = later("“{title}”, on file since {day}, is no longer asked: nothing is decided of it.")
    for day, gone in case.dropped:
        yield say("Application no longer asked"), say(words, title=gone.title, day=day)


def conditions_for(case: Case, findings: Findings) -> Iterator[Condition]:
    """Yield the conditions under which an approval holds: concessions and conditional passes."""
    confidence = case.application.decision_rule.confidence
    words = later("{requirement}: conditional pass, conforms with probability {shown}")
    for finding in (each for each in findings if each.demand.severity == "mandatory"):
        subject = finding.demand.id
        if finding.concession:
            yield Condition("concession", subject, _conceded(finding.concession))
        elif finding.verdict is Verdict.CONDITIONAL_PASS:
            shown = chance_text(finding.probability or 0.0, confidence)
            text = say(words, requirement=subject, shown=shown)
            yield Condition("conditional pass", subject, text)


def _conceded(concession: Concession) -> str:
    """Return a concession: until when and on which machines it holds, and who agreed to it."""
    machines = ", ".join(concession.machines)
    words = later("[valid until {until} on {machines}; agreed {agreed} by {by}]")
    if not machines:
        words = later("[valid until {until}; agreed {agreed} by {by}]")
    if not concession.until:
        words = later("[valid on {machines}; agreed {agreed} by {by}]")
    until, agreed, by = concession.until, concession.agreed, concession.agreed_by
    bounds = say(words, until=until, machines=machines, agreed=agreed, by=by)
    words = later("{requirement}: concession: {text}")
    said = say(words, requirement=concession.requirement, text=concession.text)
    return f"{said} {bounds}"
