"""The size at which a filtration ratio is reached, with Monte Carlo through the interpolation."""

import math
from collections.abc import Sequence

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.penetration import (
    COUNTERS,
    COUNTING,
    counter_components,
    size_components,
)
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import Side
from dossier.evidence.statistics.combine import (
    draws_of,
    farther,
    generator,
    half_width_of,
    larger_component,
    scatter_component,
    trials,
)
from dossier.evidence.statistics.estimate import (
    Bound,
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
)
from dossier.evidence.statistics.uncertainty import precision
from dossier.physics import multipass
from dossier.physics.values import Floats
from dossier.words import say

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
    counted = [float(run.raw_up[k]) for run in runs for k in range(len(run.sizes))]
    if not min(counted) >= LEAST_UPSTREAM:
        reason = say(
            "only {number:.0f} particles counted upstream at some size: no ratio to interpolate "
            "there",
            number=min(counted),
        )
        raise NotDemonstrated(reason, tuple(run.record for run in runs))
    nominal = [multipass.size_at_ratio(run.sizes, run.ratio, ratio) for run in runs]
    rng = generator(bench, f"{side} size at {ratio:.6g}")
    common = _common(bench, runs)
    shift = common * rng.standard_normal(trials())
    shared = np.array([_sizes(run, ratio, shift[:, None]) for run in runs])
    own = np.array([_sizes(run, ratio, _noise(run, rng)) for run in runs])
    values = np.array([each.value for each in nominal])
    records = [run.record for run in runs]
    told = precision(values, [bench.laboratories[record] for record in records])
    if told is not None and told.of_mean > 0:
        error = shared.mean(axis=0) - values.mean()
        inside = np.isfinite(error)
        seen = farther(error[inside], -shift[inside] / common, told.of_mean, told.dof)
        shared[:, inside] += seen - error[inside]
    counters = half_width_of(shared.mean(axis=0)) if told else _finite_std(shared.mean(axis=0))
    scatter = _scatter(values, own)
    sizing = size_components(bench, records, [float(each) for each in values])
    u_sizing = math.sqrt(sum(part.u**2 for part in sizing))
    shared = shared + u_sizing * rng.standard_normal(trials())
    samples = shared.mean(axis=0) + draws_of(scatter, rng)
    specimen_samples = shared + np.nan_to_num(own - values[:, None], posinf=math.inf, neginf=0.0)
    return Estimate(
        value=float(values.mean()),
        u=math.hypot(scatter.u, counters, u_sizing),
        unit="um(c)",
        per_specimen=_specimens(runs, nominal, specimen_samples),
        components=(
            scatter,
            Component(
                name=COUNTERS,
                u=counters,
                source=say("certificates, through the interpolation"),
                shared="counters",
            ),
            *sizing,
        ),
        bound=_bound([each.bound for each in nominal]),
        samples=samples,
        specimen_samples=specimen_samples,
        sources=tuple(run.record for run in runs),
        precision=told,
        notes=(say("interpolated between counted sizes, ln(ratio) against size; Monte Carlo"),),
    )


def _finite_std(draws: Floats) -> float:
    finite = draws[np.isfinite(draws)]
    return float(finite.std()) if len(finite) else math.inf


def _common(bench: Bench, runs: Sequence[MultipassResult]) -> float:
    records = [run.record for run in runs]
    parts = counter_components(bench, records, [1.0] * len(records))
    widened = [bench.widened.get(record, 0.0) for record in records]
    extra = sum(w * w for w in widened) / len(widened) ** 2
    return math.sqrt(sum(c.u**2 for c in parts) + extra)


def _noise(run: MultipassResult, rng: np.random.Generator) -> Floats:
    down = np.maximum(run.dispersion, 1.0) / np.maximum(run.raw_down, 1.0)
    relative = np.sqrt(1.0 / run.raw_up + down)
    draws: Floats = relative * rng.standard_normal((trials(), len(run.sizes)))
    return draws


def _sizes(run: MultipassResult, ratio: float, shift: Floats) -> Floats:
    """Return sizes for shifted ln ratios; below the smallest counted size counts as that size."""
    ln = np.log(run.ratio)[None, :] + shift
    sizes = multipass.sizes_at_ratio(run.sizes, ln, math.log(ratio))
    result: Floats = np.where(np.isneginf(sizes), run.sizes[0], sizes)
    return result


def _scatter(values: Floats, own: Floats) -> Component:
    n = len(values)
    finite = np.where(np.isfinite(own), own, np.nan)
    each = np.nanvar(finite, axis=1) if np.isfinite(own).any(axis=1).all() else np.zeros(n)
    counting = math.sqrt(float(each.sum())) / n
    if n == 1:
        return Component(name=COUNTING, u=counting, source=say("the records"))
    scatter = float(values.std(ddof=1)) / math.sqrt(n)
    if scatter >= counting:
        return scatter_component(n, scatter)
    return larger_component(COUNTING, n, counting, scatter)


def _specimens(
    runs: Sequence[MultipassResult], nominal: Sequence[multipass.SizeResult], draws: Floats
) -> tuple[SpecimenValue, ...]:
    return tuple(
        SpecimenValue(
            specimen=run.specimen,
            record=run.record,
            value=result.value,
            u=_finite_std(samples),
            bound=result.bound,
        )
        for run, result, samples in zip(runs, nominal, draws, strict=True)
    )


def _bound(bounds: Sequence[Bound]) -> Bound:
    """Return the bound of a mean: any "larger than" makes the mean larger than its value."""
    if "larger than" in bounds:
        return "larger than"
    return "smaller than" if "smaller than" in bounds else ""
