"""From specimens to the filter type: scatter, of specimens and lots, and what all of them share."""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from contextvars import ContextVar
from dataclasses import replace
from functools import wraps
from typing import Any, Concatenate

import numpy as np

from dossier.evidence.bench import Bench, Part
from dossier.evidence.records.instruments import InputAccuracy
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.estimate import (
    Answer,
    Asked,
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
    attempt,
)
from dossier.evidence.statistics.uncertainty import Precision, effective_dof, precision
from dossier.physics.values import Floats
from dossier.system.grouped import grouped
from dossier.words import held, later, say

DRAWS = 100_000
"""Draws that every decision rests on."""
SHOWN = 10_000
"""Draws of what is shown and decides nothing, such as what one input adds by itself: they leave a
percent of its uncertainty uncertain."""
_trials: ContextVar[int] = ContextVar("_trials", default=DRAWS)
EXAMPLE = 'ingression = { value = "0.1 g/h", u = "0.02 g/h" }'


def trials() -> int:
    """Return how many draws a quantity is computed with (JCGM 101:2008, 7.2)."""
    return _trials.get()


def with_trials(number: int) -> AbstractContextManager[None]:
    """Compute with another number of draws inside, from the same generators."""
    return held(_trials, number)


def once(
    *parts: Part,
) -> Callable[
    [Callable[Concatenate[Bench, Asked], Answer]], Callable[Concatenate[Bench, Asked], Answer]
]:
    """Have a function answer each question of a bench once, with NotDemonstrated as well.

    For what many quantities ask: without it a decision takes a quarter longer (2.9 for 2.4 s).
    `parts` are all that it reads of what one input may change: benches that have those in common
    share its answers.  Without any, each bench has its own.
    """

    def asked_once(
        compute: Callable[Concatenate[Bench, Asked], Answer],
    ) -> Callable[Concatenate[Bench, Asked], Answer]:
        @wraps(compute)
        def answer(bench: Bench, /, *asked: Asked.args, **named: Asked.kwargs) -> Answer:
            known, key = bench.known_of(parts), (compute, trials(), asked, *named.items())
            if key not in known:
                known[key] = attempt(compute, bench, *asked, **named)
            found: Answer | NotDemonstrated = known[key]
            if isinstance(found, NotDemonstrated):
                raise NotDemonstrated(found.reason, found.records)
            return found

        return answer

    return asked_once


def stated_ingression(bench: Bench) -> tuple[float, float]:
    """Return the contaminant reaching the filter and its standard uncertainty [kg/s]."""
    stated = bench.case.application.duty.ingression
    if stated is None or not stated.value > 0:
        raise NotDemonstrated(say("the application states no ingression above zero"))
    if stated.u is None:
        words = later("the ingression carries no uncertainty: write {example}")
        raise NotDemonstrated(say(words, example=EXAMPLE))
    return stated.value, stated.u


def half_width_of(samples: Floats) -> float:
    """Return half the width of the middle 68.27 % of draws: their standard uncertainty.

    Infinite where an end of them is.
    """
    low, high = map(float, middle_of(samples))
    return (high - low) / 2.0 if math.isfinite(high) and math.isfinite(low) else math.inf


def middle_of(samples: Floats) -> Floats:
    """Return the ends of the middle 68.27 % of draws (2,)."""
    ends: Floats = np.quantile(samples, [0.158655, 0.841345], method="nearest")
    return ends


def positive_normal(rng: np.random.Generator, value: float, u: float) -> Floats:
    """Draw from a normal distribution, drawing again where the value is not above zero."""
    draws = rng.normal(value, u, trials())
    for _ in range(100):
        wrong = ~(draws > 0)
        if not wrong.any():
            return draws
        draws[wrong] = rng.normal(value, u, int(wrong.sum()))
    raise ValueError("the uncertainty is too large for its value")


