"""Efficiency, filtration ratio, and the sizes at which they are reached."""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.penetration import (
    Passage,
    overall_passage,
    passages_at,
    penetration,
    tenth_passage,
    worst_passage,
)
from dossier.evidence.quantities.size_rating import size_rating
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import SIZE, Condition, Conditions, Quantity, Side
from dossier.evidence.statistics.estimate import Bound, Estimate, NotDemonstrated
from dossier.physics.values import Floats
from dossier.words import later, say

STANDARD = "ISO 4548-12:2017 and ISO 16889:2022 (from memory)"
_declared = partial(Quantity, section="efficiency", records=("multipass",), standard=STANDARD)
_size = partial(
    _declared, dimension="size", unit="um(c)", better="lower",
    standard=STANDARD + "; the form of the interpolation is our choice among several",
)  # fmt: skip
_efficiency = partial(
    _declared, dimension="fraction", unit="%", conditions=(SIZE,), better="higher",
    share_of="penetration",
)  # fmt: skip


def _penetration(
    bench: Bench, side: Side, size: float, of: Callable[[MultipassResult, int], Passage]
) -> Estimate:
    words = later("record {record} has no counts at {size:g} µm(c), only at {counted}")
    passages = passages_at(usable_runs(bench, side), size, of, words)
    return penetration(bench, passages, f"{side} {of.__name__} {size:g}")


def as_efficiency(found: Estimate) -> Estimate:
    """Return the efficiency E = 1 - P of a penetration."""
    return replace(
        found,
        value=1.0 - found.value,
        unit="fraction",
        bound=_other(found.bound),
        **_drawn(found, lambda penetration: 1.0 - penetration),
        per_specimen=tuple(
            replace(each, value=1.0 - each.value, bound=_other(each.bound))
            for each in found.per_specimen
        ),
    )


def _drawn(found: Estimate, turn: Callable[[Floats], Floats]) -> dict[str, Any]:
    """Return all draws of an estimate, each turned by `turn`."""
    names = ("samples", "specimen_samples", "middle")
    drawn = {name: getattr(found, name) for name in names}
    return {name: turn(each) for name, each in drawn.items() if each is not None}


def _other(bound: Bound) -> Bound:
    turned: dict[Bound, Bound] = {"smaller than": "larger than", "larger than": "smaller than"}
    return turned.get(bound, "")


@_efficiency(
    title="Efficiency",
    symbol="E",
    meaning="Share of the particles of a size and larger that the filter removes, over the test.",
    formula="E(x) = 1 − ΣN̄d,j(x) / ΣN̄u,j(x), j = 1 … 10 reporting tenths of the test time",
    example='quantity = "efficiency"\nat = { size = "20 um(c)" }\nmin = "95 %"',
)
def efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the overall efficiency [-] at `at["size"]` [um(c)]: from averages, ISO 4548-12."""
    return as_efficiency(_penetration(bench, side, at["size"], overall_passage))


@_efficiency(
    title="Lowest efficiency",
    symbol="Emin",
    meaning="The lowest efficiency of any reporting tenth, at a size and larger.",
    formula="Emin(x) = minⱼ (1 − N̄d,j(x) / N̄u,j(x))",
    example='quantity = "lowest_efficiency"\nat = { size = "20 um(c)" }\nmin = "92 %"',
)
def lowest_efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the lowest efficiency of the ten tenths [-] at `at["size"]` [um(c)].

    The lowest of ten noisy tenths is biased to the low side: the safe side for a minimum.
    """
    return as_efficiency(_penetration(bench, side, at["size"], worst_passage))


