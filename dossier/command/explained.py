"""What a quantity means, as text for a terminal, from its declaration alone."""

import difflib

from dossier.case.units import DIMENSIONS
from dossier.evidence.quantities import all_quantities
from dossier.evidence.registry import Quantity, StatedAt

BETTER = {
    "higher": "more is better",
    "lower": "less is better",
    "neither": "neither more nor less is better: give between = { min, max }",
}


def listed() -> str:
    """Return a line for each quantity: name, unit and title."""
    known = all_quantities()
    wide = max(map(len, known))
    lines = [
        f"{name:<{wide}}  {_unit(each) or 'number':<8}  {each.title}"
        for name, each in known.items()
    ]
    return "\n".join([*lines, "", "dossier explain QUANTITY says what one of them means"])


def meaning_of(name: str) -> str | None:
    """Return everything that is declared of one quantity; None where there is none."""
    each = all_quantities().get(name)
    if each is None:
        return None
    conditions = [_condition(one) for one in each.conditions] or ["none"]
    parts = [
        f"{each.name}: {each.title}",
        "",
        each.meaning,
        "",
        f"formula     {each.formula}",
        f"            {each.symbol}: {each.title.lower()}",
        f"source      {each.standard}",
        f"unit        {_unit(each) or 'none, a bare number'}; {_better(each)}",
        f"at          {conditions[0]}",
        *(f"            {one}" for one in conditions[1:]),
        f"records     {', '.join(each.records)}",
        "",
        "[[requirement]]",
        'id = "R1"',
        'text = "..."',
        each.example,
        'source = "document and clause"',
        'severity = "mandatory"',
    ]
    return "\n".join(parts)


def nearest(name: str) -> str:
    """Return the words for a quantity that is not known: the closest names, else where to look."""
    near = difflib.get_close_matches(name.lower().replace("-", "_"), all_quantities(), 3, 0.6)
    hint = f"did you mean {' or '.join(near)}?" if near else "'dossier explain' lists them all"
    return f"{name!r} is not a quantity: {hint}"


def _unit(each: Quantity) -> str:
    if each.dimension == "statement":
        return "yes/no"
    return "" if each.unit == "1" else each.unit


def _better(each: Quantity) -> str:
    if each.dimension == "statement":
        return "write must_hold = true"
    return BETTER[each.better]


def _condition(one: StatedAt) -> str:
    example = DIMENSIONS[one.dimension][1] if one.dimension in DIMENSIONS else "a name"
    default = f"; otherwise {one.default} of the application" if one.default else "; needed"
    return f"{one.name}, such as {example}{default}"
