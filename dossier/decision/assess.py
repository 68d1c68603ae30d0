"""From estimates to findings, and from findings to one decision."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from dossier.case.application import Application
from dossier.case.case import Case
from dossier.case.model import Concession
from dossier.case.records import MultipassTable
from dossier.case.tables.size_columns import certified_size
from dossier.decision.carried import of_carried, weighed
from dossier.decision.cautions import cautions_for, conditions_for
from dossier.decision.comparison import gains_and_losses
from dossier.decision.conditions import (
    Again,
    of_doubts,
    of_dropped,
    of_evidence,
    of_life,
    of_limits,
    of_requirements,
    ran_out,
    valid_until,
    what_ends,
)
from dossier.decision.deciding import Ruling, censored, decide_bounds, decide_statement, deciding
from dossier.decision.finding import Assessment, Condition, Finding, Findings, decision_of
from dossier.decision.flips import Decide, flips_of
from dossier.decision.probability import (
    AgainstLimit,
    Threshold,
    chance_text,
    probability,
    threshold_of,
)
from dossier.decision.rules import FAILS, Verdict, verdict_by
from dossier.evidence.bench import Bench, Curves
from dossier.evidence.limits import Limits
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities.circuit import circuit_summary
from dossier.evidence.quantities.curves import curves_of
from dossier.evidence.requirement import Demand, resolve
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import (
    SHOWN,
    generator,
    over_lots,
    trials,
    with_trials,
)
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.evidence.statistics.tolerance import find_outlier, outlier_note
from dossier.evidence.statistics.uncertainty import load_functions
from dossier.evidence.validity.comparable import unlike_tests
from dossier.words import later, say

Compute = Callable[[Demand, Side], Estimate | NotDemonstrated]
"""What a demand asks for, of one of the filters."""


def seed_of(case: Case) -> int:
    """Return the seed of all Monte Carlo draws: as stated in case.toml, else from its number."""
    import zlib

    stated = case.qualification.seed
    return stated if stated is not None else zlib.crc32(case.qualification.number.encode())


def assess_case(
    case: Case, demands: Sequence[Demand], limits: Limits, on: date, *, pages: bool = True
) -> Assessment:
    """Return every finding on `case` and the decision; `on` is the day concessions are judged.

    Without `pages`, the curves and the circuit that only pages show are left out.  Pure: the same
    case, limits and day give the same assessment.
    """
    load_functions()
    given, (bench, findings) = case.qualification, _found(case, demands, limits, on)

    def again(application: Application) -> Findings:
        asked, _ = resolve(application, given.application, case.mark)
        return _found(replace(case, application=application), asked, limits, on)[1]

    in_circuit = pages and any(demand.quantity.section == "circuit" for demand in demands)
    conditions = _conditions(bench, findings, again)
    decision = decision_of(findings, conditions)
    return Assessment(
        findings=findings,
        decision=decision,
        checks=bench.checks,
        cautions=cautions_for(bench, findings, decision),
        seed=bench.seed,
        conditions=conditions,
        bench=replace(bench),  # without the draws of what it was asked
        curves=curves_of(bench) if pages else Curves(),
        comparison=gains_and_losses(findings),
        circuit=circuit_summary(bench) if in_circuit else (),
        flips=tuple(flips_of(bench, findings, _deciding(on))) if pages else (),
        valid_until=valid_until(decision, what_ends(findings, given), given.review_due)
        or ran_out(decision, findings, given.concession, on),
    )


def _found(
    case: Case, demands: Sequence[Demand], limits: Limits, on: date
) -> tuple[Bench, tuple[Finding, ...]]:
    """Return the bench of a case, and the finding on each demand."""
    bench = prepare(case, limits, seed_of(case))
    compute = _computed(bench)
    made = (_light(_finding(bench, demand, on, compute)) for demand in demands)
    return bench, tuple(weighed(case, finding) for finding in made)


def _conditions(bench: Bench, findings: Findings, again: Again) -> tuple[Condition, ...]:
    """Return all that an approval would hold under, in the order of page one."""
    return (
        *conditions_for(bench.case, findings),
        *of_evidence(bench),
        *of_doubts(bench, findings),
        *of_life(bench, findings),
        *of_limits(bench, findings),
        *of_carried(bench.case),
        *of_requirements(bench.case, findings, again),
        *of_dropped(bench.case),
    )


def _computed(bench: Bench) -> Compute:
    """Return what computes each quantity once, however many requirements ask for it.

    What stands beside a result and decides nothing is drawn as often as what pages alone show.
    """
    found: dict[tuple[object, ...], Estimate | NotDemonstrated] = {}
    compared = replace(bench, compared=True)

    def compute(demand: Demand, side: Side) -> Estimate | NotDemonstrated:
        key = _asked(demand, side)
        if key not in found:
            on = bench if demand.not_worse is None else compared
            beside = side == "reference" and demand.not_worse is None
            with with_trials(min(SHOWN, trials()) if beside else trials()):
                found[key] = _compute(on, demand, side)
        return found[key]

    return compute


def _compute(on: Bench, demand: Demand, side: Side) -> Estimate | NotDemonstrated:
    found = demand.quantity.compute(on, side, demand.at)
    return found if isinstance(found, NotDemonstrated) else over_lots(on, found)


def _deciding(on: date) -> Decide:
    """Return what decides single requirements on a bench, in brief; each quantity once."""

    def on_bench(bench: Bench) -> Callable[[Demand], Finding]:
        compute = _computed(bench)
        return lambda demand: _finding(bench, demand, on, compute, brief=True)

    return on_bench


def _asked(demand: Demand, side: Side) -> tuple[object, ...]:
    """Return what a demand asks for, so that equal ones are known."""
    compared = demand.not_worse is not None
    return (demand.quantity.name, side, compared, *sorted(demand.at.items()))


def _finding(
    bench: Bench, demand: Demand, on: date, compute: Compute, *, brief: bool = False
) -> Finding:
    """Return a finding; in `brief` without notes, interval and the number that decides.

    Nobody reads them there.
    """
    bare = Finding(
        demand=demand, verdict=Verdict.NOT_DEMONSTRATED, reason=demand.not_applicable,
        lower=demand.lower, upper=demand.upper,
    )  # fmt: skip
    if demand.not_applicable:
        return replace(bare, verdict=Verdict.NOT_APPLICABLE)
    found, reference = compute(demand, "candidate"), _reference(bench, demand, compute)
    other = None if isinstance(reference, NotDemonstrated) else reference
    if isinstance(found, NotDemonstrated):
        return replace(bare, reason=found.reason, reference=other)
    if demand.not_worse is not None and isinstance(reference, NotDemonstrated):
        why = say("no comparison: {reason}", reason=reference.reason)
        return replace(bare, reason=why, estimate=found, interval=_interval(found))
    if demand.quantity.dimension == "statement":
        outcome = decide_statement(found, demand, bench.case.application.decision_rule)
        return _ruled(bench, replace(bare, estimate=found, reference=other), outcome, on)
    return _judged(bench, replace(bare, estimate=found, reference=other), on, brief=brief)


def _judged(bench: Bench, bare: Finding, on: date, *, brief: bool) -> Finding:
    """Return the finding on the number that stands in `bare`."""
    known = bare if brief else _noted(bench, bare)
    demand, found, other = known.demand, known.estimate, known.reference
    assert found is not None
    limit = threshold_of(demand, other)
    known = replace(known, lower=limit.lower, upper=limit.upper)
    stopped = _not_decidable(demand, found, other, limit)
    if stopped:
        return replace(known, reason=stopped)
    draws = _draws(bench, demand.own_id)
    asked = AgainstLimit(found, limit, demand.basis, demand.coverage, draws)
    return _ruled(bench, known, _outcome(bench, asked, brief=brief), on)


def _noted(bench: Bench, bare: Finding) -> Finding:
    """Return the finding with its interval, and with what is noted on its numbers."""
    demand, found = bare.demand, bare.estimate
    assert found is not None
    if demand.not_worse is None and bench.case.qualification.reference is not None:
        found = _set_apart(bench, demand, found)
    found, other = _flagged(demand, _converted(bench, demand, found), bare.reference)
    return replace(bare, estimate=found, reference=other, interval=_interval(found))


def _interval(found: Estimate) -> tuple[float, float] | None:
    return found.interval() if math.isfinite(found.value) else None


def _light(finding: Finding) -> Finding:
    """Return the finding without the draws of each specimen, which only the decision needed.

    Budgets are worked out: they hold draws until then.
    """
    own, other = (
        each and replace(each, specimen_samples=None, components=tuple(each.components))
        for each in (finding.estimate, finding.reference)
    )
    return replace(finding, estimate=own, reference=other)


def _converted(bench: Bench, demand: Demand, found: Estimate) -> Estimate:
    """Return the estimate with the conversions of older sizes, of requirement and records."""
    said = list(demand.conversions)
    for record in bench.case.records:
        if record.id in found.sources and isinstance(record.table, MultipassTable):
            said += [certified_size(*each)[1] for each in record.table.conversions]
    return replace(found, notes=(*found.notes, *dict.fromkeys(said)))


def _set_apart(bench: Bench, demand: Demand, found: Estimate) -> Estimate:
    """Return the estimate with a note where the other filter's result does not stand beside it."""
    apart = unlike_tests(bench, demand.quantity)
    if not apart:
        return found
    words = later("the filter now fitted is left out, as it was not tested alike: {difference}")
    return replace(found, notes=(*found.notes, say(words, difference=apart)))


