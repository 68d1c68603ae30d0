"""Results read straight from a record: one a specimen, some of them only bounds."""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from dossier.case.case import Record
from dossier.case.units import from_si
from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import InputAccuracy, absolute_accuracy
from dossier.evidence.records.usable import expected, missing_specimens
from dossier.evidence.registry import Side
from dossier.evidence.spoken import shown
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import OWN, budget, combine, widening
from dossier.evidence.statistics.estimate import (
    Bound,
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
)
from dossier.evidence.statistics.tolerance import zero_failure_reliability
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


def accounted(
    bench: Bench,
    side: Side,
    named: Iterable[tuple[str, str]],
    specimens: Callable[[Record], Iterable[str]],
    *,
    others_allowed: bool,
) -> None:
    """Raise NotDemonstrated where the specimens of a result are not those it needs.

    `named` are (record, specimen) of every result: each has a name, none has two results, and the
    planned ones are all there (see `missing_specimens`), or among the `specimens` that a record
    excluded by a recorded deviation has such results of.
    """
    pairs = list(named)
    for nameless in (record for record, name in pairs if not name):
        reason = say("record {record}: a result names no specimen", record=nameless)
        raise NotDemonstrated(reason, (nameless,))
    twice = [name for name, times in Counter(name for _, name in pairs).items() if times > 1]
    if twice:
        records = tuple(dict.fromkeys(record for record, name in pairs if name == twice[0]))
        reason = say(
            "specimen {name} has more than one result (record {records}): which one counts has to "
            "be said by a recorded deviation",
            name=twice[0], records=", ".join(records),
        )  # fmt: skip
        raise NotDemonstrated(reason, records)
    tested = {name for _, name in pairs}
    for record in bench.case.records:
        if record.id in bench.excluded and record.entry.filter == side:
            tested |= set(specimens(record))
    planned = expected(bench.case, side, {record for record, _ in pairs})
    words = missing_specimens(planned, tested, others_allowed=others_allowed)
    if words:
        records = tuple(dict.fromkeys(record for record, _ in pairs))
        reason = say("record {records}: {words}", records=", ".join(records), words=words)
        raise NotDemonstrated(reason, records)


def estimate_of(
    bench: Bench,
    readings: Sequence[Reading],
    *,
    unit: str,
    own_name: str = OWN,
    notes: Sequence[str] = (),
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
    shared = _shared(readings) + widening(bench, *_widened(readings))
    found = combine(
        [_specimen(reading) for reading in readings],
        [reading.own for reading in readings],
        shared,
        unit=unit,
        own_name=own_name,
        notes=notes,
        laboratories=bench.laboratories,
    )
    return _bounded(found, bounds.pop()) if bounds else found


def _widened(readings: Sequence[Reading]) -> tuple[list[str], float]:
    records = [reading.record.id for reading in readings]
    return records, math.fsum(reading.value for reading in readings) / len(readings)


def _specimen(reading: Reading) -> SpecimenValue:
    return SpecimenValue(
        specimen=reading.specimen, record=reading.record.id, value=reading.value, u=reading.u,
        bound=reading.bound,
    )  # fmt: skip


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


def zero_failure(
    bench: Bench, found: Estimate, favourable: Bound, unit: str, dimension: str
) -> Estimate:
    """Return the estimate with what its specimens show, where every result is a good bound.

    n specimens that all went beyond a value, on the `favourable` side, show with the confidence of
    the decision rule which share of the filter type does (see `zero_failure_reliability`); `unit`
    is the printed one.
    """
    if {each.bound for each in found.per_specimen} != {favourable}:
        return found
    least = min if favourable == "larger than" else max
    end = from_si(least(each.value for each in found.per_specimen), unit, dimension)
    bound = f"{SIGNS[favourable]}{shown(end, '.6g')}{'' if unit == '1' else f' {unit}'}"
    confidence = bench.case.application.decision_rule.confidence
    words = say("without a failure ({bound})", bound=bound)
    details, note = shown_by(len(found.per_specimen), confidence, words)
    return replace(found, notes=(*found.notes, note), details={**found.details, **details})


def shown_by(n: int, confidence: float, words: str) -> tuple[dict[str, object], str]:
    """Return what `n` specimens of `n` show at `confidence` [-]: details, and a sentence."""
    share = zero_failure_reliability(n, confidence)
    note = say(
        "{number} of {number} specimens {words} show, with {confidence:.4g} % confidence, that at "
        "least {share:.1f} % of the filter type does as well",
        number=n, words=words, confidence=100 * confidence, share=math.floor(1000 * share) / 10,
    )  # fmt: skip
    return {"zero_failure_reliability": share, "confidence": confidence, "specimens": n}, note
