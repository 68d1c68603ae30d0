"""Results read straight from a record: one a specimen, some of them only bounds."""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from dossier.case.case import Record
from dossier.case.units import from_si
from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import InputAccuracy, absolute_accuracy
from dossier.evidence.records.usable import expected, missing_specimens
from dossier.evidence.registry import Quantity
from dossier.evidence.spoken import Side, number_text
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import OWN, budget, combine, widening
from dossier.evidence.statistics.estimate import (
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
    stop_if,
)
from dossier.evidence.statistics.tolerance import zero_failure_reliability
from dossier.physics.values import Bound
from dossier.words import later, say

SIGNS: dict[Bound, str] = {"": "", "larger than": "> ", "smaller than": "< "}


@dataclass(frozen=True, slots=True)
class Effect:
    """What one instrument's error does to one specimen's result."""

    name: str
    """The input, as printed in the budget."""
    u: float
    """Standard uncertainty that it gives the result [unit of the result]."""
    known: InputAccuracy
    """Where the figure comes from, and what shares the error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One specimen's result."""

    record: Record
    specimen: str
    value: float
    """[working unit]"""
    bound: Bound = ""
    own: float = 0.0
    """Standard uncertainty that is this specimen's alone [working unit]."""
    effects: tuple[Effect, ...] = ()

    @property
    def u(self) -> float:
        """Standard uncertainty of this result by itself [working unit]."""
        return math.hypot(self.own, *(effect.u for effect in self.effects))


def read_with(
    bench: Bench, record: Record, name: str, measurands: Sequence[str], value: float
) -> Effect:
    """Return the effect of the instrument that read `value` [working unit] directly.

    The first of `measurands` that an instrument of the record states a figure for counts.
    Raises UnitError for a stated figure that fits no measurand.
    """
    known = absolute_accuracy(bench.case, bench.limits, record.entry, measurands, value)
    return Effect(name, known.u, known)


class OfSpecimen(Protocol):
    """A result of one specimen that stands in a record."""

    @property
    def record(self) -> Record:
        """The record that it stands in."""

    @property
    def specimen(self) -> str:
        """Its specimen, or nothing."""


def accounted(
    bench: Bench,
    side: Side,
    results: Sequence[OfSpecimen],
    specimens: Callable[[Record], Iterable[str]],
    *,
    others_allowed: bool = True,
) -> None:
    """Raise NotDemonstrated where the specimens of `results` are not those they need.

    Each has a name, none has two results, and the planned ones are all there (see
    `missing_specimens`), or among the `specimens` that a record excluded by a recorded deviation
    has such results of.
    """
    _accept_single(results)
    tested = {each.specimen for each in results}
    for record in bench.case.records:
        if record.id in bench.excluded and record.entry.filter == side:
            tested |= set(specimens(record))
    records = dict.fromkeys(each.record.id for each in results)
    planned = expected(bench.case, side, records)
    missing = missing_specimens(planned, tested, others_allowed=others_allowed)
    words = say("record {records}: {words}", records=", ".join(records), words=missing)
    stop_if(missing and words, *records)


def _accept_single(results: Sequence[OfSpecimen]) -> None:
    """Raise NotDemonstrated where a result names no specimen, or two the same."""
    for nameless in (each.record.id for each in results if not each.specimen):
        stop_if(say("record {record}: a result names no specimen", record=nameless), nameless)
    for name, times in Counter(each.specimen for each in results).items():
        if times > 1:
            twice = dict.fromkeys(each.record.id for each in results if each.specimen == name)
            words = later(
                "specimen {name} has more than one result (record {records}): which one counts has "
                "to be said by a recorded deviation"
            )
            stop_if(say(words, name=name, records=", ".join(twice)), *twice)


