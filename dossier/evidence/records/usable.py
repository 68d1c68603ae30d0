"""Which records may carry a result: all that the plan names, none that fails its checks."""

from collections.abc import Callable, Collection, Sequence
from typing import TypeVar

from dossier.case.case import Case, Record
from dossier.case.records import PressureDropTable, ValveTable
from dossier.evidence.bench import Bench
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.spoken import Side, of_side, record_of
from dossier.evidence.statistics.combine import once
from dossier.evidence.statistics.estimate import NotDemonstrated
from dossier.words import later, say, say_count

Result = TypeVar("Result", MultipassResult, PressureDropResult)


@once("multipass")
def usable_runs(bench: Bench, side: Side, path: str = "full_flow") -> tuple[MultipassResult, ...]:
    """Return the multi-pass runs of one filter that carry a result."""
    return _whole(bench, side, "multipass", path, bench.multipass)


@once("pressure")
def usable_sweeps(
    bench: Bench, side: Side, path: str = "full_flow"
) -> tuple[PressureDropResult, ...]:
    """Return the flow sweeps of one filter that carry a result."""
    return _whole(bench, side, "pressure_drop", path, bench.pressure)


def _whole(
    bench: Bench, side: Side, kind: str, path: str, results: Sequence[Result]
) -> tuple[Result, ...]:
    """Return those of `results` if every planned specimen has a usable record of that kind.

    One record that cannot be reduced or fails a mandatory check stops the result: leaving it out
    would be choosing among the evidence.  A record excluded by a recorded deviation, with its
    physical cause and who agreed, is accounted for.
    """
    path_of = bench.case.application.circuit.path_of
    alike = (record.entry for record in bench.case.of_kind(kind, side))
    entries = [entry for entry in alike if path_of(entry.path) == path_of(path)]
    if not entries:
        raise NotDemonstrated(say("there is no {record} {of_side}", **_names(side, kind)))
    for entry in entries:
        _accept(bench, entry.id)
    planned = expected(bench.case, side, {each.id for each in entries}, _tested(bench, side))
    missing = planned - {entry.specimen or "" for entry in entries}
    if missing:
        words = later("no {record} of specimen {names} {of_side}")
        raise NotDemonstrated(say(words, names=", ".join(sorted(missing)), **_names(side, kind)))
    own = tuple(each for each in results if (each.side, each.path) == (side, path_of(path)))
    if not own:
        raise NotDemonstrated(say("every {record} {of_side} is excluded", **_names(side, kind)))
    return own


def _names(side: Side, kind: str) -> dict[str, str]:
    return {"record": record_of(kind), "of_side": of_side(side)}


def _accept(bench: Bench, record: str) -> None:
    """Raise NotDemonstrated where a record carries no result."""
    for words, reasons in (
        (later("record {record} cannot be reduced: {why}"), bench.unreduced),
        (later("record {record} not valid: {why}"), bench.unusable),
    ):
        if record in reasons:
            raise NotDemonstrated(say(words, record=record, why=reasons[record]), (record,))


def usable_records(
    bench: Bench, side: Side, kind: str, wanted: Callable[[Record], bool], what: str
) -> tuple[Record, ...]:
    """Return the records of one filter and kind that are `wanted` and carry a result.

    As for runs and sweeps, for records that are read as they are; `what` names them in the reason.
    Records of either flow path count: what was tested on one part of the filter is not left out.
    """
    own = [record for record in bench.case.of_kind(kind, side) if wanted(record)]
    if not own:
        words = later("there is no {record} {of_side} with {what}")
        raise NotDemonstrated(say(words, what=what, **_names(side, kind)))
    for record in own:
        _accept(bench, record.id)
    kept = tuple(record for record in own if record.id not in bench.excluded)
    if not kept:
        words = later("every {record} {of_side} with {what} is excluded")
        raise NotDemonstrated(say(words, what=what, **_names(side, kind)))
    return kept


def named_in_plan(case: Case, side: str) -> set[str]:
    """Return the specimens that the test plan names for one filter; empty if it names none."""
    return set(case.qualification.filter_of(side).specimens)


def beyond_plan(case: Case, side: str) -> set[str]:
    """Return what was swept of filter or valve beside specimens of the plan, and beyond it.

    Valves of none of the planned specimens are not among them, nor is what was carried over.
    """
    planned, swept = named_in_plan(case, side), dict[str, set[str]]()
    for record in case.records:
        entry, table = record.entry, record.table
        if entry.filter == side and case.source(record.id) is None:
            names = table.specimen if isinstance(table, ValveTable) else ()
            names = (entry.specimen or "",) if isinstance(table, PressureDropTable) else names
            swept.setdefault(entry.kind, set()).update(names)
    return {name for names in swept.values() if names & planned for name in names - planned if name}


Names = Collection[str]


def missing_specimens(planned: Names, tested: Names, *, others_allowed: bool) -> str:
    """Return which planned specimens a result lacks, in words, or an empty string.

    With `others_allowed`, as for a test that destroys what it tests, as many specimens of its own
    as the plan names stand in for them, if none of the planned ones was tested so.
    """
    lacking = sorted(set(planned) - set(tested))
    if not lacking:
        return ""
    if others_allowed and not set(planned) & set(tested):
        have, wanted = len(set(tested)), len(set(planned))
        if have >= wanted:
            return ""
        return say_count(
            have,
            "{number} specimen, the plan names {planned}",
            "{number} specimens, the plan names {planned}",
            planned=wanted,
        )
    return say("nothing of specimen {names}, which the plan names", names=", ".join(lacking))


def expected(case: Case, side: str, records: Names, tested: Names = ()) -> set[str]:
    """Return the specimens of the plan that must be among those of `records`, else the `tested`.

    A dossier that evidence is carried from has a plan of its own: what it says is asked of its
    records, and the plan of the case of the others, each where there are any.
    """
    own, unplanned, left = named_in_plan(case, side), set(tested), set(records)
    found: set[str] = set()
    for theirs, plan in (group for each in case.carried for group in each.groups(side)):
        found |= plan if theirs & left else set()
        own, unplanned, left = own - plan, unplanned - plan, left - theirs
    return found | ((own or unplanned) if left else set())


def _tested(bench: Bench, side: Side) -> set[str]:
    """Return the specimens that were tested.

    A specimen of a flow sweep or a multi-pass run counts for both kinds: what was measured on one
    and is lacking on the other has to be accounted for.
    """
    kinds = ("multipass", "pressure_drop")
    return {r.entry.specimen or "" for kind in kinds for r in bench.case.of_kind(kind, side)}
