"""Which records may carry a result: all that the plan names, none that fails its checks."""

from collections.abc import Callable, Collection, Sequence
from typing import TypeVar

from dossier.case.case import Case, Record
from dossier.evidence.bench import Bench
from dossier.evidence.estimate import NotDemonstrated
from dossier.evidence.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import Side

__all__ = [
    "missing_specimens",
    "named_in_plan",
    "planned_specimens",
    "usable_records",
    "usable_runs",
    "usable_sweeps",
    "whole",
]

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


def usable_records(
    bench: Bench, side: Side, kind: str, wanted: Callable[[Record], bool], what: str
) -> tuple[Record, ...] | NotDemonstrated:
    """Return the records of one filter and kind that are `wanted`, or why they carry no result.

    As `whole`, for records that are read as they are; `what` names them in the reason.  Records of
    either flow path count: what was tested on one part of the filter is not left out.
    """
    own = [
        record
        for record in bench.case.records
        if record.entry.kind == kind and record.entry.filter == side and wanted(record)
    ]
    if not own:
        return NotDemonstrated(reason=f"there is no {kind} record of the {side} with {what}")
    for record in own:
        for table, words in ((bench.unreduced, "cannot be reduced"), (bench.unusable, "not valid")):
            if record.id in table:
                reason = f"record {record.id} {words}: {table[record.id]}"
                return NotDemonstrated(reason=reason, records=(record.id,))
    kept = tuple(record for record in own if record.id not in bench.excluded)
    if not kept:
        return NotDemonstrated(reason=f"every {kind} record of the {side} with {what} is excluded")
    return kept


def named_in_plan(case: Case, side: str) -> set[str]:
    """Return the specimens that the test plan names for one filter; empty if it names none."""
    qualification = case.qualification
    described = qualification.candidate if side == "candidate" else qualification.reference
    return set(described.specimens) if described else set()


def missing_specimens(
    planned: Collection[str], tested: Collection[str], *, others_allowed: bool
) -> str:
    """Return which planned specimens a result lacks, in words, or an empty string.

    With `others_allowed`, as for a test that destroys what it tests, as many specimens of its own
    as the plan names stand in for them, if none of the planned ones was tested so.
    """
    lacking = sorted(set(planned) - set(tested))
    if not lacking:
        return ""
    if others_allowed and not set(planned) & set(tested):
        few = len(set(tested)) < len(set(planned))
        return f"{len(set(tested))} specimens, the plan names {len(set(planned))}" if few else ""
    return f"nothing of specimen {', '.join(lacking)}, which the plan names"


def planned_specimens(bench: Bench, side: Side) -> set[str]:
    """Return the specimens that must be there: those of the plan, and any other that was tested.

    A specimen of a flow sweep or a multi-pass run counts for both kinds: what was measured on one
    and is lacking on the other has to be accounted for.
    """
    planned = named_in_plan(bench.case, side)
    if planned:
        return planned
    return {
        record.entry.specimen or ""
        for record in bench.case.records
        if record.entry.filter == side and record.entry.kind in {"multipass", "pressure_drop"}
    }
