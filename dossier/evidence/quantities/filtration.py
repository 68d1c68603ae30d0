"""Efficiency, filtration ratio, and the sizes at which they are reached."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.penetration import (
    COUNTERS,
    COUNTING,
    Passage,
    counter_components,
    overall_passage,
    passages_at,
    penetration,
    size_components,
    tenth_passage,
    worst_passage,
)
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import SIZE, Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import (
    draws_of,
    farther,
    generator,
    half_width_of,
    spread_component,
    trials,
)
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated, SpecimenValue
from dossier.evidence.statistics.uncertainty import Precision, precision
from dossier.physics import multipass
from dossier.physics.values import Bound, Floats
from dossier.words import later, say

STANDARD = "ISO 4548-12:2017 and ISO 16889:2022 (from memory)"
_declared = partial(Quantity, section="efficiency", records=("multipass",), standard=STANDARD)
CHOSEN = STANDARD + "; the form of the interpolation is our choice among several"
_size = partial(_declared, dimension="size", unit="um(c)", better="lower", standard=CHOSEN)
_share = partial(_declared, dimension="fraction", unit="%", share_of="penetration")
_efficiency = partial(_share, conditions=(SIZE,), better="higher")


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
        bound=_other(found.bound),
        **_drawn(found, lambda penetration: 1.0 - penetration),
        per_specimen=tuple(
            replace(each, value=1.0 - each.value, bound=_other(each.bound))
            for each in found.per_specimen
        ),
    )


def _drawn(found: Estimate, turn: Callable[[Floats], Floats]) -> dict[str, Any]:
    """Return all draws of an estimate, each turned by `turn`."""
    drawn = {name: getattr(found, name) for name in ("samples", "specimen_samples", "middle")}
    return {name: turn(each) for name, each in drawn.items() if each is not None}


def _other(bound: Bound) -> Bound:
    turned: dict[Bound, Bound] = {"smaller than": "larger than", "larger than": "smaller than"}
    return turned.get(bound, "")


@_efficiency(
    title="Efficiency",
    symbol="E",
    meaning="Share of the particles of a size and larger that the filter removes, over the test.",
    formula="E(x) = 1 − ΣN̄d,j(x) / ΣN̄u,j(x)",
    example='at = { size = "20 um(c)" }\nmin = "95 %"',
)
def efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the overall efficiency [-] at `at["size"]` [um(c)]: from averages, ISO 4548-12."""
    return as_efficiency(_penetration(bench, side, at["size"], overall_passage))


