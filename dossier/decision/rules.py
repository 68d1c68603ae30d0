"""Conformance probability, verdicts, and the decision on the whole."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.statistics.uncertainty import t_cdf

Rule = Literal["simple_acceptance", "guard_band", "graded"]
"""How a result is judged; agreed before the tests."""


class Verdict(StrEnum):
    """What is said of one requirement, from the worst for an approval to the best, then none."""

    FAIL = "fail"
    CONDITIONAL_FAIL = "conditional fail"
    NOT_DEMONSTRATED = "not demonstrated"
    CONDITIONAL_PASS = "conditional pass"
    PASS = "pass"
    NOT_APPLICABLE = "not applicable"


class Decision(StrEnum):
    """What is said of the filter in its application, from the worst to the best."""

    NOT_APPROVED = "not approved"
    UNDECIDED = "undecided"
    APPROVED_WITH_CONDITIONS = "approved with conditions"
    APPROVED = "approved"


WORST, VERDICTS = tuple(Decision), tuple(Verdict)
BETTER = VERDICTS[:-1]
"""Verdicts on what applies."""
FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Tolerance limits of a quantity, one or both; a value on a limit is inside.

    Raises ValueError unless at least one is given, each is finite, and lower <= upper.
    """

    lower: float | None
    """Lowest value that conforms [unit of the value]; None where there is no such limit."""
    upper: float | None
    """Highest value that conforms [unit of the value]; None where there is no such limit."""

    def __post_init__(self) -> None:
        given = [each for each in (self.lower, self.upper) if each is not None]
        if not (given and all(-math.inf < each < math.inf for each in given)):
            raise ValueError(
                f"limits must be finite, one at least, not {self.lower} and {self.upper} "
                "[unit of the value]"
            )
        if not given[0] <= given[-1]:
            raise ValueError(
                f"lower limit {self.lower} is above upper limit {self.upper} [unit of the value]"
            )

    def hold(self, value: float) -> bool:
        """Return whether `value` lies inside, exactly on a limit counting as inside."""
        above = self.lower is None or value >= self.lower
        return above and (self.upper is None or value <= self.upper)


def conformance_probability(value: float, u: float, dof: float, limits: Tolerance) -> float:
    """Return the probability that the true value lies inside the limits [-].

    `value` and its standard uncertainty `u` are in the unit of the limits; `dof` are effective
    degrees of freedom [-], inf for the normal distribution.  With u = 0 it is 1 inside the limits
    or on one, else 0.

    Raises ValueError unless value is finite, 0 <= u < inf and dof > 0.
    Source: JCGM 106:2012, 7.3 (one limit) and 7.4 (two), numbers from memory; Student's
    distribution for few degrees of freedom as in JCGM 101:2008, 6.4.9 (from memory).
    """
    _accept_finite(value)
    if not (0.0 <= u < math.inf):
        raise ValueError(f"standard uncertainty must be 0 or above and finite, not {u} [its unit]")
    if u == 0.0:
        t_cdf(0.0, dof)  # refuses degrees of freedom that are none
        return float(limits.hold(value))
    over = math.inf if limits.upper is None else (limits.upper - value) / u
    under = -math.inf if limits.lower is None else (limits.lower - value) / u
    if under > 0.0:
        under, over = -over, -under
    return max(0.0, t_cdf(over, dof) - t_cdf(under, dof))


def conformance_probability_of_samples(
    samples: Sequence[float] | NDArray[np.float64], limits: Tolerance
) -> float:
    """Return the share of Monte Carlo draws that lie inside the limits [-].

    `samples` (n,) are in the unit of the limits; infinite draws are allowed and lie beyond any
    limit on their side.
    Raises ValueError for no draws, or one that is not a number.
    Source: JCGM 106:2012, 7.3 and 7.4, by the propagated distribution of JCGM 101:2008, 7.5 (both
    from memory).
    """
    drawn = np.asarray(samples, dtype=np.float64)
    if not (drawn.ndim == 1 and drawn.size > 0 and not bool(np.isnan(drawn).any())):
        raise ValueError("draws must be one row of numbers, at least one, none of them nan")
    low = -math.inf if limits.lower is None else limits.lower
    high = math.inf if limits.upper is None else limits.upper
    return float(((low <= drawn) & (drawn <= high)).mean())


