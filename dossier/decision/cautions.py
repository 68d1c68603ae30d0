"""Cautions: the usual ones, and those that follow from this case's numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from dossier.case.case import Case
from dossier.case.model import Concession
from dossier.decision.comparison import compared
from dossier.decision.conditions import FROM_MEMORY, late_review
from dossier.decision.finding import Caution, Condition, Finding
from dossier.decision.probability import chance_text
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench
from dossier.evidence.quantities.fine_path import HAS_MAIN
from dossier.evidence.quantities.valve import fitted_valve
from dossier.evidence.registry import all_quantities
from dossier.evidence.statistics.estimate import NotDemonstrated
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


def cautions_for(
    bench: Bench, findings: Sequence[Finding], decision: Decision
) -> tuple[Caution, ...]:
    """Return the computed cautions of a case, then the general ones."""
    found = [*_cold(bench), *_thin(bench, findings), *_trade(findings), *_evidence(bench)]
    found += [*_terminal(bench), *_undecided(findings, decision), *_agreed(bench.case, findings)]
    found += [*_unchecked(bench), *_review(bench, findings)]
    general = (replace(each, title=say(each.title), text=say(each.text)) for each in GENERAL)
    return (*found, *general)


def _caution(title: str, text: str) -> Caution:
    return Caution(title=title, text=text, computed=True)


def _cold(bench: Bench) -> Iterator[Caution]:
    """Say below which oil temperature oil passes by the filter on its way to the bearings."""
    application = bench.case.application
    if fitted_valve(bench) is None or application.circuit.arrangement not in HAS_MAIN:
        return
    opens = all_quantities()["cold_bypass_temperature"].compute
    found = opens(bench, "candidate", {"flow": application.circuit.rated_flow})
    if isinstance(found, NotDemonstrated):
        words = later(
            "Below which oil temperature the clean candidate opens it is not known: {why}."
        )
        yield _caution(say("Bypass valve with cold oil"), say(words, why=found.reason))
    elif found.value > application.duty.cold_start:
        yield _caution(
            say("The valve opens with cold oil"),
            say(
                "Below about {warm:.0f} °C oil the clean candidate opens the bypass valve at "
                "rated flow; until the oil is warmer, part of it reaches the bearings unfiltered. "
                "Multigrade oil in the cold may be thicker than the calculation from its "
                "viscosities at 40 °C and 100 °C.",
                warm=found.value - 273.15,
            ),
        )


def _thin(bench: Bench, findings: Sequence[Finding]) -> Iterator[Caution]:
    confidence = bench.case.application.decision_rule.confidence
    for finding in findings:
        chance = finding.probability
        if chance is None or finding.verdict not in {Verdict("pass"), Verdict("conditional pass")}:
            continue
        if chance < 0.5 * (1.0 + confidence):
            yield _caution(
                say("Thin margin: {requirement}", requirement=finding.demand.id),
                say(
                    "{quantity}: the requirement is met with probability {shown} only. "
                    "Another lot may turn out otherwise.",
                    quantity=say(finding.demand.quantity.title),
                    shown=chance_text(chance, confidence),
                ),
            )


def _trade(findings: Sequence[Finding]) -> Iterator[Caution]:
    """Say so when the candidate catches more and holds less, or the other way round."""
    finer, more = (compared(findings, name) for name in ("efficiency", "retained_capacity"))
    if finer is None or more is None or not (finer.differs and more.differs):
        return
    if finer.better and not more.better:
        yield _caution(
            say("Trades capacity for efficiency"),
            say(
                "The candidate lets less through than the filter now fitted and holds "
                "{percent:.0f} % less contaminant: expect shorter intervals or an open bypass.",
                percent=-100 * more.change,
            ),
        )
    elif more.better and not finer.better:
        yield _caution(
            say("Trades efficiency for capacity"),
            say(
                "The candidate holds {percent:.0f} % more contaminant and lets more through than "
                "the filter now fitted.",
                percent=100 * more.change,
            ),
        )


def _evidence(bench: Bench) -> Iterator[Caution]:
    specimens = {run.specimen for run in bench.multipass if run.side == "candidate"}
    if 0 < len(specimens) < 6:
        yield _caution(
            say("Few specimens"),
            say(
                "The result rests on {number} specimens of the candidate. So few say little "
                "about the scatter of later production.",
                number=len(specimens),
            ),
        )
    warned = sorted({(c.rule, c.from_memory) for c in bench.checks if c.outcome == "warning"})
    if warned:
        rules = ", ".join(_ruled(*each) for each in warned)
        yield _caution(
            say("Checks with a warning"),
            say("See the section on validity for: {rules}.", rules=rules),
        )
    covered = [c for c in bench.checks if c.outcome == "covered by a deviation"]
    for check in covered:
        yield _caution(
            say("Deviation accepted: record {record}", record=check.record),
            say(
                "{rule}: {found}. Recorded deviation: {deviation}",
                rule=_ruled(check.rule, check.from_memory),
                found=check.found,
                deviation=check.deviation,
            ),
        )
    for record, cause in sorted(bench.excluded.items()):
        words = f"{cause[0].upper()}{cause[1:]}."
        yield _caution(say("Record {record} left out", record=record), words)


def _ruled(rule: str, from_memory: bool) -> str:
    """Return a rule that decided something, with what its limit is not."""
    return say(FROM_MEMORY, rule=say(rule)) if from_memory else say(rule)


def _terminal(bench: Bench) -> Iterator[Caution]:
    valve, guarded = fitted_valve(bench), bench.case.application.circuit.guarded
    ends = [
        run.terminal + run.housing
        for run in bench.multipass
        if run.side == "candidate" and run.path in guarded
    ]
    if (
        valve is not None
        and valve.opening is not None
        and max(ends, default=0.0) > (valve.opening.min)
    ):
        yield _caution(
            say("Capacity beyond the valve's opening"),
            say(
                "The runs ended at {terminal:.0f} kPa, the valve may open at {opening:.0f} kPa: "
                "contaminant held above that pressure is not usable in service.",
                terminal=max(ends) / 1e3,
                opening=valve.opening.min / 1e3,
            ),
        )


def _unchecked(bench: Bench) -> Iterator[Caution]:
    """Say which rules could not be looked at, on which records."""
    open_ones: dict[str, list[str]] = {}
    for check in bench.checks:
        if check.outcome == "not checked":
            open_ones.setdefault(check.rule, []).append(check.record)
    if open_ones:
        rules = "; ".join(f"{say(rule)} ({', '.join(on)})" for rule, on in open_ones.items())
        words = later("Nothing was handed in to look at, so that nothing is shown: {rules}.")
        yield _caution(say("Not checked"), say(words, rules=rules))


def _review(bench: Bench, findings: Sequence[Finding]) -> Iterator[Caution]:
    late = late_review(findings, bench.case.qualification.review_due)
    if late:
        yield _caution(say("Review after the end of a concession"), late)
    if bench.case.qualification.review_due is None:
        yield _caution(
            say("No review"),
            say("The case gives no review_due: nothing says when somebody looks at it again."),
        )


def _undecided(findings: Sequence[Finding], decision: Decision) -> Iterator[Caution]:
    open_ones = [
        f.demand.id
        for f in findings
        if f.verdict == Verdict("not demonstrated") and f.demand.severity == "mandatory"
    ]
    if open_ones:
        yield _caution(
            say("Not demonstrated"),
            say(
                "Requirements {names} are mandatory and not demonstrated: the decision is "
                "{decision!r} and must not be read as an approval.",
                names=", ".join(open_ones),
                decision=say(decision.value),
            ),
        )


def _agreed(case: Case, findings: Sequence[Finding]) -> Iterator[Caution]:
    """Say so where nothing shows what was asked, and where a concession covers nothing."""
    if case.on_file is None:
        yield _caution(
            say("Requirements not on file"),
            say(
                "No request is on file: nothing shows that the requirements were agreed before "
                "the tests. The command 'dossier request' puts them on file with the day."
            ),
        )
    yield from dropped(case)
    used = [finding.concession for finding in findings]
    verdicts = {finding.demand.id: finding.verdict.value for finding in findings}
    for each in case.qualification.concession:
        if each not in used:
            yield _caution(
                say("Concession not used: {requirement}", requirement=each.requirement),
                say(
                    "The concession of {agreed} covers nothing on the day of issue: the "
                    "requirement's verdict is: {verdict}.",
                    agreed=each.agreed, verdict=say(verdicts[each.requirement]),
                ),
            )  # fmt: skip


def dropped(case: Case) -> Iterator[Caution]:
    """Say which applications that were asked of laboratories are not decided."""
    for day, gone in case.dropped:
        words = later(
            "“{title}”, on file since {day}, is no longer asked: nothing is decided of it."
        )
        text = say(words, title=gone.title, day=day)
        yield _caution(say("Application no longer asked"), text)


def conditions_for(case: Case, findings: Sequence[Finding]) -> tuple[Condition, ...]:
    """Return the conditions under which an approval holds: concessions and conditional passes."""
    found: list[Condition] = []
    confidence = case.application.decision_rule.confidence
    for finding in findings:
        if finding.demand.severity != "mandatory":
            continue
        if finding.concession:
            text = _conceded(finding.concession)
            found.append(Condition(kind="concession", subject=finding.demand.id, text=text))
        elif finding.verdict == Verdict("conditional pass"):
            text = say(
                "{requirement}: conditional pass, conforms with probability {shown}",
                requirement=finding.demand.id,
                shown=chance_text(finding.probability or 0.0, confidence),
            )
            found.append(Condition(kind="conditional pass", subject=finding.demand.id, text=text))
    return tuple(found)


def _conceded(concession: Concession) -> str:
    words = say(
        "{requirement}: concession: {text}",
        requirement=concession.requirement,
        text=concession.text,
    )
    return f"{words} {_bounds(concession)}"


def _bounds(concession: Concession) -> str:
    """Return until when and on which machines a concession holds, and who agreed to it."""
    if concession.until and concession.machines:
        words = later("(valid until {until} on {machines}; agreed {agreed} by {by})")
    elif concession.until:
        words = later("(valid until {until}; agreed {agreed} by {by})")
    else:
        words = later("(valid on {machines}; agreed {agreed} by {by})")
    return say(
        words,
        until=concession.until,
        machines=", ".join(concession.machines),
        agreed=concession.agreed,
        by=concession.agreed_by,
    )
