"""Long-run concentrations in the circuit, candidate or reference, by Monte Carlo."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from dossier.case.application import HAS_FINE, HAS_MAIN
from dossier.evidence.bench import Bench
from dossier.evidence.quantities.capacity import far_from_run
from dossier.evidence.quantities.fine_path import fine_share
from dossier.evidence.quantities.penetration import overall_passage, passages_at, penetration
from dossier.evidence.quantities.pressure import oil_at
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs, usable_sweeps
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import (
    SHOWN,
    as_samples,
    generator,
    half_width_of,
    once,
    positive_normal,
    stated_ingression,
    trials,
    with_trials,
)
from dossier.evidence.statistics.estimate import (
    Budget,
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
    attempt,
    stop_if,
)
from dossier.physics import circuit, particles
from dossier.physics.values import Floats
from dossier.words import later, say


def class_efficiency(runs: Sequence[MultipassResult]) -> Floats:
    """Return the mean efficiency (k,) [-] of each class: between sizes, and above the largest.

    From the differences of the cumulative counts; a class in which noise leaves more downstream
    than upstream counts as not filtered.
    """
    pairs = [[_classes(side.sum(axis=0)) for side in (run.up, run.down)] for run in runs]
    each = [np.clip(1.0 - down / np.where(up > 0, up, 1.0), 0.0, 1.0) for up, down in pairs]
    mean: Floats = np.mean(each, axis=0)
    return mean


def _classes(cumulative: Floats) -> Floats:
    """Return the content of each class of cumulative counts (k,) that fall with size."""
    result: Floats = cumulative - np.append(cumulative[1:], 0.0)
    return result


def _overall(runs: Sequence[MultipassResult], k: int) -> float:
    """Return the mean efficiency [-] at size column `k` and larger, ratio of averages."""
    return float(np.mean([1.0 - run.down[:, k].sum() / run.up[:, k].sum() for run in runs]))


def class_over_cumulative(bench: Bench, side: Side, size: float, share: float) -> float | None:
    """Return the concentration summed over size classes over that of one cumulative balance [-].

    A cumulative efficiency holds for the size distribution it was measured with; in a sump the
    coarse classes are thinned out more.  None where the paths were counted at different sizes, a
    size lies beyond the table of the dust, or a class is not removed at all.
    """
    paths = _paths(bench)
    try:
        found = [usable_runs(bench, side, path) for path in paths]
        sizes = found[0][0].sizes
        start = int(np.argmin(np.abs(sizes - size)))
        counts = np.array([particles.counts_per_mass(float(x)) for x in sizes[start:]])
    except (NotDemonstrated, ValueError):  # the latter of a size beyond the table of the dust
        return None
    if any(not np.array_equal(one.sizes, sizes) for each in found for one in each):
        return None
    weights = [1.0 - share, share] if len(paths) == 2 else [1.0]  # of one path it cancels
    pairs = list(zip(weights, found, strict=True))
    by_class = np.sum([weight * class_efficiency(each)[start:] for weight, each in pairs], axis=0)
    together = sum(weight * _overall(each, start) for weight, each in pairs)
    if not (by_class > 0).all() or not together > 0:
        return None
    return float((_classes(counts) / by_class).sum() / (counts[0] / together))


def _paths(bench: Bench) -> list[str]:
    """Return the paths of the circuit."""
    arrangement = bench.case.application.circuit.arrangement
    return ["full_flow"] * (arrangement in HAS_MAIN) + ["fine"] * (arrangement in HAS_FINE)


ABSENT = {"main": 1.0, "fine": 1.0, "share": 0.0}
"""What a part that an arrangement lacks counts as [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeClass:
    """Everything that the sump balance of one size class needs, nominal and as draws."""

    size: float
    parts: Mapping[str, Estimate]
    """Penetrations of the full-flow path, "main", and of the "fine" one, and the "share" of the
    flow through that [-]: what the arrangement has of the three."""

    @property
    def nominal(self) -> dict[str, float]:
        """The value of each of the three [-]."""
        return ABSENT | {name: part.value for name, part in self.parts.items()}

    def of_specimen(self, specimen: str) -> dict[str, float]:
        """Return the three with what was measured on one specimen [-]."""
        return self.nominal | {
            key: each.value
            for key, part in self.parts.items()
            for each in part.per_specimen
            if each.specimen == specimen
        }


def size_class(bench: Bench, side: Side, size: float, temperature: float) -> SizeClass:
    """Return penetrations of both paths and the flow share for one size [um(c)]."""
    paths = _paths(bench)
    known = {path: _penetration(bench, side, size, path) for path in paths}
    parts = {"main" if path == "full_flow" else path: each for path, each in known.items()}
    if "fine" in paths:
        parts["share"] = _share(bench, side, temperature)
    part = parts["share"].value if "share" in parts else 0.0
    for path in paths:
        flow = (part if path == "fine" else 1.0 - part) * bench.case.application.circuit.pumped
        for run in usable_runs(bench, side, path):
            stop_if(far_from_run(run, bench.limits, flow), run.record)
    return SizeClass(size=size, parts=parts)


WITHIN = {"combined", "combined_through_flow"}
"""Arrangements in which the filter itself shares out the flow."""


def _share(bench: Bench, side: Side, temperature: float) -> Estimate:
    """Return the computed share; as the application states it where nothing can be computed.

    But what a filter shares out itself is for a test to show, and sweeps of the fine path that are
    not valid show no share.
    """
    computed = attempt(fine_share, bench, side, temperature)
    circuit, sweeps = bench.case.application.circuit, bench.case.of_kind("pressure_drop", side)
    stated = circuit.partial_flow_share
    if isinstance(computed, Estimate):
        return computed
    swept = any(circuit.path_of(record.entry.path) == "fine" for record in sweeps)
    invalid = swept and isinstance(attempt(usable_sweeps, bench, side, "fine"), NotDemonstrated)
    if stated is None or invalid or circuit.arrangement in WITHIN:
        raise computed
    note = say("share as the application states it; not computed: {reason}", reason=computed.reason)
    return Estimate(value=stated, u=0.0, notes=(note,))


@once("multipass")
def _penetration(bench: Bench, side: Side, size: float, path: str) -> Estimate:
    passages = passages_at(usable_runs(bench, side, path), size, overall_passage)
    return penetration(bench, passages, f"{side} {path} {size:g}")


@once()
def sump_estimate(bench: Bench, side: Side, size: float, temperature: float) -> Estimate:
    """Return the long-run concentration in the sump at `size` [um(c)] and larger [1/mL].

    C = R / (Q sum of share times efficiency), R the particles in the ingression by the number
    spectrum of ISO 12103-1 A3; no oil is lost or replaced (the cautious figure).
    """
    if _open(bench, side, temperature):
        raise NotDemonstrated(say(OPEN))
    known = size_class(bench, side, size, temperature)
    leading = next(iter(known.parts.values()))
    each = (known.of_specimen(one.specimen) for one in leading.per_specimen)
    if not all(circuit.cleaned_share(**parts) > 0 for parts in (known.nominal, *each)):
        words = later("at {size:g} µm(c) the filter catches nothing that its counts show")
        raise NotDemonstrated(say(words, size=size))
    rate, dust = stated_ingression(bench), bench.case.application.duty.ingression_dust
    if particles.grade(dust) != "A3":
        words = later(
            "the number spectrum is known for ISO 12103-1 A3 only; the application states "
            "the contaminant as {dust!r}"
        )
        raise NotDemonstrated(say(words, dust=dust))
    try:
        low, high = particles.counts_per_mass_limits(size)
        middle = particles.counts_per_mass(size)
    except ValueError as error:
        raise NotDemonstrated(say("dust spectrum: {error}", error=error)) from None
    return _estimate(bench, side, known, leading, rate, (low, middle, high))


def _open(bench: Bench, side: Side, temperature: float) -> bool:
    """Return whether the clean full-flow path may open the valve."""
    application = bench.case.application
    opening, sweeps = application.circuit.opening, attempt(usable_sweeps, bench, side)
    if application.circuit.arrangement not in HAS_MAIN or isinstance(sweeps, NotDemonstrated):
        return False
    point = application.circuit.pumped, *oil_at(bench, temperature)
    most = max(sweep.assembly.at(*point) for sweep in sweeps)
    return opening is not None and most > opening.min


Rate = tuple[float, float]
"""Ingression and its standard uncertainty [kg/s]."""
Counts = tuple[float, float, float]
"""Particles in a mass of the dust: the lowest, the middle and the highest number [1/kg]."""


def _estimate(
    bench: Bench, side: Side, known: SizeClass, leading: Estimate, rate: Rate, counts: Counts
) -> Estimate:
    nominal = {"rate": rate[0], "counts": counts[1], **known.nominal}
    # Of a bench that does not know this answer: a ring of the two would never be let go.
    draw = partial(_drawn, replace(bench), side, known, rate, counts)
    flow = bench.case.application.circuit.pumped
    factor = class_over_cumulative(bench, side, known.size, nominal["share"])
    sizes_note = CLASSES if factor is not None else CUMULATIVE

    def concentration(values: Mapping[str, ArrayLike]) -> Floats:
        cleaned = circuit.cleaned_share(values["main"], values["fine"], values["share"])
        entering = np.asarray(values["rate"]) * np.asarray(values["counts"])
        once: Floats = circuit.long_run_concentration(entering, flow, cleaned) / 1e6
        return once * (factor or 1.0)

    def alone() -> Iterator[Component]:
        with with_trials(min(SHOWN, trials())):  # again: kept, all draws would fill the memory
            drawn = draw()
        for key in nominal:
            if float(np.ptp(drawn[key])) > 0:
                u, source = half_width_of(concentration({**nominal, key: drawn[key]})), say(ALONE)
                shared = key if key in {"rate", "counts"} else ""
                yield Component(name=NAMES[key], u=u, source=source, shared=shared)

    samples = concentration(draw())
    value = float(concentration(nominal))
    notes = known.parts["share"].notes if "share" in known.parts else ()
    passage = circuit.at_bearings(
        *known.nominal.values(),
        through_flow=bench.case.application.circuit.arrangement == "combined_through_flow",
    )
    u = half_width_of(samples)

    def own(each: SpecimenValue) -> SpecimenValue:
        """Return a specimen's own balance with the relative uncertainty of the whole."""
        one = float(concentration(nominal | known.of_specimen(each.specimen)))
        return replace(each, value=one, u=one * (u / value), bound="")

    return Estimate(
        value=value,
        u=u,
        per_specimen=tuple(map(own, leading.per_specimen)),
        components=Budget(alone),
        samples=samples,
        sources=tuple(dict.fromkeys(s for part in known.parts.values() for s in part.sources)),
        notes=(*notes, say(sizes_note), say(CLOSED)),
        details={"passage": passage, "cleaned": circuit.cleaned_share(*known.nominal.values())},
    )


OPEN = later(
    "the clean filter may open the bypass valve at this oil temperature: the unfiltered share is "
    "not known"
)
ALONE = later("Monte Carlo, this input alone")
CLOSED = later("no oil lost or replaced; test dust stands for what comes in")
CLASSES = later("summed over size classes, each with its own efficiency")
CUMULATIVE = later(
    "one balance with the cumulative efficiency: size classes could not be told apart"
)

NAMES = {
    "rate": later("ingression"),
    "counts": later("number spectrum of the dust"),
    "main": later("efficiency of the full-flow path"),
    "fine": later("efficiency of the fine path"),
    "share": later("share through the fine path"),
}


def _drawn(
    bench: Bench, side: Side, known: SizeClass, rate: Rate, counts: Counts
) -> dict[str, Floats]:
    low, middle, high = counts
    half, dust = max(high - middle, middle - low), generator(bench, f"dust {known.size:g}")
    drawn = {"rate": positive_normal(generator(bench, "ingression"), *rate)}
    drawn["counts"] = dust.uniform(middle - half, middle + half, trials())
    drawn |= {key: np.array([value]) for key, value in ABSENT.items()}
    for key, part in known.parts.items():
        rng = generator(bench, f"{side} {key} {known.size:g} draws")
        drawn[key] = np.clip(as_samples(part, rng), 0.0, 1.0)
    return drawn
