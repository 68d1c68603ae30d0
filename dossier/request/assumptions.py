"""What the number of specimens is calculated from: assumed scatter and margin, always stated."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from dossier.case.problems import CaseProblem, refuse
from dossier.case.units import UnitError, parse_quantity
from dossier.evidence.requirement import Demand

CALL = "the call"
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


def none_stated() -> Assumptions:
    """Return no assumptions, for requirements whose numbers follow from none."""
    return Assumptions(scatter={}, margin={}, share=1.0)


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
    found: list[Assumed] = []
    problems: list[CaseProblem] = []
    tables = (("--scatter", assumed.scatter), ("--margin", assumed.margin))
    for flag, table in tables:
        one = _assumed(demand, flag, table)
        if isinstance(one, CaseProblem):
            problems.append(one)
        else:
            found.append(one)
    if problems:
        return problems
    scatter, margin = found
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