def _flagged(
    demand: Demand, found: Estimate, reference: Estimate | None
) -> tuple[Estimate, Estimate | None]:
    """Return both estimates with a note on a specimen that lies far from the others.

    A note only: values, uncertainties and draws stay, and with them the decision.
    """
    own, others = find_outlier(found), find_outlier(reference) if reference else None
    if own is not None:
        found = replace(found, notes=(*found.notes, outlier_note(own, demand)))
    if others is not None and reference is not None:
        note = outlier_note(others, demand)
        reference = replace(reference, notes=(*reference.notes, note))
        if demand.not_worse is not None:
            said = say("filter now fitted: {note}", note=note)
            found = replace(found, notes=(*found.notes, said))
    return found, reference


def _reference(bench: Bench, demand: Demand, compute: Compute) -> Estimate | NotDemonstrated:
    if bench.case.qualification.reference is None:
        return NotDemonstrated(reason=say("the case describes no reference filter"))
    apart = unlike_tests(bench, demand.quantity)
    if apart:
        reason = say("the two filters were not tested alike: {difference}", difference=apart)
        return NotDemonstrated(reason=reason)
    return compute(demand, "reference")


def _not_decidable(
    demand: Demand, found: Estimate, reference: Estimate | None, threshold: Threshold
) -> str:
    """Return why a number cannot be decided upon: too few specimens, or a bound of no use."""
    everyone = [found] if demand.not_worse is None or reference is None else [found, reference]
    for estimate in everyone:
        if not (math.isfinite(estimate.value) and not math.isnan(estimate.u)):
            return say("the result is not a finite number")
        if len(estimate.per_specimen) < 2 and demand.basis != "every_specimen":
            return say(ONE_SPECIMEN, basis=demand.basis)
    if demand.not_worse is not None and reference is not None and reference.bound:
        return say("the reference's result is only a bound ({bound})", bound=say(reference.bound))
    if censored(found):
        return ""  # judged as bounds, specimen by specimen
    low, high = found.bound == "larger than", found.bound == "smaller than"
    if low and threshold.upper is not None and found.value <= threshold.upper:
        return say("the result is only a lower bound, below the upper limit")
    if high and threshold.lower is not None and found.value >= threshold.lower:
        return say("the result is only an upper bound, above the lower limit")
    return ""


