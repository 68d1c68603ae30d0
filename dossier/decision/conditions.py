"""Conditions beside concessions: what was covered, left out, or asked otherwise after the tests."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import date
from typing import Any

from dossier.case.agreed import Carried
from dossier.case.application import Application, Requirement, marked_name
from dossier.case.case import Case
from dossier.case.consistency import KNOWN_METHOD
from dossier.case.model import Concession, Deviation, Qualification
from dossier.case.requested import OnFile, said
from dossier.case.seen import plain, says_something
from dossier.decision.finding import Condition, ConditionKind, Finding, Findings, decision_of
from dossier.decision.remarks import of_remarks
from dossier.decision.rules import BETTER, FAILS, Decision, Verdict
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Check
from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.usable import beyond_plan, named_in_plan
from dossier.evidence.requirement import Demand
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.between import small_reproducibility
from dossier.evidence.validity.comparable import other_batch
from dossier.system.grouped import grouped
from dossier.words import later, say

ADMINISTRATIVE = ("title", "revision", "issued", "owner", "equipment", "notes")
"""Fields of an application that no verdict rests on."""

FROM_MEMORY = later("{rule} (its limit is from memory, not checked against the text)")
"""How a rule is named that has decided something."""

Again = Callable[[Application], Findings]
"""Decides the case again with another application."""


def ruled(rule: str, from_memory: bool) -> str:
    """Return a rule that decided something, with what its limit is not."""
    return say(FROM_MEMORY, rule=say(rule)) if from_memory else say(rule)


def of_evidence(bench: Bench) -> Iterator[Condition]:
    """Yield a condition for each mandatory rule that is covered and each record left out."""
    deviations = bench.case.qualification.deviation
    named = {(each.record, each.rule): each for each in deviations if each.rule}
    for check in bench.checks:
        if check.outcome == "covered by a deviation":
            yield _covered(check, named[check.record, check.rule])
    words = later("{record}: left out of the evidence: {cause} [agreed {agreed} by {by}]")
    for each in deviations:
        if each.effect == "record excluded":
            agreed, by = each.agreed, each.agreed_by
            text = say(words, record=each.record, cause=each.cause, agreed=agreed, by=by)
            yield Condition("excluded record", each.record, text)


def _covered(check: Check, each: Deviation) -> Condition:
    kind: ConditionKind = "accepted method"
    words = later("{record}: house method accepted: {text} [agreed {agreed} by {by}]")
    if check.rule != KNOWN_METHOD:
        kind = "covered rule"
        words = later(
            "{record}: {rule} not met ({found}) and covered by a deviation: {text} [agreed "
            "{agreed} by {by}]"
        )
    said = {"rule": ruled(check.rule, check.from_memory), "found": check.found, "text": each.text}
    agreed, by = each.agreed, each.agreed_by
    text = say(words, record=check.record, agreed=agreed, by=by, **said)
    return Condition(kind, check.record, text)


def of_doubts(bench: Bench, findings: Findings) -> Iterator[Condition]:
    """Yield a condition for what passed and still has to be looked at by somebody."""
    yield from _warned(bench)
    yield from of_remarks(bench)
    for side in bench.sides:
        tested = {run.specimen for run in bench.multipass if run.side == side}
        planned = named_in_plan(bench.case, side)
        words = later(
            "the case does not name the specimens of the {side} that were to be tested: one that "
            "was tested and left out would not show"
        )
        if planned:
            words = later("the plan does not name {names}, tested all the same")
        if beyond := tested - planned | beyond_plan(bench.case, side):
            text = say(words, side=say(side), names=", ".join(sorted(beyond)))
            yield Condition("no plan", side, text)
        yield from _no_longer_planned(bench.case.on_file, side, planned | tested)
    yield from _reproducibilities(bench)
    batches = other_batch(bench)
    for finding in findings if batches else ():
        demand = finding.demand
        if demand.not_worse is not None and "multipass" in demand.quantity.records:
            text = say("{requirement}: {difference}", requirement=demand.id, difference=batches)
            yield Condition("another batch of dust", demand.id, text)


def _no_longer_planned(file: OnFile | None, side: Side, now: set[str]) -> Iterator[Condition]:
    """Yield that specimens of the plan on file are no longer planned, nor as many others."""
    before = set(file.planned.get(side, ())) if file else set()
    gone = before - now
    if file and gone and (before & now or len(now) < len(before)):
        words = later("the plan of {day} names {names}, which neither plan nor tests name now")
        yield Condition("no plan", side, say(words, day=file.since, names=", ".join(sorted(gone))))


def _warned(bench: Bench) -> Iterator[Condition]:
    """Yield one condition for each rule whose warnings weigh: its records, and what one says."""
    warned = grouped((c.rule, c) for c in bench.checks if c.weighs and c.outcome == "warning")
    for rule, checks in warned.items():
        names = ", ".join(check.record for check in checks)
        words = later("{rule} ({names}): {found}")
        text = say(words, rule=say(rule), names=names, found=checks[0].found)
        yield Condition("warned rule", checks[0].record, text)


def _reproducibilities(bench: Bench) -> Iterator[Condition]:
    """Yield each stated reproducibility that is far below what stands in for an unknown one."""
    words = later(
        "reproducibility of {quantity} by {method}: {stated:.2g} % is stated ({source}), where "
        "{usual:.2g} % stand in for what is not known: see that the study says so"
    )
    for each, usual, _ in small_reproducibility(bench.case, bench.limits):
        title, method = say(all_quantities()[each.quantity].title), each.method
        percent: dict[str, Any] = {"stated": 100 * each.u, "usual": 100 * usual}
        text = say(words, quantity=title, method=method, source=each.source, **percent)
        yield Condition("small reproducibility", each.method, text)


def of_life(bench: Bench, findings: Findings) -> Iterator[Condition]:
    """Yield that a filter would outlast so many intervals that the ingression is in doubt."""
    interval = bench.case.application.duty.service_interval
    lives = [e for e in findings if e.demand.quantity.name == "service_life" and e.estimate]
    most = max((e.estimate.value / interval for e in lives if e.estimate), default=0.0)
    if most > bench.limits.plausible["intervals"]:
        words = later(
            "{requirement}: with the ingression of the application the filter would last for "
            "{number:.0f} service intervals: see that it is stated in the right unit"
        )
        name = lives[0].demand.id
        yield Condition("long life", name, say(words, requirement=name, number=most))


def of_limits(bench: Bench, findings: Findings) -> Iterator[Condition]:
    """Yield a condition for each limit that is in doubt: by its requirement's text, or its unit.

    By the unit where a result is far from it.
    """
    other = later(
        "{requirement}: its text says {said}, its limit or what it is asked at does not: see which "
        "is meant"
    )
    words = later(
        "{requirement}: the result is {times:.0f} times as good as its limit asks for: see that "
        "the limit is stated in the right unit"
    )
    most = bench.limits.plausible["times_its_limit"]
    for each in findings:
        demand, found = each.demand, each.estimate.value if each.estimate else 0.0
        if demand.said_instead and not demand.not_applicable:
            text = say(other, requirement=demand.id, said=demand.said_instead)
            yield Condition("far limit", demand.id, text)
        run = not {"multipass", "pressure_drop"}.isdisjoint(demand.quantity.records)
        low, high = (demand.lower, found) if demand.lower else (found, demand.upper or 0.0)
        if run and demand.quantity.dimension in {"pressure", "mass"} and 0 < low * most < high:
            text = say(words, requirement=demand.id, times=high / low)
            yield Condition("far limit", demand.id, text)


def of_requirements(case: Case, findings: Findings, again: Again) -> Iterator[Condition]:
    """Yield a condition for each requirement that nothing shows to be older than the tests."""
    file = case.on_file
    yield from _late(case)
    early = file is not None and not file.late
    known = marked_name(file.application, case.mark).requirement if file and early else ()
    asked = {each.id: each for each in known}
    for finding in findings:
        yield from _set_aside(finding.demand, asked, shown=early)
    if file is not None and _bears_on_verdicts(file, case.application):
        yield from _helped(case, file, findings, again(file.application))


def _late(case: Case) -> Iterator[Condition]:
    """Yield that the requirements are from after the first test, by all that is on file."""
    first = min(record.entry.tested for record in case.records)
    since = case.on_file.since if case.on_file else case.application.issued
    words = later(
        "the requirements are on file since {day} only, after the first test on {tested}: nothing "
        "shows that they were agreed before it"
    )
    young = max((e for e in case.libraries if e.taken), key=lambda e: e.issued, default=None)
    file = young.file if young and case.on_file is None and young.issued > since else ""
    if young and file:
        since = young.issued
        words = later(
            "{file}, which requirements are from, is issued {day}, after the first test on "
            "{tested}, and no request is on file: nothing shows that the requirements were agreed "
            "before it"
        )
    elif case.on_file is None:
        words = later(
            "the application is issued {day}, after the first test on {tested}, and no request is "
            "on file: nothing shows that the requirements were agreed before it"
        )
    if since > first:
        yield Condition("late request", "", say(words, day=since, tested=first, file=file))


def _set_aside(
    demand: Demand, asked: Mapping[str, Requirement], *, shown: bool
) -> Iterator[Condition]:
    """Yield that a requirement decides nothing, where that is not on file from before the tests.

    A new advisory requirement takes nothing away, where those are `shown` to be from before them.
    """
    before, words = asked.get(demand.id), ""
    if demand.not_applicable:
        if not says_something(demand.not_applicable):
            words = later("{requirement}: not applicable, without a sentence that says why")
        elif before is None or before.not_applicable != demand.not_applicable:
            words = later(
                "{requirement}: not applicable, which is not on file from before the first test: "
                "{why}"
            )
        if words:
            text = say(words, requirement=demand.id, why=demand.not_applicable)
            yield Condition("not applicable", demand.id, text)
    elif demand.severity == "advisory" and not (before.severity == "advisory" if before else shown):
        words = later("{requirement}: advisory, which is not on file from before the first test")
        yield Condition("advisory", demand.id, say(words, requirement=demand.id))


def _bears_on_verdicts(file: OnFile, now: Application) -> bool:
    other = {name: getattr(now, name) for name in ADMINISTRATIVE}
    return file.application.model_copy(update=other) != now


def _helped(case: Case, file: OnFile, findings: Findings, before: Findings) -> Iterator[Condition]:
    """Yield each requirement whose verdict is better than by what is on file, or that is gone."""
    now = {finding.demand.id: finding.verdict for finding in findings}
    for old in before:
        name, verdict = old.demand.id, now.get(old.demand.id)
        if old.verdict not in BETTER or verdict is Verdict.NOT_APPLICABLE:
            continue
        if verdict is None:
            words = later(
                "{requirement}: asked on {day} and no longer asked in revision {revision} of "
                "{issued}; by it the verdict is: {before}"
            )
        elif BETTER.index(verdict) > BETTER.index(old.verdict):
            words = later(
                "{requirement}: changed since it was asked on {day}, in revision {revision} of "
                "{issued} ({changes}); as asked the verdict is {before}, now {after}"
            )
        else:
            continue
        said = {"before": say(old.verdict.value), "after": say(verdict.value if verdict else "")}
        said |= {"requirement": name, "changes": _changes(file, old.demand.own_id)}
        revision, issued = case.application.revision, case.application.issued
        text = say(words, day=file.since, revision=revision, issued=issued, **said)
        yield Condition("changed requirement", name, text)


def of_dropped(case: Case) -> Iterator[Condition]:
    """Yield each application that was asked and is no more, where its machines may be asked of."""
    now = {plain(name) for name in case.application.equipment}
    for day, gone in case.dropped:
        machines = {plain(name) for name in gone.equipment}
        if not (machines and now) or machines & now:
            words = later(
                "“{title}” was asked on {day} for {machines} and is no longer asked: what it asked "
                "of these machines is not decided"
            )
            named = "; ".join(gone.equipment) or say("machines that it does not name")
            text = say(words, title=gone.title, day=day, machines=named)
            yield Condition("changed requirement", "", text)


def _changes(file: OnFile, requirement: str) -> str:
    """Return what changed of a requirement, else of all that it rests on."""
    head = f"requirement {requirement!r} . "
    common = [c for c in file.changes if not c.field.startswith(("requirement ", *ADMINISTRATIVE))]
    own = [c for c in file.changes if c.field.startswith(head)] or common
    return "; ".join(said(each, head) for each in own)


def on_file_text(case: Case) -> str:
    """Return a sentence on since when the requirements are on file, and whether they changed."""
    file = case.on_file
    filed = [part.mark for part in case.parts if part.on_file is not None]
    if file is None and filed:
        words = later("Of {marks} requirements are on file; of {others} no request is.")
        others = ", ".join(part.mark for part in case.parts if part.on_file is None)
        return say(words, marks=", ".join(filed), others=others)
    if file is None:
        return say("No request is on file: nothing shows when the requirements were agreed.")
    words = later("Requirements on file since {day}, unchanged since.")
    if file.late:
        words = later("Requirements on file since {day}, after the first test on {tested}.")
    if file.changes:
        words = later(
            "Requirements on file since {day} (first test on {tested}), changed in revision "
            "{revision} of {issued}:"
        )
    revision, issued = case.application.revision, case.application.issued
    told = say(words, day=file.since, tested=file.first_test, revision=revision, issued=issued)
    unplanned = not (file.planned or file.late)
    return " ".join([say("No plan of specimens is on file.")] * unplanned + [told])


APPROVES = (Decision.APPROVED, Decision.APPROVED_WITH_CONDITIONS)


def expired(decision: str) -> str:
    """Return how a decision reads once its last day is over, as a code."""
    return f"expired: was {decision}"


def over(decision: str, until: date | None, today: date | None) -> date | None:
    """Return the last day of an approval that is over; None while it holds, or where none ends.

    `until` is that last day; where the decision is no approval, it was one until then.
    """
    if until is None or decision not in APPROVES:
        return until
    return until if today is not None and today > until else None


def conceded(findings: Iterable[Finding]) -> tuple[Concession, ...]:
    """Return the concessions that cover mandatory findings."""
    mandatory = (each for each in findings if each.demand.severity == "mandatory")
    return tuple(each.concession for each in mandatory if each.concession)


def what_ends(findings: Iterable[Finding], said: Qualification) -> tuple[Concession | Carried, ...]:
    """Return what a decision rests on that ends: concessions, and evidence carried over."""
    return (*conceded(findings), *said.carried)


def covering(
    covered: Collection[tuple[str, str]], granted: Iterable[Concession], on: date
) -> tuple[Concession, ...]:
    """Return the concessions of requirement and text in `covered` that run on that day."""
    return tuple(
        each
        for each in granted
        if (each.requirement, each.text) in covered and (each.until is None or each.until >= on)
    )


def valid_until(
    decision: str, covered: Iterable[Concession | Carried], review_due: date | None
) -> date | None:
    """Return the last day on which an approval holds; None where none is set.

    It is the earliest among the ends of the concessions and of the carried evidence that it rests
    on, `covered`, and its review.  What approves nothing has no such day.
    """
    if decision not in APPROVES:
        return None
    ends = [each.until for each in covered]
    return min((end for end in (*ends, review_due) if end is not None), default=None)


def ran_out(
    decision: Decision, findings: Findings, granted: Iterable[Concession], on: date
) -> date | None:
    """Return the last day of an approval that is one no more, since concessions ended before `on`.

    None where it is an approval, or would be none with those concessions.
    """
    past = {each.requirement: each.until for each in granted if each.until and each.until < on}
    open_ones = {f.demand.id for f in findings if f.verdict in FAILS and not f.concession}
    if decision in APPROVES or decision_of(findings, (), past) not in APPROVES:
        return None
    return min(day for requirement, day in past.items() if requirement in open_ones)


def late_review(findings: Iterable[Finding], review_due: date | None) -> str:
    """Return a sentence where a review is due later than a concession ends; else empty."""
    ends = [(each.until, each.requirement) for each in conceded(findings) if each.until]
    until, requirement = min(ends, key=lambda end: end[0], default=(date.max, ""))
    if review_due is None or review_due <= until:
        return ""
    words = later(
        "The review is due on {review}, but the concession on {requirement} ends on {until}: after "
        "that day nothing covers the requirement."
    )
    return say(words, review=review_due, requirement=requirement, until=until)