def draws_of(component: Component, rng: np.random.Generator) -> Floats:
    """Return draws of a component's error (m,), by t (JCGM 101:2008, 6.4.9).

    Where it carries a scatter as well, each draw is the farther of the two at one probability.
    """
    if component.scatter > 0:
        normal = rng.standard_normal(trials())
        return farther(component.u * normal, normal, component.scatter, component.scatter_dof)
    few = component.dof < math.inf
    t = rng.standard_t(component.dof, trials()) if few else rng.standard_normal(trials())
    errors: Floats = component.u * t
    return errors


def farther(errors: Floats, normal: Floats, scatter: float, dof: float) -> Floats:
    """Return the farther from zero of `errors` and of the scatter's t at the same probability.

    `normal` (m,) are standard normal draws that stand for the probabilities of `errors` (m,);
    `scatter` in their unit with `dof` degrees of freedom.
    """
    from scipy.special import ndtr, stdtrit

    seen = scatter * np.copysign(stdtrit(dof, ndtr(np.abs(normal))), normal)
    result: Floats = np.where(normal > 0, np.maximum(errors, seen), np.minimum(errors, seen))
    return result


def as_samples(estimate: Estimate, rng: np.random.Generator) -> Floats:
    """Return draws of an estimate: its own, else of its components.

    Those that are normal are drawn together: the sum of independent normal deviations is one, with
    the sum of their variances (textbook).
    """
    if estimate.samples is not None:
        return estimate.samples
    normal = [each.dof == math.inf and each.scatter == 0 for each in estimate.components]
    together = math.hypot(*(c.u for c, own in zip(estimate.components, normal, strict=True) if own))
    deviation: Floats = together * rng.standard_normal(trials())
    for part, done in zip(estimate.components, normal, strict=True):
        if part.u > 0 and not done:
            deviation = deviation + draws_of(part, rng)
    if estimate.scale == "reciprocal":
        inner = 1.0 / estimate.value + deviation / estimate.value**2
        return 1.0 / np.maximum(inner, 1e-300)
    samples: Floats = estimate.value + deviation
    return samples


OWN = later("measurement of each specimen")
SCATTER = later("scatter of {number} specimens")
LARGER = later("{what} (larger than the scatter of {number} specimens)")


def combine(
    specimens: Sequence[SpecimenValue],
    own: Sequence[float],
    shared: Sequence[Component],
    *,
    own_name: str = OWN,
    notes: Sequence[str] = (),
    laboratories: Mapping[str, str] | None = None,
) -> Estimate:
    """Return the estimate of a filter type's mean from its specimens.

    `laboratories` says who made each record: where they are several, and `shared` has what they
    differ by, the scatter within them is kept beside that of all specimens, and what they differ
    by in these very results beside what is stated.

    `specimens` (n) carry value and full uncertainty, `own` (n) is the part of it that is
    independent from specimen to specimen, `shared` are components that all have in common, in the
    unit of the value.  The scatter of n specimens (JCGM 100:2008, 4.2.3) holds their own errors
    already; where it happens to be smaller than those errors alone would give, the larger of the
    two stands, and a decision takes whichever of their limits reaches further (see `reach`).
    Effective degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.4).
    """
    values = np.array([each.value for each in specimens])
    independent = float(np.sqrt((np.asarray(own, dtype=float) ** 2).sum())) / len(values)
    spread = spread_component(values, independent, own_name)
    houses = [(laboratories or {}).get(each.record, "") for each in specimens]
    told = precision(values, houses)
    components = [_within(spread, told, own), *as_seen(shared, told)]
    return Estimate(
        value=float(values.mean()),
        u=math.sqrt(sum(c.u**2 for c in components)),
        dof=effective_dof(components),
        per_specimen=tuple(specimens),
        components=tuple(components),
        sources=tuple(dict.fromkeys(each.record for each in specimens)),
        notes=(*notes, *_differing(components)),
        precision=told,
    )