def _ruled(bench: Bench, known: Finding, outcome: Ruling, on: date) -> Finding:
    """Return what is known with its verdict, and the concession that covers a fail."""
    rule, demand = bench.case.application.decision_rule, known.demand
    verdict, chance, reason = outcome.verdict, outcome.probability, outcome.reason
    if not reason and chance is not None:
        reason = _reason(demand, verdict, chance, rule.kind, rule.confidence)
    if demand.not_worse is not None and demand.quantity.share_of != "value":
        reason = say(BY_PENETRATION, reason=reason, factor=1.0 + demand.not_worse)
    return replace(
        known, verdict=verdict, probability=chance, reason=reason, deciding=outcome.deciding,
        concession=_concession(bench.case, demand, verdict, on),
    )  # fmt: skip


def _outcome(bench: Bench, asked: AgainstLimit, *, brief: bool) -> Ruling:
    rule, limits = bench.case.application.decision_rule, asked.threshold.limits
    if censored(asked.estimate):
        return decide_bounds(asked, rule)
    judged = probability(asked)
    verdict = verdict_by(rule.kind, judged.value, judged.probability, limits, rule.confidence)
    if brief:
        return Ruling(verdict, judged.probability)
    decides = deciding(asked, judged, rule.confidence)
    if rule.kind == "simple_acceptance":
        decides = replace(decides, value=judged.value, lower=limits.lower, upper=limits.upper)
    return Ruling(verdict, judged.probability, "", decides)