def estimate_of(
    bench: Bench, readings: Sequence[Reading], notes: Sequence[str], own_name: str = OWN
) -> Estimate:
    """Return the estimate of the filter type from one or more readings [working unit].

    A result that is only a bound enters with its bound: the mean is then a bound too, as E[min(X,
    c)] <= E[X].  Bounds on both sides bound nothing.
    """
    bounds = {reading.bound for reading in readings} - {""}
    if len(bounds) > 1:
        reason = say("some results are only lower bounds and others only upper bounds")
        raise NotDemonstrated(reason, tuple(dict.fromkeys(r.record.id for r in readings)))
    readings = _against_other_rigs(bench, readings)
    records = [reading.record.id for reading in readings]
    own, houses = [reading.own for reading in readings], bench.laboratories
    mean = math.fsum(reading.value for reading in readings) / len(readings)
    shared = [*_shared(readings), *widening(bench, records, mean)]
    each = [
        SpecimenValue(specimen=r.specimen, record=r.record.id, value=r.value, u=r.u, bound=r.bound)
        for r in readings
    ]
    found = combine(each, own, shared, own_name=own_name, notes=notes, laboratories=houses)
    return _bounded(found, bounds.pop()) if bounds else found


def _shared(readings: Sequence[Reading]) -> list[Component]:
    """Return each instrument's effect on the mean: its errors add up over the specimens."""
    return budget(
        (effect.name, effect.known, effect.u / len(readings))
        for reading in readings
        for effect in reading.effects
    )


def _against_other_rigs(bench: Bench, readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings with what other rigs would find; a length is read alike everywhere."""
    among = list({r.record.id: r.record.entry for r in readings}.values())
    found = []
    for reading in readings:
        entry = reading.record.entry
        known = between(bench, entry, "", among) if entry.kind != "inspection" else None
        more = () if known is None else (Effect(BETWEEN, known.u * abs(reading.value), known),)
        found.append(replace(reading, effects=(*reading.effects, *more)))
    return found


def _bounded(found: Estimate, bound: Bound) -> Estimate:
    """Return the estimate as a bound; what scatters are the bounds, and the budget says so."""
    first, *rest = found.components
    if first.of_specimens:
        n = len(found.per_specimen)
        name = later("scatter of the bounds of {number} specimens")
        first = replace(first, name=name.format(number=n), said=say(name, number=n))
    note = say(
        "results that are only a bound are decided as bounds: each supports a requirement on the "
        "side that it proves; their scatter is not that of the filter type"
    )
    return replace(found, components=(first, *rest), bound=bound, notes=(*found.notes, note))


def zero_failure(bench: Bench, found: Estimate, declared: Quantity) -> Estimate:
    """Return the estimate with what its specimens show, where every result is a good bound.

    n specimens that all went beyond a value, on the better side, show with the confidence of the
    decision rule which share of the filter type does (see `zero_failure_reliability`).
    """
    favourable: Bound = "larger than" if declared.better == "higher" else "smaller than"
    if {each.bound for each in found.per_specimen} != {favourable}:
        return found
    least = min if favourable == "larger than" else max
    worst, unit = least(each.value for each in found.per_specimen), declared.unit
    end = number_text(from_si(worst, unit, declared.dimension), ".6g")
    bound = f"{SIGNS[favourable]}{end}{'' if unit == '1' else f' {unit}'}"
    confidence = bench.case.application.decision_rule.confidence
    words = say("without a failure ({bound})", bound=bound)
    details, note = shown_by(len(found.per_specimen), confidence, words)
    return replace(found, notes=(*found.notes, note), details={**found.details, **details})


def shown_by(n: int, confidence: float, words: str) -> tuple[dict[str, object], str]:
    """Return what `n` specimens of `n` show at `confidence` [-]: details, and a sentence."""
    share = zero_failure_reliability(n, confidence)
    told = later(
        "{number} of {number} specimens {words} show, with {confidence:.4g} % confidence, that at "
        "least {share:.1f} % of the filter type does as well"
    )
    percent = math.floor(1000 * share) / 10
    note = say(told, number=n, words=words, confidence=100 * confidence, share=percent)
    return {"zero_failure_reliability": share, "confidence": confidence, "specimens": n}, note