@_efficiency(
    title="Lowest efficiency",
    symbol="Emin",
    meaning="The lowest efficiency of any reporting tenth, at a size and larger.",
    formula="Emin(x) = minⱼ (1 − N̄d,j(x) / N̄u,j(x))",
    example='at = { size = "20 um(c)" }\nmin = "92 %"',
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
    example='at = { size = "25 um(c)" }\nmin = 75',
)
def filtration_ratio(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the overall filtration ratio [-] at `at["size"]` [um(c)].

    Specimens are averaged as penetrations 1/ratio, so that ratio and efficiency always agree.
    """
    return inverse(_penetration(bench, side, at["size"], overall_passage))


def inverse(found: Estimate, over: float = 1.0) -> Estimate:
    """Return `over` [its unit] divided by an estimate; decisions stay on the scale of that.

    The filtration ratio 1/P of a penetration, with nothing more.
    """
    value = over / found.value
    scale = value**2 / over
    return replace(
        found,
        value=value,
        u=found.u * scale,
        scale="reciprocal",
        bound=_other(found.bound),
        **_drawn(found, lambda penetration: over / np.maximum(penetration, 1e-300)),
        components=tuple(c.times(scale) for c in found.components),
        precision=found.precision and found.precision.times(scale),
        per_specimen=tuple(_inverse_of(each, over) for each in found.per_specimen),
    )


def _inverse_of(each: SpecimenValue, over: float) -> SpecimenValue:
    """Return one specimen turned; where nothing was counted, what three times its u gives."""
    value = over / (each.value if each.value > 0 else 3.0 * each.u)
    u = over * each.u / each.value**2 if each.value > 0 else math.inf
    return replace(each, value=value, u=u, bound=_other(each.bound))


@_size(
    title="Size at a filtration ratio",
    symbol="xβ",
    conditions=(StatedAt(name="ratio", dimension="number", unit="1"),),
    meaning="The size at which the overall filtration ratio reaches a value.",
    formula="x = x₁ + (x₂ − x₁) · ln(B/β₁) / ln(β₂/β₁) between adjacent counted sizes; "
    "no extrapolation",
    example='at = { ratio = 75 }\nmax = "25 um(c)"',
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
    conditions=(StatedAt(name="efficiency", dimension="fraction", unit="%"),),
    meaning="The size at which the overall efficiency reaches a value.",
    formula="x = x₁ + (x₂ − x₁) · ln(B/β₁) / ln(β₂/β₁), B = 1/(1 − E); no extrapolation",
    example='at = { efficiency = "90 %" }\nmax = "16 um(c)"',
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
    example='at = { size = "20 um(c)" }\nmin = "93 %"',
)
def initial_efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the efficiency of the first reporting tenth [-] at `at["size"]` [um(c)]."""
    runs = usable_runs(bench, side)
    passages = passages_at(runs, at["size"], lambda run, k: tenth_passage(run, k, 0))
    found = penetration(bench, passages, f"{side} first tenth {at['size']:g}")
    note = say("the first tenth leaves out the first counts of the run")
    return replace(as_efficiency(found), notes=(*found.notes, note))


LEAST_UPSTREAM = 20.0
"""Fewer particles counted upstream over the test give no ratio [-]."""


def size_rating(bench: Bench, side: Side, ratio: float) -> Estimate:
    """Return the size [um(c)] at which the mean filter of one side reaches `ratio` [-].

    Each run is interpolated (ln ratio against size), the sizes are averaged.  Draws carry the
    counting of every size, the counters' calibration in counts and in sizes common to all runs,
    and the scatter of the specimens by t (JCGM 101:2008).  Outside the counted sizes the result is
    a bound.
    """
    runs = usable_runs(bench, side)
    records = [run.record for run in runs]
    _enough_upstream(runs)
    nominal = [multipass.size_reaching(run.sizes, run.ratio, ratio) for run in runs]
    values = np.array([each.value for each in nominal])
    rng = generator(bench, f"{side} size at {ratio:.6g}")
    told = precision(values, [bench.laboratories[record] for record in records])
    shared, own = _drawn_sizes(bench, runs, ratio, rng, told, values)
    counters = half_width_of(shared.mean(axis=0)) if told else _finite_std(shared.mean(axis=0))
    source = say("certificates, through the interpolation")
    scatter = _scatter(values, own)
    sizing = size_components(bench, records, [float(each) for each in values])
    same = "; ".join(part.shared for part in sizing if part.shared)  # by the same counters
    counted = Component(name=COUNTERS, u=counters, source=source, shared=same)
    u_sizing = math.sqrt(sum(part.u**2 for part in sizing))
    shared = shared + u_sizing * rng.standard_normal(trials())
    samples = shared.mean(axis=0) + draws_of(scatter, rng)
    specimen_samples = shared + np.nan_to_num(own - values[:, None], posinf=math.inf, neginf=0.0)
    return Estimate(
        value=float(values.mean()),
        u=math.hypot(scatter.u, counters, u_sizing),
        per_specimen=tuple(
            SpecimenValue.of(run, size.value, _finite_std(draws), size.bound)
            for run, size, draws in zip(runs, nominal, specimen_samples, strict=True)
        ),
        components=(scatter, counted, *sizing),
        bound=_bound([each.bound for each in nominal]),
        samples=samples,
        specimen_samples=specimen_samples,
        sources=tuple(records),
        precision=told,
        notes=(say("interpolated between counted sizes, ln(ratio) against size; Monte Carlo"),),
    )


def _enough_upstream(runs: Sequence[MultipassResult]) -> None:
    """Raise NotDemonstrated where too few particles were counted for a ratio."""
    least = min(float(run.raw_up.min()) for run in runs)
    if not least >= LEAST_UPSTREAM:
        words = later(
            "only {number:.0f} particles counted upstream at some size: no ratio to interpolate "
            "there"
        )
        raise NotDemonstrated(say(words, number=least), tuple(run.record for run in runs))


def _drawn_sizes(
    bench: Bench,
    runs: Sequence[MultipassResult],
    ratio: float,
    rng: np.random.Generator,
    told: Precision | None,
    values: Floats,
) -> tuple[Floats, Floats]:
    """Return draws of the size of each run (n, m) [um(c)]: by what all share, and by its counts.

    Where laboratories differ by more than counters may, what all share is drawn by that.
    """
    common = _common(bench, runs)
    shift = common * rng.standard_normal(trials())
    pairs = [(run, _near(run, ratio, common)) for run in runs]
    shared = np.array([_sizes(run, each, ratio, shift[:, None]) for run, each in pairs])
    own = np.array([_sizes(run, each, ratio, _noise(run, each, rng)) for run, each in pairs])
    if told is not None and told.of_mean > 0:
        error = shared.mean(axis=0) - values.mean()
        inside = np.isfinite(error)
        seen = farther(error[inside], -shift[inside] / common, told.of_mean, told.dof)
        shared[:, inside] += seen - error[inside]
    return shared, own


def _finite_std(draws: Floats) -> float:
    finite = draws[np.isfinite(draws)]
    return float(finite.std()) if len(finite) else math.inf


def _common(bench: Bench, runs: Sequence[MultipassResult]) -> float:
    records = [run.record for run in runs]
    parts = counter_components(bench, records, [1.0] * len(records))
    widened = [bench.widened.get(record, 0.0) for record in records]
    extra = sum(w * w for w in widened) / len(widened) ** 2
    return math.sqrt(sum(c.u**2 for c in parts) + extra)


CERTAIN = 8.0
"""So many standard deviations from the wanted ratio, no draw puts a size on the other side [-]."""


def _relative(run: MultipassResult) -> Floats:
    """Return the relative standard deviation of each size's ratio by counting (k,) [-]."""
    down = np.maximum(run.dispersion, 1.0) / np.maximum(run.raw_down, 1.0)
    return np.sqrt(1.0 / run.raw_up + down)


def _near(run: MultipassResult, ratio: float, common: float) -> slice:
    """Return the counted sizes between which draws find `ratio`: two of them or more.

    From the last that is below it in every draw to the one from which on all are above it.
    """
    off = np.log(run.ratio / ratio) / (_relative(run) + common)
    below, not_above = np.flatnonzero(off < -CERTAIN), np.flatnonzero(off <= CERTAIN)
    first = min(int(below[-1]), len(off) - 2) if len(below) else 0
    last = int(not_above[-1]) + 1 if len(not_above) else 0
    return slice(first, max(last, first + 1) + 1)


def _noise(run: MultipassResult, near: slice, rng: np.random.Generator) -> Floats:
    relative = _relative(run)[near]
    return relative * rng.standard_normal((trials(), len(relative)))


def _sizes(run: MultipassResult, near: slice, ratio: float, shift: Floats) -> Floats:
    """Return sizes for shifted ln ratios; below the smallest counted size counts as that size."""
    ln = np.log(run.ratio[near])[None, :] + shift
    sizes = multipass.sizes_at_ratio(run.sizes[near], ln, math.log(ratio))
    return np.where(np.isneginf(sizes), run.sizes[0], sizes)


def _scatter(values: Floats, own: Floats) -> Component:
    n = len(values)
    finite = np.where(np.isfinite(own), own, np.nan)
    each = np.nanvar(finite, axis=1) if np.isfinite(own).any(axis=1).all() else np.zeros(n)
    counting = math.sqrt(float(each.sum())) / n
    if n == 1:
        return Component(name=COUNTING, u=counting, source=say("the records"))
    return spread_component(values, counting, COUNTING)


def _bound(bounds: Sequence[Bound]) -> Bound:
    """Return the bound of a mean: any "larger than" makes the mean larger than its value."""
    if "larger than" in bounds:
        return "larger than"
    return "smaller than" if "smaller than" in bounds else ""
