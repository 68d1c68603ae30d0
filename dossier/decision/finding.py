"""What was decided, requirement by requirement, and on the whole."""

from dataclasses import dataclass
from datetime import date

from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench, Curves
from dossier.evidence.check import Check
from dossier.evidence.circuit_summary import CircuitSide
from dossier.evidence.demand import Demand
from dossier.evidence.estimate import Estimate

__all__ = ["Assessment", "Caution", "Finding"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The verdict on one requirement."""

    demand: Demand
    """The requirement with its quantity, conditions and limits resolved."""
    verdict: Verdict
    estimate: Estimate | None
    """What was found on the candidate; None where nothing could be computed."""
    reference: Estimate | None
    """The same quantity of the filter now fitted, where there are records of it."""
    probability: float | None
    """Probability that the requirement is met, given the measurement [-]."""
    interval: tuple[float, float] | None
    """Two-sided 95 % interval of the decided value [unit of the estimate]."""
    lower: float | None
    """Lower limit that was applied [unit of the estimate]."""
    upper: float | None
    """Upper limit that was applied [unit of the estimate]."""
    reason: str
    """One sentence: why this verdict."""
    concession: str = ""
    """Text of the concession that covers a fail, if any."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning for the people who will act on the dossier."""

    title: str
    text: str
    computed: bool
    """True when it follows from this case's numbers, False for the usual cautions."""
    name: str = ""
    """What a usual caution is called whatever the language: its English title."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """Everything that was found and decided on a case."""

    findings: tuple[Finding, ...]
    decision: Decision
    checks: tuple[Check, ...]
    cautions: tuple[Caution, ...]
    seed: int
    conditions: tuple[str, ...]
    """Conditions under which an approval holds."""
    bench: Bench
    """The reduced records, for tables and charts."""
    curves: Curves
    """Computed lines for the charts."""
    comparison: str = ""
    """What the candidate gains and gives up, in one sentence; empty without a reference."""
    circuit: tuple[CircuitSide, ...] = ()
    """The circuit with either filter in it."""
    valid_until: date | None = None
    """Last day on which the approval holds, or held, where a concession has ended since."""
