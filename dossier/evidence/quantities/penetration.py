"""Penetration of a filter at one size: counts of each specimen, and their common estimate."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import ratio_accuracy, size_accuracy
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.spoken import number_text
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import (
    budget,
    combine,
    draws_of,
    farther,
    generator,
    half_width_of,
    shared_components,
    trials,
    widening,
)
from dossier.evidence.statistics.estimate import (
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
    stop_if,
)
from dossier.physics.values import Floats
from dossier.words import later, say

COUNTERS = later("calibration of the counters, both sides")
COUNTING = later("counting")
SIZES = later("size calibration of the counters")
STEEPEST = 5.0
"""|d ln P / d ln x| where a run does not show it: steeper than usual media (own, a judgement)."""
FEW = 50.0
"""Below this many particles counted downstream, all specimens together, the linear law is left."""
MANY = 400.0
"""From this many on, counting to 5 %, an interval is that of the linear law."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """What one specimen let through at one size."""

    record: str
    specimen: str
    raw_up: float
    """Raw count upstream [-]."""
    raw_down: float
    """Raw count downstream [-]."""
    exposure: float
    """Seen volume downstream over upstream [-]."""
    dispersion: float
    """Over-dispersion of the downstream counts [-], at least 1."""
    steepness: float
    """Relative change of the penetration for a relative change of the size [-]."""
    index: float = 1.0
    """Over-dispersion of the downstream counts as found, below 1 by chance [-]."""

    @property
    def value(self) -> float:
        """Penetration, downstream over upstream [-]."""
        return self.raw_down / self.raw_up / self.exposure

    @property
    def u(self) -> float:
        """Standard uncertainty of the penetration from counting [-]."""
        down = max(self.raw_down, 1.0)
        relative = math.sqrt(1.0 / self.raw_up + self.dispersion / down)
        return down / self.raw_up / self.exposure * relative

    def draws(self, rng: np.random.Generator, size: int, prior: float = 1.0) -> Floats:
        """Return draws of the penetration, gamma for each count (JCGM 101:2008, 6.4.11).

        `prior` [-] is 1 for a rate of which nothing is known, which errs to the high side; 1/2
        (Jeffreys) covers a true rate as often as is stated, on the average (from memory).
        """
        down = rng.gamma(self.raw_down / self.dispersion + prior, self.dispersion, size)
        return down / rng.gamma(self.raw_up, 1.0, size) / self.exposure


def column(run: MultipassResult, size: float) -> int | None:
    """Return the column of `size` [um(c)] in a run, or None if it was not counted."""
    near = np.flatnonzero(np.abs(run.sizes - size) <= 0.05)
    return int(near[0]) if len(near) else None


def passages_at(
    runs: Sequence[MultipassResult],
    size: float,
    of: Callable[[MultipassResult, int], Passage],
    words: str = later("record {record} has no counts at {size:g} µm(c)"),
) -> list[Passage]:
    """Return each run's passage at `size` [um(c)]; NotDemonstrated, in `words`, if not counted."""
    found = []
    for run in runs:
        k = column(run, size)
        if k is None:
            counted = "; ".join(number_text(each, "g") for each in run.sizes)
            reason = say(words, record=run.record, size=size, counted=counted)
            raise NotDemonstrated(reason, (run.record,))
        found.append(of(run, k))
    return found


def overall_passage(run: MultipassResult, k: int) -> Passage:
    """Return the passage at size column `k` over the whole test, ratio of averages."""
    return _passage(run, k, float(run.raw_up[k]), float(run.raw_down[k]), float(run.exposure[k]))


def _passage(run: MultipassResult, k: int, up: float, down: float, exposure: float) -> Passage:
    return Passage(
        record=run.record,
        specimen=run.specimen,
        raw_up=up,
        raw_down=down,
        exposure=exposure,
        dispersion=max(1.0, float(run.dispersion[k])),
        steepness=_steepness(run, k),
        index=float(run.dispersion[k]),
    )


def _steepness(run: MultipassResult, k: int) -> float:
    """Return |d ln P / d ln x| at size column `k`, the steeper of both sides.

    A side without a neighbour, or with nothing counted there, is left out; where that leaves none,
    the steepest known stands in.
    """
    found = []
    for other in (k - 1, k + 1):
        if not 0 <= other < len(run.sizes) or run.zero_downstream[[k, other]].any():
            continue
        if not (run.ratio[[k, other]] > 0).all():
            continue
        change = math.log(run.ratio[other] / run.ratio[k])
        found.append(abs(change / math.log(run.sizes[other] / run.sizes[k])))
    return max(found, default=STEEPEST)


def worst_passage(run: MultipassResult, k: int) -> Passage:
    """Return the passage at size column `k` in the reporting tenth that let most through."""
    return tenth_passage(run, k, int(np.argmax(run.down[:, k] / run.up[:, k])))


def tenth_passage(run: MultipassResult, k: int, tenth: int) -> Passage:
    """Return the passage at size column `k` in one reporting tenth, counted from 0."""
    seen = float(run.readings[tenth, k])
    up = float(run.up[tenth, k]) * seen * run.counted_up
    down = float(run.down[tenth, k]) * seen * run.counted_down
    return _passage(run, k, up, down, run.counted_down / run.counted_up)


Effects = Sequence[float]
"""Change of each record's result for a relative error of one in an input (n) [unit of result]."""


def counter_components(bench: Bench, records: Sequence[str], effects: Effects) -> list[Component]:
    """Return the counters' calibration, and what other rigs would find, as shared components."""
    among = [bench.entries[record] for record in records]
    found = []
    for entry, effect in zip(among, effects, strict=True):
        own = ratio_accuracy(bench.case, bench.limits, entry)
        inputs = (COUNTERS, own), (BETWEEN, between(bench, entry, "counts", among))
        found += [(name, k, effect * k.u / len(among)) for name, k in inputs if k is not None]
    return budget(found)