def combine_results(
    bench: Bench,
    results: Sequence[MultipassResult | PressureDropResult],
    values: Sequence[float],
    own: Sequence[float],
    shared: Sequence[Component],
    *,
    own_name: str,
    notes: Sequence[str],
) -> Estimate:
    """Return the estimate of the mean of `values` (n), each from one reduced record.

    The rest as in `combine`; each specimen's full uncertainty is its own with what all share.
    """
    common = math.sqrt(sum(c.u**2 for c in shared))
    specimens = [
        SpecimenValue.of(result, value, math.hypot(u, common))
        for result, value, u in zip(results, values, own, strict=True)
    ]
    houses = bench.laboratories
    return combine(specimens, own, shared, own_name=own_name, notes=notes, laboratories=houses)


def spread_component(values: Floats, independent: float, own_name: str) -> Component:
    """Return the scatter of specimens of `values` (n), or their own errors where these are larger.

    `independent` is the standard uncertainty that their own errors, `own_name`, give the mean.
    """
    n = len(values)
    if n == 1:
        return Component(name=own_name, u=independent, source=say("one specimen"))
    scatter = float(values.std(ddof=1)) / math.sqrt(n)
    if scatter >= independent:
        return scatter_component(n, scatter)
    name, said = LARGER.format(what=own_name, number=n), say(LARGER, what=say(own_name), number=n)
    own = Component(name=name, said=said, u=independent, source=say("the records"))
    return replace(own, scatter=scatter, scatter_dof=n - 1.0)


def _within(spread: Component, told: Precision | None, own: Sequence[float]) -> Component:
    """Return the component with its scatter within laboratories, pooled over them."""
    if told is None or told.within is None:
        return spread
    n = told.results
    pooled = told.within / math.sqrt(n)
    independent = math.sqrt(sum(u * u for u in own)) / n
    dof = n - float(told.laboratories) if pooled > independent else math.inf
    return replace(spread, within=max(pooled, independent), within_dof=dof)


def as_seen(shared: Sequence[Component], told: Precision | None) -> list[Component]:
    """Return `shared` with what laboratories differ by as the results themselves show it.

    What is stated for the method, or stands in, comes from elsewhere, and an estimate from p
    laboratories has p - 1 degrees of freedom: the budget has the larger of the two, a decision
    takes whichever limit reaches further (see `reach`).  So the estimate never takes anything off,
    and a figure that is stated too small does not let a filter pass more often than agreed.
    """
    stated = math.sqrt(sum(c.u**2 for c in shared if c.name == BETWEEN))
    if told is None or not told.of_mean > 0 or not stated > 0:
        return list(shared)
    larger = told.of_mean / stated
    return [_seen(c, c.u * larger, told) if c.name == BETWEEN else c for c in shared]


def _differing(components: Sequence[Component]) -> Iterator[str]:
    if any(c.name == BETWEEN and c.scatter >= c.u for c in components):
        yield say(
            "the laboratories differ by more than is stated for the method, or stands in for it: "
            "the budget has what their own results show"
        )


def _seen(stated: Component, u: float, told: Precision) -> Component:
    both = replace(stated, scatter=u, scatter_dof=told.dof, stated=stated.u)
    if u <= stated.u:
        return both
    words = later("results of {number} laboratories, which differ by more than {source}")
    source = say(words, number=told.laboratories, source=stated.source)
    return replace(both, u=u, dof=told.dof, source=source)


def scatter_component(n: int, u: float, words: str = SCATTER) -> Component:
    """Return the scatter of `n` specimens, of standard uncertainty `u`, as a component."""
    name, said, own = words.format(number=n), say(words, number=n), words == SCATTER
    source = say("the records")
    return Component(name=name, said=said, u=u, dof=n - 1.0, source=source, of_specimens=own)