def _draws(bench: Bench, purpose: str) -> Callable[[str], np.random.Generator]:
    return lambda name: generator(bench, f"{purpose} {name}")


def _concession(case: Case, demand: Demand, verdict: Verdict, on: date) -> Concession | None:
    """Return the concession that covers a failed requirement and has not run out."""
    if verdict not in FAILS:
        return None
    for concession in case.qualification.concession:
        in_time = concession.until is None or on <= concession.until
        if concession.requirement == demand.id and in_time and concession.agreed <= on:
            return concession
    return None


ONE_SPECIMEN = later(
    "one specimen shows no scatter: the {basis} basis needs at least two "
    "(the basis of every specimen judges each on its own)"
)
BASIS = {
    "mean": later("the mean of the filter type"),
    "every_specimen": later("the least favourable specimen"),
    "population": later("the stated share of the population"),
}
BY_PENETRATION = later(
    "{reason}; judged by what passes: the candidate's penetration, one less its efficiency, may be "
    "at most {factor:.4g} times that of the filter now fitted"
)
GRADED = {
    "pass": later("{subject} conforms with probability {shown}, at least the wanted {wanted}"),
    "fail": later("{subject} conforms with probability {shown}, short of the wanted {wanted}"),
    "conditional pass": later(
        "inside the limit, but {subject} conforms with probability {shown}, "
        "short of the wanted {wanted}"
    ),
    "conditional fail": later(
        "outside the limit, yet {subject} may conform, with probability {shown}"
    ),
}


def _reason(demand: Demand, verdict: Verdict, chance: float, kind: str, confidence: float) -> str:
    if kind == "simple_acceptance":
        if verdict is Verdict.PASS:
            words = later("value compared with the limit; the risk of wrongly accepting is {risk}")
            return say(words, risk=chance_text(1.0 - chance))
        words = later("value compared with the limit; the risk of wrongly rejecting is {risk}")
        return say(words, risk=chance_text(chance))
    wanted = say("{percent:.4g} %", percent=100 * confidence)
    words, shown = GRADED[verdict.value], chance_text(chance, confidence)
    return say(words, subject=say(BASIS[demand.basis]), shown=shown, wanted=wanted)
