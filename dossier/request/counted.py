"""The number of specimens of each requirement, by calculation, and of each test."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dossier.case.application import DecisionRule
from dossier.case.problems import CaseError, CaseProblem
from dossier.evidence.requirement import Demand
from dossier.request.assumptions import Assumptions, needs_scatter, pair_of
from dossier.request.needed import Needed
from dossier.request.specimens import (
    LEAST,
    guard_band,
    mean_specimens,
    population_specimens,
    success_run_specimens,
    tolerance_band,
)

TOGETHER = {"multipass", "pressure_drop"}
"""Tests of the same specimens: what is measured on one has to be measured on all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """How many specimens one requirement needs, and from what that follows."""

    demand: Demand
    n: int
    way: str
    """guard band, tolerance, success run, least, or none: no number is enough."""
    scatter: str = ""
    """Assumed standard deviation between specimens, as written."""
    margin: str = ""
    """Assumed distance between result and limit, as written."""
    taken: float = 0.0
    """Part of the margin that the scatter of `n` specimens takes up [-]."""

    @property
    def sets(self) -> bool:
        """Whether it sets the number: an advisory requirement gets what the others ask for."""
        return self.demand.severity == "mandatory"


def counted(
    demands: Sequence[Demand], rule: DecisionRule, assumed: Assumptions
) -> tuple[Counted, ...]:
    """Return the number for each applicable requirement; CaseError lists what cannot be counted.

    An advisory requirement that no number of specimens can meet stops nothing.
    """
    found: list[Counted] = []
    problems: list[CaseProblem] = []
    for demand in demands:
        if demand.not_applicable:
            continue
        try:
            one = _one(demand, rule, assumed)
        except ValueError as error:
            if demand.severity == "advisory":
                found.append(Counted(demand=demand, n=0, way="none"))
                continue
            hint = "assume less scatter or more margin, or give up some confidence or coverage"
            problems.append(CaseProblem("the call", demand.id, str(error), hint))
            continue
        if isinstance(one, Counted):
            found.append(one)
        else:
            problems += one
    if problems:
        raise CaseError(problems)
    return tuple(found)


def _one(demand: Demand, rule: DecisionRule, assumed: Assumptions) -> Counted | list[CaseProblem]:
    confidence = rule.confidence
    if not needs_scatter(demand):
        if demand.basis == "population":
            n = success_run_specimens(demand.coverage, confidence)
            return Counted(demand=demand, n=n, way="success run")
        return Counted(demand=demand, n=LEAST, way="least")
    pair = pair_of(demand, assumed)
    if isinstance(pair, list):
        return pair
    scatter, margin = pair
    s, m = scatter.value, margin.value
    if demand.basis == "population":
        both, p = demand.lower is not None and demand.upper is not None, demand.coverage
        n = population_specimens(s, m, p, confidence, assumed.share, both=both)
        taken, way = tolerance_band(n, s, p, confidence, both=both) / m, "tolerance"
    else:
        spread = _spread(demand)
        n = mean_specimens(s, m, confidence, assumed.share, spread)
        taken, way = guard_band(n, s, confidence, spread) / m, "guard band"
    return Counted(
        demand=demand, n=n, way=way, scatter=scatter.text, margin=margin.text, taken=taken
    )


def _spread(demand: Demand) -> float:
    """Return sqrt(1 + k^2): k the share of the reference's mean that is the limit, else 0."""
    if demand.not_worse is None:
        return 1.0
    return math.hypot(1.0, demand.of_reference[0])


def together(tests: Sequence[Needed], counts: Sequence[Counted], planned: int) -> int:
    """Return how many specimens of a filter the plan names: the most that any joint test needs.

    `planned` is how many the case names already.
    """
    own = [_most(test, counts) for test in tests if test.kind in TOGETHER]
    return max([LEAST, planned, *own])


def _most(test: Needed, counts: Sequence[Counted]) -> int:
    asked = {demand.id for demand in test.demands}
    return max((each.n for each in counts if each.sets and each.demand.id in asked), default=LEAST)


def specimens_of(
    test: Needed, counts: Sequence[Counted], plan: int, reference: int
) -> Mapping[str, int]:
    """Return the number of specimens of each filter in one test.

    Never fewer than the `plan` names (`reference` for the filter now fitted): the verdict asks
    for every planned specimen, or as many others where a test destroys them.
    """
    own = plan if test.kind in TOGETHER else max(plan, _most(test, counts))
    found = {"candidate": own}
    if test.compared:
        ids = {demand.id for demand in test.demands if demand.not_worse is not None}
        compared = [each.n for each in counts if each.sets and each.demand.id in ids]
        found["reference"] = max([LEAST, reference, *compared])
    return found