def shared_components(name: str, effects: Iterable[tuple[InputAccuracy, float]]) -> list[Component]:
    """Return an input's errors as components, those under one key added up over the records.

    `effects` are the accuracy of each record's input and what it changes in the result [its unit].
    Several instruments of one laboratory are taken to err together, as its calibrations have
    causes in common: what that adds stands by itself, and is never taken out of a difference.
    """
    found: dict[str, tuple[InputAccuracy, float]] = {}
    for known, change in effects:
        so_far = found[known.shared][1] if known.shared in found else 0.0
        found[known.shared] = (known, so_far + change)
    parts = [
        Component(name=name, u=abs(u), source=known.source, shared=known.shared)
        for known, u in found.values()
    ]
    of_one = ((known.laboratory, abs(u)) for known, u in found.values() if known.laboratory)
    together = grouped(of_one)
    more = sum(sum(each) ** 2 - sum(u * u for u in each) for each in together.values())
    if more > 1e-12 * sum(part.u**2 for part in parts):
        source = say("instruments of one laboratory taken to err together")
        parts.append(Component(name=name, u=math.sqrt(more), source=source))
    return parts


def budget(effects: Iterable[tuple[str, InputAccuracy, float]]) -> list[Component]:
    """Return the components of all `effects`, each input's added up over the records.

    `effects` are the name of an input, the accuracy that one record knows it with, and what that
    changes in the result [unit of the result].
    """
    found = grouped((name, (known, change)) for name, known, change in effects)
    return [part for name, each in found.items() for part in shared_components(name, each)]


def widening(bench: Bench, records: Sequence[str], value: float) -> list[Component]:
    """Return the components that recorded deviations add to a mean over `records`."""
    added = [bench.widened.get(record, 0.0) for record in records]
    if not any(added):
        return []
    u = abs(value) * math.sqrt(sum(a * a for a in added)) / len(added)
    names = ", ".join(r for r, a in zip(records, added, strict=True) if a)
    source = say("deviation of {names}", names=names)
    return [Component(name=later("recorded deviations"), u=u, source=source)]


def generator(bench: Bench, purpose: str) -> np.random.Generator:
    """Return the random generator of a purpose: the same seed and words give the same draws."""
    import zlib

    return np.random.Generator(np.random.PCG64([bench.seed, zlib.crc32(purpose.encode())]))


LOTS = later("scatter of {number} lots")


def over_lots(bench: Bench, found: Estimate) -> Estimate:
    """Return the estimate with the scatter of its lots, where carried and new specimens are mixed.

    Those of one lot err together: what counts is how many lots there are, and their means m of n
    specimens.  u = s(m) sqrt(sum of squares of each lot's share of n), with one degree of freedom
    less than there are lots, beside the scatter of all specimens.  Source: our own, one-way
    classification (from memory); it holds the stated risk however much lots differ.
    """
    lots = [_lot(bench, each.record) for each in found.per_specimen]
    if len({source for source, _ in lots}) < 2:
        return found
    names, values = sorted(set(lots)), np.array([each.value for each in found.per_specimen])
    groups = [values[[lot == name for lot in lots]] for name in names]
    spread = float(np.std([group.mean() for group in groups], ddof=1))
    shares = [len(group) / len(values) for group in groups]
    part = scatter_component(len(names), spread * math.hypot(*shares), LOTS)
    whole = Component(name=later("all else"), u=found.u, dof=found.dof, source=part.source)
    components = (*(found.components or (whole,)), part)
    found = replace(found, components=components, u=math.hypot(found.u, part.u), dof=part.dof)
    drawn: dict[str, Any] = {name: getattr(found, name) for name in ("samples", "middle")}
    if all(each is None for each in drawn.values()):
        return found
    errors = draws_of(part, generator(bench, "lots"))
    drawn = {name: None if each is None else each + errors for name, each in drawn.items()}
    return replace(found, **drawn)


def _lot(bench: Bench, record: str) -> tuple[str, str]:
    """Return the dossier that a record is carried from, and its specimen's lot; may be empty."""
    source = bench.case.source(record)
    entry = bench.entries.get(record) if bench.case.carried else None
    lots = [
        each.lot
        for each in bench.case.qualification.specimen
        if entry and (each.filter, each.id) == (entry.filter, entry.specimen)
    ]
    return source.name if source else "", next(iter(lots), "")
