"""Cautions: the usual ones, and those that follow from this case's numbers."""

from collections.abc import Iterator, Sequence

from dossier.case.case import Case
from dossier.decision.finding import Caution, Finding
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench

__all__ = ["GENERAL", "cautions_for", "conditions_for"]

GENERAL: tuple[Caution, ...] = tuple(
    Caution(title=title, text=text, computed=False)
    for title, text in (
        (
            "The OEM and local rules come first",
            "This dossier reduces laboratory data and compares them with stated requirements. The "
            "engine or equipment maker's instructions, warranty terms, type approval and local "
            "rules stand above it; licensed or authorised people decide and fit the filter.",
        ),
        (
            "Hot oil and pressure",
            "Stop the machine, relieve the pressure and let the oil cool before opening the "
            "circuit. Hot oil burns; an oil spray can catch fire on hot parts.",
        ),
        (
            "Oil starvation",
            "A blocked or too tight filter without a working bypass valve stops lubrication. Watch "
            "oil pressure after every filter change.",
        ),
        (
            "Open bypass",
            "While the bypass valve is open, unfiltered oil reaches the bearings. That is better "
            "than no oil, and not a normal state.",
        ),
        (
            "Housing and fit",
            "Never exceed the rated pressure of the housing. Check thread, gasket seat, torque and "
            "flow direction; a filter with another valve setting is another part, however alike "
            "it looks.",
        ),
        (
            "Waste oil and used filters",
            "Collect and dispose of them as local rules ask.",
        ),
        (
            "What the results relate to",
            "Laboratory results relate to the specimens tested, at steady flow and with test dust. "
            "A pass on paper does not replace validation in the machine.",
        ),
    )
)


def cautions_for(
    bench: Bench, findings: Sequence[Finding], decision: Decision
) -> tuple[Caution, ...]:
    """Return the computed cautions of a case, then the general ones."""
    found = [*_cold(findings), *_thin(bench, findings), *_trade(findings), *_evidence(bench)]
    found += [*_terminal(bench), *_undecided(findings, decision)]
    return tuple(found) + GENERAL


def _caution(title: str, text: str) -> Caution:
    return Caution(title=title, text=text, computed=True)


def _cold(findings: Sequence[Finding]) -> Iterator[Caution]:
    for finding in findings:
        if finding.demand.quantity.name != "cold_bypass_temperature" or finding.estimate is None:
            continue
        warm = finding.estimate.value - 273.15
        yield _caution(
            "The valve opens with cold oil",
            f"Below about {warm:.0f} °C oil the clean candidate opens the bypass valve at "
            f"{finding.demand.at_text}; until the oil is warmer, part of it reaches the bearings "
            "unfiltered. Multigrade oil in the cold may be thicker than the calculation from its "
            "viscosities at 40 °C and 100 °C.",
        )
        return


def _thin(bench: Bench, findings: Sequence[Finding]) -> Iterator[Caution]:
    confidence = bench.case.application.decision_rule.confidence
    for finding in findings:
        chance = finding.probability
        if chance is None or finding.verdict not in {Verdict("pass"), Verdict("conditional pass")}:
            continue
        if chance < 0.5 * (1.0 + confidence):
            yield _caution(
                f"Thin margin: {finding.demand.id}",
                f"{finding.demand.quantity.title}: the requirement is met with probability "
                f"{100 * chance:.1f} % only. Another lot may turn out otherwise.",
            )


def _trade(findings: Sequence[Finding]) -> Iterator[Caution]:
    """Say so when the candidate catches more and holds less, or the other way round."""
    gains = {name: _gain(findings, name) for name in ("efficiency", "retained_capacity")}
    finer, more = gains["efficiency"], gains["retained_capacity"]
    if finer is None or more is None:
        return
    if finer > 0 > more:
        yield _caution(
            "Trades capacity for efficiency",
            "The candidate lets less through than the filter now fitted and holds "
            f"{-100 * more:.0f} % less contaminant: expect shorter intervals or an open bypass.",
        )
    elif finer < 0 < more:
        yield _caution(
            "Trades efficiency for capacity",
            f"The candidate holds {100 * more:.0f} % more contaminant and lets more through than "
            "the filter now fitted.",
        )


def _gain(findings: Sequence[Finding], name: str) -> float | None:
    """Return the relative gain over the reference; for efficiency, the fall of the penetration."""
    for finding in findings:
        own, other = finding.estimate, finding.reference
        if finding.demand.quantity.name != name or own is None or other is None:
            continue
        if name == "efficiency":
            return (own.value - other.value) / max(1e-12, 1.0 - other.value)
        return own.value / other.value - 1.0
    return None


def _evidence(bench: Bench) -> Iterator[Caution]:
    specimens = {run.specimen for run in bench.multipass if run.side == "candidate"}
    if 0 < len(specimens) < 6:
        yield _caution(
            "Few specimens",
            f"The result rests on {len(specimens)} specimens of the candidate. So few say little "
            "about the scatter of later production.",
        )
    warned = sorted({c.rule for c in bench.checks if c.outcome == "warning"})
    if warned:
        yield _caution(
            "Checks with a warning", f"See the section on validity for: {', '.join(warned)}."
        )
    covered = [c for c in bench.checks if c.outcome == "covered by a deviation"]
    for check in covered:
        yield _caution(
            f"Deviation accepted: record {check.record}",
            f"{check.rule}: {check.found}. Recorded deviation: {check.deviation}",
        )
    for record, cause in sorted(bench.excluded.items()):
        yield _caution(f"Record {record} left out", f"{cause[0].upper()}{cause[1:]}.")


def _terminal(bench: Bench) -> Iterator[Caution]:
    valve = bench.case.application.circuit.bypass_valve
    runs = [run for run in bench.multipass if run.side == "candidate"]
    if valve is None or valve.opening is None or not runs:
        return
    terminal = max(run.terminal + run.housing for run in runs)
    if terminal > valve.opening.min:
        yield _caution(
            "Capacity beyond the valve's opening",
            f"The runs ended at {terminal / 1e3:.0f} kPa, the valve may open at "
            f"{valve.opening.min / 1e3:.0f} kPa: contaminant held above that pressure is not "
            "usable in service.",
        )


def _undecided(findings: Sequence[Finding], decision: Decision) -> Iterator[Caution]:
    open_ones = [
        f.demand.id
        for f in findings
        if f.verdict == Verdict("not demonstrated") and f.demand.severity == "mandatory"
    ]
    if open_ones:
        yield _caution(
            "Not demonstrated",
            f"Requirements {', '.join(open_ones)} are mandatory and not demonstrated: the "
            f"decision is {decision.value!r} and must not be read as an approval.",
        )


def conditions_for(case: Case, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the conditions under which an approval holds: concessions and conditional passes."""
    found = []
    for finding in findings:
        if finding.demand.severity != "mandatory":
            continue
        if finding.concession:
            found.append(
                f"{finding.demand.id}: concession: {finding.concession}{_bounds(case, finding)}"
            )
        elif finding.verdict == Verdict("conditional pass"):
            found.append(
                f"{finding.demand.id}: conditional pass, conforms with probability "
                f"{100 * (finding.probability or 0.0):.1f} %"
            )
    return tuple(found)


def _bounds(case: Case, finding: Finding) -> str:
    for concession in case.qualification.concession:
        if concession.requirement == finding.demand.id:
            until = f" until {concession.until}" if concession.until else ""
            machines = f" on {', '.join(concession.machines)}" if concession.machines else ""
            return (
                f" (valid{until}{machines}; agreed {concession.agreed} by {concession.agreed_by})"
            )
    return ""