@_declared(
    title="Filtration ratio",
    symbol="β",
    dimension="number",
    unit="1",
    conditions=(SIZE,),
    better="higher",
    share_of="inverse penetration",
    meaning="Particles of a size and larger upstream for each one downstream, over the test.",
    formula="β(x) = ΣN̄u,j(x) / ΣN̄d,j(x), a ratio of averages; over specimens 1 / mean(1/β)",
    example='quantity = "filtration_ratio"\nat = { size = "25 um(c)" }\nmin = 75',
)
def filtration_ratio(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the overall filtration ratio [-] at `at["size"]` [um(c)].

    Specimens are averaged as penetrations 1/ratio, so that ratio and efficiency always agree.
    """
    return inverse(_penetration(bench, side, at["size"], overall_passage))


def inverse(found: Estimate, over: float = 1.0, unit: str = "1") -> Estimate:
    """Return `over` [its unit] divided by an estimate; decisions stay on the scale of that.

    The filtration ratio 1/P of a penetration, with nothing more.
    """
    value = over / found.value
    scale = value**2 / over
    return replace(
        found,
        value=value,
        u=found.u * scale,
        unit=unit,
        scale="reciprocal",
        bound=_other(found.bound),
        **_drawn(found, lambda penetration: over / np.maximum(penetration, 1e-300)),
        components=tuple(c.times(scale) for c in found.components),
        precision=found.precision and found.precision.times(scale),
        per_specimen=tuple(
            replace(
                each,
                value=over / (each.value if each.value > 0 else 3.0 * each.u),
                u=over * each.u / each.value**2 if each.value > 0 else math.inf,
                bound=_other(each.bound),
            )
            for each in found.per_specimen
        ),
    )


@_size(
    title="Size at a filtration ratio",
    symbol="xβ",
    conditions=(Condition(name="ratio", dimension="number", unit="1"),),
    meaning="The size at which the overall filtration ratio reaches a value.",
    formula="x = x₁ + (x₂ − x₁) · ln(B/β₁) / ln(β₂/β₁) between adjacent counted sizes; "
    "no extrapolation",
    example='quantity = "size_at_ratio"\nat = { ratio = 75 }\nmax = "25 um(c)"',
)
def size_at_ratio(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the size [um(c)] at which the ratio reaches `at["ratio"]` [-]."""
    ratio = at["ratio"]
    if not 1 < ratio < math.inf:
        raise NotDemonstrated(say("a filtration ratio of {ratio:g} is not above one", ratio=ratio))
    return size_rating(bench, side, ratio)


@_size(
    title="Size at an efficiency",
    symbol="xE",
    conditions=(Condition(name="efficiency", dimension="fraction", unit="%"),),
    meaning="The size at which the overall efficiency reaches a value.",
    formula="x = x₁ + (x₂ − x₁) · ln(B/β₁) / ln(β₂/β₁), B = 1/(1 − E); no extrapolation",
    example='quantity = "size_at_efficiency"\nat = { efficiency = "90 %" }\nmax = "16 um(c)"',
)
def size_at_efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the size [um(c)] at which the efficiency reaches `at["efficiency"]` [-]."""
    wanted = at["efficiency"]
    if not 0 < wanted < 1:
        words = later("an efficiency of {wanted:.4g} is not between 0 and 1")
        raise NotDemonstrated(say(words, wanted=wanted))
    return size_rating(bench, side, 1.0 / (1.0 - wanted))


@_efficiency(
    title="Initial efficiency",
    symbol="E₁",
    meaning="Share of the particles of a size and larger removed in the first reporting tenth, "
    "while the filter is still clean.",
    formula="E₁(x) = 1 − N̄d,1(x) / N̄u,1(x)",
    example='quantity = "initial_efficiency"\nat = { size = "20 um(c)" }\nmin = "93 %"',
)
def initial_efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the efficiency of the first reporting tenth [-] at `at["size"]` [um(c)]."""
    runs = usable_runs(bench, side)
    passages = passages_at(runs, at["size"], lambda run, k: tenth_passage(run, k, 0))
    found = penetration(bench, passages, f"{side} first tenth {at['size']:g}")
    note = say("the first tenth leaves out the first counts of the run")
    return replace(as_efficiency(found), notes=(*found.notes, note))
