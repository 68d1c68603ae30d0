"""Which records may carry a result: all that the plan names, none that fails its checks."""

from collections.abc import Sequence
from typing import TypeVar

from dossier.case.model import Filter
from dossier.evidence.bench import Bench
from dossier.evidence.estimate import NotDemonstrated
from dossier.evidence.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import Side

__all__ = ["planned_specimens", "usable_runs", "usable_sweeps", "whole"]

Result = TypeVar("Result", MultipassResult, PressureDropResult)


def usable_runs(
    bench: Bench, side: Side, path: str = "full_flow"
) -> tuple[MultipassResult, ...] | NotDemonstrated:
    """Return the multi-pass runs of one filter, or why they cannot carry a result."""
    own = [run for run in bench.multipass if run.side == side and run.path == path]
    return whole(bench, side, "multipass", path, own)


def usable_sweeps(
    bench: Bench, side: Side, path: str = "full_flow"
) -> tuple[PressureDropResult, ...] | NotDemonstrated:
    """Return the flow sweeps of one filter, or why they cannot carry a result."""
    own = [sweep for sweep in bench.pressure if sweep.side == side and sweep.path == path]
    return whole(bench, side, "pressure_drop", path, own)


def whole(
    bench: Bench, side: Side, kind: str, path: str, results: Sequence[Result]
) -> tuple[Result, ...] | NotDemonstrated:
    """Return `results` if every planned specimen has a usable record of that kind.

    One record that cannot be reduced or fails a mandatory check stops the result: leaving it out
    would be choosing among the evidence.  A record excluded by a recorded deviation, with its
    physical cause and who agreed, is accounted for.
    """
    entries = [
        record.entry
        for record in bench.case.records
        if record.entry.kind == kind and record.entry.filter == side and record.entry.path == path
    ]
    if not entries:
        return NotDemonstrated(reason=f"there is no {kind} record of the {side}")
    for entry in entries:
        for table, words in ((bench.unreduced, "cannot be reduced"), (bench.unusable, "not valid")):
            if entry.id in table:
                reason = f"record {entry.id} {words}: {table[entry.id]}"
                return NotDemonstrated(reason=reason, records=(entry.id,))
    missing = planned_specimens(bench, side) - {entry.specimen or "" for entry in entries}
    if missing:
        names = ", ".join(sorted(missing))
        return NotDemonstrated(reason=f"no {kind} record of specimen {names} of the {side}")
    if not results:
        return NotDemonstrated(reason=f"every {kind} record of the {side} is excluded")
    return tuple(results)


def planned_specimens(bench: Bench, side: Side) -> set[str]:
    """Return the specimens that must be there: those of the plan, and any other that was tested.

    A specimen of a flow sweep or a multi-pass run counts for both kinds: what was measured on one
    and is lacking on the other has to be accounted for.
    """
    qualification = bench.case.qualification
    described: Filter | None = (
        qualification.candidate if side == "candidate" else qualification.reference
    )
    planned = set(described.specimens) if described else set()
    if planned:
        return planned
    return {
        record.entry.specimen or ""
        for record in bench.case.records
        if record.entry.filter == side and record.entry.kind in {"multipass", "pressure_drop"}
    }