def size_components(bench: Bench, records: Sequence[str], effects: Effects) -> list[Component]:
    """Return the calibration of the sizes as shared components."""
    entries = [bench.entries[record] for record in records]
    known = [size_accuracy(bench.case, bench.limits, entry) for entry in entries]
    pairs = zip(known, effects, strict=True)
    return shared_components(SIZES, [(k, effect * k.u / len(records)) for k, effect in pairs])


def penetration(bench: Bench, passages: Sequence[Passage], purpose: str) -> Estimate:
    """Return the mean penetration of a filter type [-] from its specimens' passages.

    Linear law where enough particles were counted downstream; else draws from gamma distributions
    of each count, which never give an infinite ratio.
    """
    for each in passages:
        if not each.raw_up >= 20:
            words = later("record {record}: only {number:.0f} particles counted upstream")
            stop_if(say(words, record=each.record, number=each.raw_up), each.record)
    records, values = [each.record for each in passages], [each.value for each in passages]
    shared = counter_components(bench, records, values)
    shared += size_components(bench, records, [each.value * each.steepness for each in passages])
    mean = float(np.mean(values))
    shared += widening(bench, records, mean)
    common = math.sqrt(sum(c.u**2 for c in shared)) / max(mean, 1e-300)
    specimens = []
    for each in passages:
        u = math.hypot(each.u, each.value * min(common, 10.0))
        one = SpecimenValue.of(each, each.value, u, "" if each.raw_down > 0 else "smaller than")
        specimens.append(one)
    own, houses = [each.u for each in passages], bench.laboratories
    estimate = combine(specimens, own, shared, own_name=COUNTING, laboratories=houses)
    counted = sum(each.raw_down / each.dispersion for each in passages)
    if counted < MANY and estimate.value > 0:
        estimate = replace(estimate, middle=_middle(bench, passages, estimate, purpose))
    return estimate if counted >= FEW else _few(bench, passages, estimate, purpose)


def _few(bench: Bench, passages: Sequence[Passage], linear: Estimate, purpose: str) -> Estimate:
    rng = generator(bench, purpose)
    own = np.array([each.draws(rng, trials()) for each in passages])
    mean, shared = linear.value, list(linear.components[1:])
    if not mean > 0:
        records, mean = [p.record for p in passages], 1.0
        shared = counter_components(bench, records, [1.0] * len(passages))
        shared += size_components(bench, records, [p.steepness for p in passages])
    common = np.exp(_together(shared, mean, rng))
    samples = np.maximum(_scattered(passages, own.mean(axis=0)), 0.0) * common
    own = own * common
    none_seen = all(each.raw_down == 0 for each in passages)
    upper, u = float(np.quantile(samples, 0.95)), half_width_of(samples)
    source = say("gamma distributions of the counts, Monte Carlo")
    few = Component(name=later("counting of few particles"), u=u, source=source)
    note = say("few particles were counted downstream: exact counting statistics by Monte Carlo")
    if none_seen:
        linear = replace(linear, value=upper, bound="smaller than")
    parts = (*(c for c in linear.components if c.shared), few)
    known = replace(linear, components=parts, samples=samples, specimen_samples=own)
    return replace(known, u=u, dof=math.inf, notes=(note,))


def _middle(bench: Bench, passages: Sequence[Passage], linear: Estimate, purpose: str) -> Floats:
    """Return draws of the mean for its two-sided interval.

    Counting alone, with what it scatters by taken from all specimens together; the scatter of the
    specimens by t where that is larger (JCGM 100:2008, 4.2.3).  The farther of both limits, which a
    decision takes, would cover in 99 % of the cases.
    """
    rng, part = generator(bench, f"{purpose} middle"), linear.components[0]
    u, dof = (part.within, part.within_dof) if part.within > 0 else (part.u, part.dof)
    if dof < math.inf:
        mean = linear.value + u * rng.standard_t(dof, trials())
    else:
        index = max(1.0, float(np.mean([each.index for each in passages])))
        alike = [replace(each, dispersion=index) for each in passages]
        mean = np.mean([each.draws(rng, trials(), 0.5) for each in alike], axis=0)
    near = [c if c.scatter >= c.u else replace(c, scatter=0.0) for c in linear.components[1:]]
    return np.maximum(mean, 0.0) * np.exp(_together(near, linear.value, rng))


def _together(shared: Sequence[Component], mean: float, rng: np.random.Generator) -> Floats:
    """Return draws of the relative error (m,) that all share, of `mean`; at most a factor e^50.

    What is known well as one normal distribution, what laboratories differ by as each draws.
    """
    known = [c for c in shared if c.scatter == 0.0]
    relative = math.sqrt(sum(c.u**2 for c in known)) / mean
    drawn: Floats = relative * rng.standard_normal(trials())
    for part in shared:
        if part.scatter > 0.0:
            drawn = drawn + draws_of(part, rng) / mean
    return np.clip(drawn, -50.0, 50.0)


def _scattered(passages: Sequence[Passage], mean: Floats) -> Floats:
    """Return draws of the `mean` (m,) [-], no nearer than the scatter of the specimens allows."""
    from scipy.special import ndtri

    n = len(passages)
    if n < 2:
        return mean
    scatter = float(np.std([each.value for each in passages], ddof=1)) / math.sqrt(n)
    centre = float(np.median(mean))
    ranks = np.empty(len(mean))
    ranks[np.argsort(mean)] = (np.arange(len(mean)) + 0.5) / len(mean)
    return centre + farther(mean - centre, ndtri(ranks), scatter, n - 1.0)
