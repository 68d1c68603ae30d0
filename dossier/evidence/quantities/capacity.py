"""Contaminant capacity by the gravimetric balance."""

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from dossier.case.model import RecordEntry
from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import accuracy_of
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import Conditions, Quantity, Side
from dossier.evidence.statistics.between import BETWEEN, between
from dossier.evidence.statistics.combine import budget, combine_results, widening
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated
from dossier.words import later, say

INJECTION_FLOW = later("injection flow")
STANDARD = "ISO 4548-12:2017 and ISO 16889:2022 (from memory)"
_declared = partial(
    Quantity, dimension="mass", unit="g", section="capacity", records=("multipass",),
    better="higher", standard=STANDARD,
)  # fmt: skip


def injection_flow_components(
    bench: Bench, runs: Sequence[MultipassResult], effects: Sequence[float]
) -> list[Component]:
    """Return the injection flow's calibration, and what other rigs would find, as components.

    `effects` (n): change of each specimen's result for a relative error of one [unit of result].
    """
    among = [bench.entries[run.record] for run in runs]
    found = []
    for run, entry, effect in zip(runs, among, effects, strict=True):
        own = accuracy_of(bench.case, bench.limits, entry, "injection flow", run.injection_flow)
        inputs = (INJECTION_FLOW, own), (BETWEEN, between(bench, entry, "injection flow", among))
        found += [(name, k, effect / len(runs) * k.u) for name, k in inputs if k is not None]
    return budget(found)


def injection_level_u(bench: Bench, entry: RecordEntry) -> float:
    """Return the relative standard uncertainty of a run's mean injection level [-].

    From the stated uncertainties of the two samples, else from the accuracy that the standard
    allows (rectangular); half the difference of the samples is added as a drift (rectangular).
    """
    ends = entry.conditions.injection_concentration
    assert ends is not None
    mean = 0.5 * (ends.start.value + ends.end.value)
    drift = 0.5 * abs(ends.start.value - ends.end.value) / mean / math.sqrt(3.0)
    if ends.start.u is not None and ends.end.u is not None:
        stated = 0.5 * math.hypot(ends.start.u, ends.end.u) / mean
    else:
        stated = bench.limits.accuracy["injection level"] / math.sqrt(3.0)
    return math.hypot(stated, 0.5 * drift)


def _final_u(bench: Bench, entry: RecordEntry, run: MultipassResult) -> float:
    """Return the uncertainty of the mass left in the system [kg]."""
    final, volume = entry.conditions.final_concentration, entry.conditions.system_volume
    if run.balance is None or final is None or volume is None:
        return 0.0
    level, filled = (
        stated.u / stated.value
        if stated.u is not None and stated.value > 0
        else bench.limits.accuracy[name] / math.sqrt(3.0)
        for stated, name in ((final, "final level"), (volume, "system volume"))
    )
    return run.balance.left_in_system * math.hypot(level, filled)


def _capacity(
    bench: Bench, side: Side, mass_of: Callable[[MultipassResult], float], with_balance: bool
) -> Estimate:
    runs = usable_runs(bench, side)
    own = []
    for run in runs:
        level = injection_level_u(bench, bench.entries[run.record]) * run.injected
        final = _final_u(bench, bench.entries[run.record], run) if with_balance else 0.0
        own.append(math.hypot(level, final))
    values = [mass_of(run) for run in runs]
    shared = injection_flow_components(bench, runs, [run.injected for run in runs])
    shared += widening(bench, [run.record for run in runs], float(np.mean(values)))
    return combine_results(
        runs, values, own, shared, unit="kg", own_name=later("gravimetry of each run"),
        notes=(_notes(bench.entries[runs[0].record]),), laboratories=bench.laboratories,
    )  # fmt: skip


def _notes(entry: RecordEntry) -> str:
    ends = entry.conditions.injection_concentration
    if ends is not None and ends.start.u is not None and ends.end.u is not None:
        return say("uncertainty of the injection level as the laboratory states it")
    return say("no uncertainty of the injection level stated: the standard's accuracy stands in")


@_declared(
    title="Injected capacity",
    symbol="mi",
    meaning="Contaminant injected until the element reaches its terminal differential pressure.",
    formula="mi = ci·qi·tf",
    example='quantity = "injected_capacity"\nmin = "40 g"',
)
def injected_capacity(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the injected mass to the terminal differential pressure [kg]."""
    return _capacity(bench, side, lambda run: run.injected, with_balance=False)


@_declared(
    title="Retained capacity",
    symbol="mR",
    meaning="Contaminant that the filter holds at its terminal differential pressure.",
    formula="mR = ci·qi·tf − c·V − c·qu·tf − (c − cb)·qd·tf",
    example='quantity = "retained_capacity"\nmin = "36 g"',
)
def retained_capacity(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the retained mass [kg]: injected less what stayed in the system or was drawn off."""
    for run in usable_runs(bench, side):
        if run.balance is None:
            words = later("record {record}: {reason}")
            reason = say(words, record=run.record, reason=run.missing_balance)
            raise NotDemonstrated(reason, (run.record,))
    return _capacity(bench, side, _retained, with_balance=True)


def _retained(run: MultipassResult) -> float:
    return math.nan if run.balance is None else run.balance.retained
