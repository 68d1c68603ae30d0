"""What was decided, requirement by requirement, and on the whole."""

from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from dossier.case.model import Concession
from dossier.decision.deciding import Deciding
from dossier.decision.rules import Decision, Ruled, Verdict, worst_of
from dossier.evidence.bench import Bench, Curves
from dossier.evidence.limits import Check
from dossier.evidence.quantities.circuit import CircuitSide
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate

ConditionKind = Literal[
    "concession",
    "conditional pass",
    "covered rule",
    "excluded record",
    "accepted method",
    "not applicable",
    "advisory",
    "changed requirement",
    "late request",
    "no plan",
    "warned rule",
    "small reproducibility",
    "long life",
    "far limit",
    "another batch of dust",
    "disowned record",
    "carried evidence",
    "unproven source",
]
"""What a condition comes from: a code, said where it is printed."""


@dataclass(frozen=True, slots=True)
class Condition:
    """Something an approval holds under only: it stands on page one, and needs the approver."""

    kind: ConditionKind
    subject: str
    """Requirement or record it is about; empty for the whole case."""
    text: str
    """The condition in a sentence, as printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The verdict on one requirement."""

    demand: Demand
    """The requirement with its quantity, conditions and limits resolved."""
    verdict: Verdict
    estimate: Estimate | None = None
    """What was found on the candidate; None where nothing could be computed."""
    reference: Estimate | None = None
    """The same quantity of the filter now fitted, where there are records of it."""
    probability: float | None = None
    """Probability that the requirement is met, given the measurement [-]."""
    interval: tuple[float, float] | None = None
    """Two-sided 95 % interval of the decided value [unit of the estimate]."""
    lower: float | None = None
    """Lower limit that was applied [unit of the estimate]."""
    upper: float | None = None
    """Upper limit that was applied [unit of the estimate]."""
    reason: str
    """One sentence: why this verdict."""
    concession: Concession | None = None
    """The concession that covers a fail, if any."""
    deciding: Deciding | None = None
    """The number that decides; None where there is none."""


Findings = Sequence[Finding]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning for the people who will act on the dossier."""

    title: str
    text: str
    computed: bool
    """True when it follows from this case's numbers, False for the usual cautions."""
    name: str = ""
    """What a usual caution is called whatever the language: its English title."""


@dataclass(frozen=True, slots=True)
class Flip:
    """The first of the factors at which a verdict is another."""

    factor: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How far one input of a requirement may move, all else as it is."""

    requirement: str
    input: str
    """A name of `evidence.changed.INPUTS`."""
    flips: tuple[Flip, ...]
    """Below one and above it; empty where the verdict is the same at half and at twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """Everything that was found and decided on a case."""

    findings: tuple[Finding, ...]
    decision: Decision
    checks: tuple[Check, ...]
    cautions: tuple[Caution, ...]
    seed: int
    conditions: tuple[Condition, ...]
    """Conditions under which an approval holds."""
    bench: Bench
    """The reduced records, for tables and charts."""
    curves: Curves
    """Computed lines for the charts."""
    comparison: str = ""
    """What the candidate gains and gives up, in one sentence; empty without a reference."""
    circuit: tuple[CircuitSide, ...] = ()
    """The circuit with either filter in it."""
    flips: tuple[Sensitivity, ...] = ()
    """How far inputs may move before a verdict is another."""
    parts: tuple["Assessment", ...] = ()
    """What was decided for each of several applications, by itself; `bench` and all computed from
    it is that of the first one that `leading` names.  Empty where there is but one."""
    valid_until: date | None = None
    """Last day on which the approval holds, or held, where a concession has ended since."""


def decision_of(
    findings: Findings, conditions: Sequence[Condition], past: Container[str] = ()
) -> Decision:
    """Return the decision on the whole; with any condition an approval is one with conditions.

    Of several applications it is the worst of theirs; a fail in `past` counts as conceded.
    """
    by: dict[str, list[Ruled]] = {}
    for f in findings:
        row = f.verdict, f.demand.severity == "mandatory", bool(f.concession or f.demand.id in past)
        by.setdefault(f.demand.mark, []).append(row)
    return worst_of(by, conditional=bool(conditions))