def verdict_by(
    kind: Rule, value: float, probability: float, limits: Tolerance, confidence: float
) -> Verdict:
    """Return the verdict on one result by an agreed rule.

    `value` in the unit of the limits, `probability` that it conforms [-], `confidence` agreed [-].

    - guard_band: pass if probability >= confidence, else fail.
    - graded: pass if probability >= confidence; else conditional pass if the value is inside the
      limits (a value on a limit is); else fail if probability <= 1 - confidence; else conditional
      fail.
    - simple_acceptance: pass if the value is inside the limits (a value on a limit is), else fail.

    Raises ValueError for another kind, and unless value is finite, 0 <= probability <= 1 and
    0.5 <= confidence < 1.
    Source: rules and words of ILAC-G8:09/2019, 4.2 (from memory).
    """
    _accept_finite(value)
    if not (0.5 <= confidence < 1.0):
        raise ValueError(f"confidence must be 0.5 or above and below 1, not {confidence} [-]")
    if not (0.0 <= probability <= 1.0):
        raise ValueError(f"probability must lie between 0 and 1, not {probability} [-]")
    inside = limits.hold(value)
    if kind == "simple_acceptance":
        return Verdict.PASS if inside else Verdict.FAIL
    if kind == "guard_band":
        return Verdict.PASS if probability >= confidence else Verdict.FAIL
    if kind == "graded":
        return _graded(inside, probability, confidence)
    raise ValueError(f"rule must be simple_acceptance, guard_band or graded, not {kind!r}")


Ruled = tuple[Verdict, bool, bool]
"""A verdict, whether the requirement is mandatory, and whether a concession covers it."""


def overall(findings: Sequence[Ruled], *, conditional: bool = False) -> Decision:
    """Return the decision on the whole from findings (verdict, mandatory, concession).

    With `conditional`, something else is held to be so that an approval needs conditions for.

    A mandatory fail, conditional or not, without a concession: not approved.  Else a mandatory one
    not demonstrated: undecided, which no concession covers.  Else a conditional pass, or a fail
    with a concession, or `conditional`: approved with conditions.  Else approved.  Without any
    mandatory finding that applies: undecided.

    Raises ValueError for a verdict that is none.  Source: a rule of our own.
    """
    mandatory = [(Verdict(verdict), excused) for verdict, counts, excused in findings if counts]
    decided = [each for each in mandatory if each[0] is not Verdict.NOT_APPLICABLE]
    if any(verdict in FAILS and not excused for verdict, excused in decided):
        return Decision.NOT_APPROVED
    if not decided or any(verdict is Verdict.NOT_DEMONSTRATED for verdict, _ in decided):
        return Decision.UNDECIDED
    if all(verdict is Verdict.PASS for verdict, _ in decided) and not conditional:
        return Decision.APPROVED
    return Decision.APPROVED_WITH_CONDITIONS


def worst_of(findings: Mapping[str, Sequence[Ruled]], *, conditional: bool = False) -> Decision:
    """Return the decision on several applications: the worst of those on each by itself.

    `findings` are those of each, by its mark, as of `overall`.  A rule of our own: a filter that
    passes k applications was judged k times, each at its own risk, and nothing of one counts for
    another.
    """
    each = [overall(rows, conditional=conditional) for rows in findings.values()]
    return min(each or [Decision.UNDECIDED], key=WORST.index)


def _graded(inside: bool, probability: float, confidence: float) -> Verdict:
    if probability >= confidence:
        return Verdict.PASS
    if inside:
        return Verdict.CONDITIONAL_PASS
    return Verdict.FAIL if probability <= 1.0 - confidence else Verdict.CONDITIONAL_FAIL


def _accept_finite(value: float) -> None:
    if not (-math.inf < value < math.inf):
        raise ValueError(f"value must be finite, not {value} [unit of the limits]")
