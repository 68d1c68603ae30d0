"""Put every record of a case on the bench: reduce, check, exclude."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from dossier.case.case import Case, Record
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Check, Limits
from dossier.evidence.records.reduced import (
    MultipassResult,
    PressureDropResult,
    reduce_multipass,
    reduce_pressure_drop,
)
from dossier.evidence.requirement import resolve
from dossier.evidence.validity import general, method, multipass, other
from dossier.evidence.validity.balance import SHAPE, Reduced, doubtful, unlike_runs
from dossier.evidence.validity.copies import copies
from dossier.evidence.validity.general import TIME, hurried
from dossier.evidence.validity.other import Swept
from dossier.evidence.validity.pressures import copied_curves
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.relevance import lopsided
from dossier.evidence.validity.rules import AGREES, Held, checks_of, cover, unusable
from dossier.words import say

Result = TypeVar("Result", MultipassResult, PressureDropResult)


def prepare(case: Case, limits: Limits, seed: int) -> Bench:
    """Return the bench of `case`; a record that cannot be reduced is listed with the reason."""
    deviations = case.qualification.deviation
    excluded = {
        d.record: say("excluded: {cause} [agreed by {who}]", cause=d.cause, who=d.agreed_by)
        for d in deviations
        if d.effect == "record excluded"
    }
    kept = [record for record in case.records if record.id not in excluded]
    runs, sweeps, unreduced = _reduced(case, kept, limits)
    checks = cover(_checks(case, limits, kept, runs, sweeps), deviations)
    return Bench(
        case=case,
        limits=limits,
        multipass=tuple(runs),
        pressure=tuple(sweeps),
        checks=checks,
        unreduced=unreduced,
        unusable=dict(unusable(checks)),
        excluded=excluded,
        widened=_widened(case),
        seed=seed,
    )


Runs = list[MultipassResult]
Sweeps = list[PressureDropResult]


def _reduced(
    case: Case, kept: Sequence[Record], limits: Limits
) -> tuple[Runs, Sweeps, dict[str, str]]:
    """Return the runs and sweeps among the records, and why others of them are not reduced."""
    runs, sweeps, unreduced = Runs(), Sweeps(), {}
    for record in kept:
        try:
            if record.entry.kind == "multipass":
                runs.append(reduce_multipass(case, record, limits))
            elif record.entry.kind == "pressure_drop":
                sweeps.append(reduce_pressure_drop(case, record))
        except ValueError as error:
            unreduced[record.id] = str(error)
    return runs, sweeps, unreduced


def _widened(case: Case) -> dict[str, float]:
    widened: dict[str, float] = {}
    for deviation in case.qualification.deviation:
        if deviation.u is not None and deviation.effect == "widens uncertainty":
            so_far = widened.get(deviation.record, 0.0)
            widened[deviation.record] = (so_far**2 + deviation.u**2) ** 0.5
    return widened


def _checks(
    case: Case, limits: Limits, kept: Sequence[Record], runs: Runs, sweeps: Sweeps
) -> Iterator[Check]:
    run_of = {run.record: run for run in runs}
    sweep_of = {sweep.record: sweep for sweep in sweeps}
    reduced = [(record, run_of[record.id]) for record in kept if record.id in run_of]
    against = _against(case, limits, kept, reduced, sweeps)
    demands, _ = resolve(case.application, "")
    for record in kept:
        told = {rule: words.get(record.id, "") for rule, words in against.items()}
        held = Held(case=case, record=record, limits=limits, demands=demands, against=told)
        yield from checks_of(held, ANY)
        if record.id in run_of:
            own, swept = run_of[record.id], _same(case, sweeps, record)
            run = Run(**vars(held), result=own, siblings=_same(case, runs, record), sweeps=swept)
            yield from _for_both(checks_of(run, [multipass.RULES]), own, swept)
        elif record.id in sweep_of:
            sweep = Swept(**vars(held), result=sweep_of[record.id])
            yield from checks_of(sweep, [other.SWEEP])
        else:
            yield from checks_of(held, [other.KINDS.get(record.entry.kind, {})])


def _against(
    case: Case, limits: Limits, kept: Sequence[Record], reduced: Sequence[Reduced], sweeps: Sweeps
) -> Mapping[str, Mapping[str, str]]:
    """Return rule -> record -> what other records have against it, in words."""
    twins = copies([(record, run.end_time) for record, run in reduced])
    return {
        "noise of its own": {**copied_curves(kept), **twins},
        SHAPE: unlike_runs(case, reduced, limits),
        "recirculation": doubtful(reduced),
        AGREES: lopsided(case, reduced, sweeps, limits),
        TIME: hurried(case, reduced, limits),
    }


ANY = (general.INSTRUMENTS, method.RULES, general.BEFORE)
"""Rules on any record."""


def _for_both(
    found: Iterator[Check], run: MultipassResult, sweeps: Sequence[PressureDropResult]
) -> Iterator[Check]:
    """Yield the checks of a run; where it contradicts its sweep, the sweep is in doubt as well."""
    for check in found:
        yield check
        if check.rule == AGREES and check.outcome == "not met":
            own = (sweep.record for sweep in sweeps if sweep.specimen == run.specimen)
            yield from (replace(check, record=record) for record in own)


def _same(case: Case, results: list[Result], record: Record) -> list[Result]:
    side, path = record.entry.filter, case.application.circuit.path_of(record.entry.path)
    return [each for each in results if each.side == side and each.path == path]
