"""Put every record of a case on the bench: reduce, check, exclude."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TypeVar

from dossier.case.case import Case, Record
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.records.reduce_multipass import reduce_multipass, reduce_pressure_drop
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.requirement import resolve
from dossier.evidence.validity.balance import doubtful, unlike_runs
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.copies import copied_curves, copies
from dossier.evidence.validity.method import method_checks
from dossier.evidence.validity.multipass import multipass_checks
from dossier.evidence.validity.other import other_checks
from dossier.evidence.validity.pressure import decided_pressures, pressure_checks
from dossier.evidence.validity.rules import AGREES, cover, general_checks, unusable
from dossier.evidence.validity.specimens import TIME, hurried, specimen_checks
from dossier.words import say

Result = TypeVar("Result", MultipassResult, PressureDropResult)


def prepare(case: Case, limits: Limits, seed: int) -> Bench:
    """Return the bench of `case`; a record that cannot be reduced is listed with the reason."""
    deviations = case.qualification.deviation
    excluded = {
        d.record: say("excluded: {cause} (agreed by {who})", cause=d.cause, who=d.agreed_by)
        for d in deviations
        if d.effect == "record excluded"
    }
    unreduced: dict[str, str] = {}
    runs: list[MultipassResult] = []
    sweeps: list[PressureDropResult] = []
    for record in case.records:
        if record.id in excluded:
            continue
        try:
            if record.entry.kind == "multipass":
                runs.append(reduce_multipass(case, record, limits))
            elif record.entry.kind == "pressure_drop":
                sweeps.append(reduce_pressure_drop(case, record))
        except ValueError as error:
            unreduced[record.id] = str(error)
    checks = cover(_checks(case, limits, runs, sweeps, excluded), deviations)
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


def _widened(case: Case) -> dict[str, float]:
    widened: dict[str, float] = {}
    for deviation in case.qualification.deviation:
        if deviation.u is not None and deviation.effect == "widens uncertainty":
            so_far = widened.get(deviation.record, 0.0)
            widened[deviation.record] = (so_far**2 + deviation.u**2) ** 0.5
    return widened


def _checks(
    case: Case,
    limits: Limits,
    runs: list[MultipassResult],
    sweeps: list[PressureDropResult],
    excluded: dict[str, str],
) -> Iterator[Check]:
    demands, _ = resolve(case.application, "")
    run_of = {run.record: run for run in runs}
    reduced = [(record, run_of[record.id]) for record in case.records if record.id in run_of]
    against = {
        "noise of its own": {
            **copied_curves(record for record in case.records if record.id not in excluded),
            **copies([(record, run.end_time) for record, run in reduced]),
        },
        "same dust in every run": unlike_runs(case, reduced, limits),
        "recirculation": doubtful(reduced),
        TIME: hurried(case, reduced, limits),
    }
    sweep_of = {sweep.record: sweep for sweep in sweeps}
    for record in case.records:
        if record.id in excluded:
            continue
        yield from general_checks(case, record, limits)
        yield from method_checks(case, record, limits)
        yield from specimen_checks(case, record, limits)
        told = {rule: words.get(record.id, "") for rule, words in against.items()}
        own_noise = told["noise of its own"]
        yield from other_checks(case, record, limits, demands, own_noise)
        if record.id in run_of:
            own, swept = run_of[record.id], _same(case, sweeps, record)
            alike = _same(case, runs, record)
            found = multipass_checks(case, record, own, limits, alike, swept, told)
            yield from _for_both(found, own, swept)
        elif record.id in sweep_of:
            own_sweep = sweep_of[record.id]
            decided = decided_pressures(case, demands, record.entry.path)
            yield from pressure_checks(case, record, own_sweep, limits, decided, own_noise)


def _for_both(
    found: Iterator[Check], run: MultipassResult, sweeps: Sequence[PressureDropResult]
) -> Iterator[Check]:
    """Yield the checks of a run; where it contradicts its sweep, the sweep is in doubt as well."""
    for check in found:
        yield check
        if check.rule == AGREES and check.outcome == "not met":
            yield from (
                replace(check, record=sweep.record)
                for sweep in sweeps
                if sweep.specimen == run.specimen
            )


def _same(case: Case, results: list[Result], record: Record) -> list[Result]:
    side, path = record.entry.filter, case.application.circuit.path_of(record.entry.path)
    return [each for each in results if each.side == side and each.path == path]
