"""The number of specimens of each requirement and test, from a scatter and a margin as stated.

Both are assumed, always as the call says; confidence and coverage have passed the models.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from dossier.case.application import DecisionRule
from dossier.case.problems import CALL, CaseError, CaseProblem, refuse
from dossier.case.units import UnitError, parse_quantity
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.tolerance import (
    tolerance_factor,
    two_sided_factor,
    zero_failure_specimens,
)
from dossier.evidence.statistics.uncertainty import t_quantile
from dossier.request.points import Needed

ABSOLUTE = {"temperature": "temperature difference", "cleanliness code": "cleanliness code"}
"""Dimensions whose differences are never a share of the limit, and what they are given in."""


@dataclass(frozen=True, slots=True)
class Assumed:
    """One assumed value as it was written."""

    text: str
    """As written, such as "4 %" or "1.5 K"."""
    value: float
    """Share of the limit [-], or difference [working unit]."""
    relative: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """Assumed values by requirement, by quantity, or under "" for all others."""

    scatter: Mapping[str, str]
    """Standard deviation between specimens of a filter type."""
    margin: Mapping[str, str]
    """Expected distance between result and limit."""
    share: float
    """Part of the margin that the guard band of the scatter may take up [-]."""


def assumptions_of(
    scatter: Sequence[str], margin: Sequence[str], share: str, demands: Sequence[Demand]
) -> Assumptions:
    """Return the assumptions from texts such as "4 %" for all, "E1=1 %" or "service_life=8 %".

    Raises CaseError for one that names no requirement or quantity of the case, or is given twice.
    """
    known = {demand.id for demand in demands} | {demand.quantity.name for demand in demands}
    problems: list[CaseProblem] = []
    tables = [
        _table(flag, texts, known, problems)
        for flag, texts in (("--scatter", scatter), ("--margin", margin))
    ]
    problems += _left_out(tables, share)
    part = _part(share, problems) if share else 0.0
    made = Assumptions(scatter=tables[0], margin=tables[1], share=part)
    if all(tables):
        for demand in demands:
            pair = pair_of(demand, made) if needs_scatter(demand) else ()
            problems += pair if isinstance(pair, list) else []
    refuse(problems)
    return made


def _left_out(tables: Sequence[Mapping[str, str]], share: str) -> Iterator[CaseProblem]:
    """Yield what is not stated at all: nothing is taken for granted."""
    options = (
        ("--scatter", tables[0], "the standard deviation assumed between specimens", "4 %"),
        ("--margin", tables[1], "the distance expected between result and limit", "10 %"),
        ("--share", share, "the part of the margin that the scatter may take up", "50 %"),
    )
    for flag, given, words, example in options:
        if not given:
            yield CaseProblem(CALL, flag, f"is missing: {words}", f"give {flag} '{example}'")


def _part(share: str, problems: list[CaseProblem]) -> float:
    try:
        part = parse_quantity(share, "fraction")
    except UnitError as error:
        problems.append(CaseProblem(CALL, "--share", str(error), "give a percentage"))
        return 0.0
    if not 0 < part <= 1:
        words = "not above 0 % and at most 100 %"
        problems.append(CaseProblem(CALL, "--share", f"{share!r} is {words}", "correct it"))
    return part


def _table(
    flag: str, texts: Sequence[str], known: set[str], problems: list[CaseProblem]
) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts:
        name, _, value = text.rpartition("=")
        name, value = name.strip(), value.strip()
        if name and name not in known:
            hint = f"requirements and quantities here: {', '.join(sorted(known))}"
            problems.append(CaseProblem(CALL, flag, f"{name!r} is not known", hint))
        if name in found:
            problems.append(CaseProblem(CALL, flag, f"{name or 'all'} is given twice", "give one"))
        found[name] = value
    return found


def needs_scatter(demand: Demand) -> bool:
    """Return whether the number of specimens of a requirement follows from a scatter."""
    if demand.not_applicable or demand.quantity.dimension == "statement":
        return False
    return not (demand.basis == "population" and demand.quantity.records == ("measurement",))


def pair_of(demand: Demand, assumed: Assumptions) -> tuple[Assumed, Assumed] | list[CaseProblem]:
    """Return scatter and margin of one requirement, on one scale, or what is wrong with them."""
    tables = (("--scatter", assumed.scatter), ("--margin", assumed.margin))
    found = [_assumed(demand, flag, table) for flag, table in tables]
    if problems := [each for each in found if isinstance(each, CaseProblem)]:
        return problems
    scatter, margin = (each for each in found if isinstance(each, Assumed))
    if scatter.relative != margin.relative:
        what = f"{demand.id}: scatter {scatter.text!r} and margin {margin.text!r} do not compare"
        hint = "give both in percent of the limit, or both in the unit of the quantity"
        return [CaseProblem(CALL, "--scatter, --margin", what, hint)]
    return scatter, margin


def _assumed(demand: Demand, flag: str, table: Mapping[str, str]) -> Assumed | CaseProblem:
    names = (demand.id, demand.quantity.name, "")
    text = next((table[name] for name in names if name in table), None)
    dimension = demand.quantity.dimension
    unit = {"temperature": "1.5 K", "cleanliness code": "0.3 classes"}.get(dimension, "4 %")
    example = f"{flag} '{demand.id}={unit}'"
    if text is None:
        what = f"nothing is assumed for {demand.id} ({demand.quantity.name})"
        return CaseProblem(CALL, flag, what, f"give {example}")
    relative = text.endswith("%")
    if relative and dimension in ABSOLUTE:
        what = f"{demand.id}: {text!r} of a {dimension} has no meaning"
        return CaseProblem(CALL, flag, what, f"give a difference, {example}")
    kind = "fraction" if relative else ABSOLUTE.get(dimension, dimension)
    try:
        value = parse_quantity(text, kind)
    except UnitError as error:
        return CaseProblem(CALL, flag, f"{demand.id}: {error}", f"give it as {example}")
    if not 0 < value < float("inf"):
        return CaseProblem(CALL, flag, f"{demand.id}: {text!r} is not above zero", example)
    return Assumed(text, value, relative)


LEAST = 2
"""One specimen says nothing about the scatter, and cannot support a mean [-]."""
MOST = 2000
"""More than a case may hold records [-]."""


def guard_band(n: int, scatter: float, confidence: float, spread: float = 1.0) -> float:
    """Return the guard band that scatter alone asks for on a mean of `n` specimens.

    w = t(C; n - 1) s sqrt(1 + k^2) / sqrt(n), in the unit of `scatter` s, the standard deviation
    between specimens; C the one-sided `confidence` [-].  `spread` is sqrt(1 + k^2) [-]: 1 against
    a fixed limit; with k the share of the reference's mean that is asked for, where `n` specimens
    of the reference scatter alike.

    Source: one-sided Student limit of a mean (ISO 2602, JCGM 100:2008, G.3; from memory) as the
    guard band of JCGM 106:2012, 8.3.2.
    """
    return t_quantile(confidence, n - 1.0) * scatter * spread / math.sqrt(n)


def mean_specimens(
    scatter: float, margin: float, confidence: float, share: float, spread: float = 1.0
) -> int:
    """Return the smallest number of specimens, at least 2, whose guard band is small enough.

    The smallest n with guard_band(n) <= f m: `margin` m is the distance expected between result
    and limit [unit of `scatter`], `share` f the part of it that scatter may take up [-]; what is
    left is for the uncertainty of measurement.  See `guard_band` for the rest.

    Raises ValueError for more than 2000.
    """
    return _smallest(
        lambda n: guard_band(n, scatter, confidence, spread) <= share * margin,
        f"a scatter of {scatter:g} and a margin of {margin:g}",
    )


def tolerance_band(
    n: int, scatter: float, coverage: float, confidence: float, *, both: bool = False
) -> float:
    """Return by how much few specimens widen a tolerance limit [unit of `scatter`].

    w = (k(n, p, C) - z(p)) s: k the exact tolerance factor for the share p = `coverage` of a normal
    population at `confidence` C, one-sided or for `both` limits, z(p) what it falls to for very
    many specimens.

    Source: as `evidence.tolerance.tolerance_factor`.
    """
    factor = two_sided_factor if both else tolerance_factor
    return (factor(n, coverage, confidence) - _z(coverage, both)) * scatter


def population_specimens(
    scatter: float,
    margin: float,
    coverage: float,
    confidence: float,
    share: float,
    *,
    both: bool = False,
) -> int:
    """Return the smallest number of measured specimens that can show a share of a population.

    The smallest n with (k(n, p, C) - z(p)) s <= f (m - z(p) s): of the `margin` m between the mean
    and the limit the population itself takes z(p) s; few specimens may take up the `share` f of
    what it leaves.

    Raises ValueError for more than 2000, and where m <= z(p) s: no number of specimens is enough.
    """
    taken = _z(coverage, both) * scatter
    left = margin - taken
    if not left > 0:
        raise ValueError(
            f"no number of specimens is enough: {100 * coverage:.4g} % of a population with a "
            f"scatter of {scatter:g} reach {taken:.4g} from its mean, the margin is {margin:g}"
        )
    return _smallest(
        lambda n: tolerance_band(n, scatter, coverage, confidence, both=both) <= share * left,
        f"a scatter of {scatter:g} and a margin of {margin:g}",
    )


def success_run_specimens(coverage: float, confidence: float) -> int:
    """Return how many specimens without a failure show a share of a population, at least 2.

    The smallest n with 1 - C <= R^n turned round: n = ln(1 - C) / ln R, rounded up; R = `coverage`
    and C = `confidence` [-].  Raises ValueError unless both lie inside (0, 1).
    Source: binomial with no failure (ISO 16269-6; from memory), as in `zero_failure_specimens`.
    """
    return max(LEAST, zero_failure_specimens(coverage, confidence))


def _smallest(enough: Callable[[int], bool], words: str) -> int:
    """Return the smallest n from 2 on that is `enough`; it stays enough for every larger one."""
    high = LEAST
    while not enough(high):
        if high >= MOST:
            raise ValueError(f"{words} ask for more than {MOST} specimens")
        high = min(2 * high, MOST)
    return LEAST + bisect_left(range(LEAST, high), True, key=enough)


def _z(coverage: float, both: bool) -> float:
    from scipy.special import ndtri

    return float(ndtri(0.5 + 0.5 * coverage if both else coverage))


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


def counts_of(
    demands: Sequence[Demand], rule: DecisionRule, assumed: Assumptions
) -> tuple[Counted, ...]:
    """Return the number for each applicable requirement; CaseError lists what cannot be counted.

    An advisory requirement that no number of specimens can meet stops nothing.
    """
    found: list[Counted] = []
    problems: list[CaseProblem] = []
    for demand in [each for each in demands if not each.not_applicable]:
        try:
            found.append(_one(demand, rule, assumed))
        except ValueError as error:
            if demand.severity == "advisory":
                found.append(Counted(demand=demand, n=0, way="none"))
                continue
            hint = "assume less scatter or more margin, or give up some confidence or coverage"
            problems.append(CaseProblem(CALL, demand.id, str(error), hint))
    refuse(problems)
    return tuple(found)


def _one(demand: Demand, rule: DecisionRule, assumed: Assumptions) -> Counted:
    confidence = rule.confidence
    if not needs_scatter(demand):
        if demand.basis == "population":
            n = success_run_specimens(demand.coverage, confidence)
            return Counted(demand=demand, n=n, way="success run")
        return Counted(demand=demand, n=LEAST, way="least")
    pair = pair_of(demand, assumed)
    if isinstance(pair, list):
        raise CaseError(pair)
    scatter, margin = pair
    s, m = scatter.value, margin.value
    if demand.basis == "population":
        both, p = demand.lower is not None and demand.upper is not None, demand.coverage
        n = population_specimens(s, m, p, confidence, assumed.share, both=both)
        taken, way = tolerance_band(n, s, p, confidence, both=both) / m, "tolerance"
    else:
        share = 0.0 if demand.not_worse is None else demand.of_reference[0]
        spread = math.hypot(1.0, share)  # as much of the reference's mean as is asked for
        n = mean_specimens(s, m, confidence, assumed.share, spread)
        taken, way = guard_band(n, s, confidence, spread) / m, "guard band"
    return Counted(
        demand=demand, n=n, way=way, scatter=scatter.text, margin=margin.text, taken=taken
    )


def together(tests: Sequence[Needed], counts: Sequence[Counted], side: str, planned: int) -> int:
    """Return how many specimens of a filter the plan names: the most that any joint test needs.

    Without a joint test, the fewest that each needs.  `planned` is how many the case names already.
    """
    own = [test for test in tests if side == "candidate" or test.compared]
    joint = [_most(test, counts, side) for test in own if test.kind in TOGETHER]
    fewest = min((_most(test, counts, side) for test in own), default=0)
    return max([planned, *(joint or [fewest])])


def _most(test: Needed, counts: Sequence[Counted], side: str) -> int:
    compared = side == "reference"
    asked = {d.id for d in test.demands if not compared or d.not_worse is not None}
    return max([LEAST, *(each.n for each in counts if each.sets and each.demand.id in asked)])


def specimens_needed(
    test: Needed, counts: Sequence[Counted], plan: Mapping[str, int]
) -> Mapping[str, int]:
    """Return the number of specimens of each filter in one test.

    Never fewer than the `plan` names: the verdict asks for every planned specimen, or as many
    others where a test destroys them.
    """
    return {
        side: n if test.kind in TOGETHER else max(n, _most(test, counts, side))
        for side, n in plan.items()
        if side == "candidate" or test.compared
    }
