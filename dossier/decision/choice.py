"""Candidates for one application side by side: what they differ by, and what cannot be told."""

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dossier.case.case import Case, Record
from dossier.case.consistency import plain
from dossier.case.problems import CaseProblem
from dossier.case.repeated import repeated
from dossier.decision.finding import Assessment
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.prepare import prepare
from dossier.evidence.registry import Side
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, attempt
from dossier.evidence.validity.comparable import difference, other_batch, other_method
from dossier.evidence.validity.specimens import TIME
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One of the filters to choose from, decided by its own case."""

    label: str
    """Number and revision of its dossier."""
    case: Case
    assessment: Assessment

    @property
    def records(self) -> tuple[Record, ...]:
        """The records of the candidate itself."""
        return tuple(each for each in self.case.records if each.entry.filter == "candidate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A quantity of one candidate beside that of another."""

    demand: Demand
    """The first requirement on it."""
    requirements: tuple[str, ...] = ()
    """Ids of all that ask for it."""
    own: Estimate | None = None
    other: Estimate | None = None
    why: str = ""
    """Why no difference is shown; empty where both are known and were tested alike."""

    @property
    def between(self) -> str:
        """Return where that is from what laboratories or rigs differ by; empty for one rig."""
        parts = self.own.components if self.own else ()
        return next((part.source for part in parts if part.name == BETWEEN), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What one candidate differs by from another that was named before it."""

    own: str
    """Label of the later, from which that of `other` is taken away."""
    other: str
    differences: tuple[Difference, ...]
    notes: tuple[str, ...]
    """What was not taken for the same in both, in sentences."""
    problems: tuple[CaseProblem, ...]
    """Why the two cannot stand side by side."""


def set_beside(own: Candidate, other: Candidate, demands: Sequence[Demand], limits: Limits) -> Pair:
    """Return what `own` differs by from `other`, which names the same application.

    Both stand on one bench, as candidate and filter now fitted: what is asked of tests that are
    set against each other, what errors they share and what laboratories differ by is judged as
    within one case.
    """
    case, notes = _as_one(own, other)
    seed = zlib.crc32(" ".join(sorted((own.label, other.label))).encode())
    bench = replace(prepare(case, limits, seed), compared=True)
    batch = other_batch(bench)
    if batch:
        notes.append(say("{batch}: what batches differ by is not in U", batch=batch))
    found = tuple(
        replace(_difference(bench, each[0]), requirements=tuple(demand.id for demand in each))
        for each in _asked_once(demands)
    )
    if any(each.between for each in found):
        words = later(
            "{own} and {other} were tested in different laboratories or on different rigs: what "
            "these differ by is in U"
        )
        notes.append(say(words, own=own.label, other=other.label))
    return Pair(
        own=own.label, other=other.label, notes=tuple(notes), differences=found,
        problems=(*repeated(case.records), *_impossible(bench, own, other)),
    )  # fmt: skip


def _asked_once(demands: Sequence[Demand]) -> list[list[Demand]]:
    """Return the demands on each number that is asked for."""
    found: dict[tuple[object, ...], list[Demand]] = {}
    for demand in demands:
        if demand.quantity.dimension != "statement" and not demand.not_applicable:
            key = (demand.quantity.name, *sorted(demand.at.items()))
            found.setdefault(key, []).append(demand)
    return list(found.values())


def _difference(bench: Bench, demand: Demand) -> Difference:
    apart = difference(bench, demand.quantity) or other_method(bench, demand.quantity)
    if apart:
        why = say("the two filters were not tested alike: {difference}", difference=apart)
        return Difference(demand=demand, why=why)
    sides: tuple[Side, ...] = ("candidate", "reference")
    own, other = (attempt(demand.quantity.compute, bench, side, demand.at) for side in sides)
    for found in (own, other):
        if isinstance(found, NotDemonstrated):
            return Difference(demand=demand, why=found.reason)
        if found.bound:
            return Difference(demand=demand, why=say("one result is only a bound"))
    return Difference(demand=demand, own=own, other=other)  # type: ignore[arg-type]


def _impossible(bench: Bench, own: Candidate, other: Candidate) -> Iterator[CaseProblem]:
    """Yield each record that can be what it says only without the records of the other case."""
    known = {
        (_named(each, check.record), check.rule)
        for each in (own, other)
        for check in each.assessment.bench.checks
        if check.outcome == "not met"
    }
    for check in bench.checks:
        fresh = (check.record, check.rule) not in known
        if check.rule in ("noise of its own", TIME) and check.outcome == "not met" and fresh:
            hint = "look at both cases: one of them is not what it says"
            yield CaseProblem(check.record, check.rule, check.found, hint)


def _as_one(own: Candidate, other: Candidate) -> tuple[Case, list[str]]:
    """Return a case with `own` as its candidate and `other` as the filter now fitted.

    Of laboratories, instruments and fluids those are one that both cases describe alike; what only
    bears the same name is another, and what is told apart so is said.
    """
    notes: list[str] = []
    described, update = {}, dict[str, Any]()
    for key, (what, identity) in _IDENTITY.items():
        theirs = getattr(other.case.qualification, key)
        same = {identity(other.case, each): each.id for each in theirs}
        taken = {each.id for each in theirs}
        names, more = dict[str, str](), []
        for each in getattr(own.case.qualification, key):
            name = same.get(identity(own.case, each))
            if name is None:
                name = f"{each.id} ({own.label})" if each.id in taken else each.id
                more.append(each.model_copy(update={"id": name}))
                if each.id in taken and each.id in _used(own, key) & _used(other, key):
                    words = later(
                        "{what} {name} is not described alike in both cases and is taken for two: "
                        "its errors do not cancel"
                    )
                    notes.append(say(words, what=say(what), name=each.id))
            names[each.id] = name
        described[key] = names
        update[key] = (*theirs, *more)
    records = (
        *_placed(own, "candidate", described),
        *_placed(other, "reference", {}),
    )
    both = ((own, "candidate"), (other, "reference"))
    update |= {
        "candidate": own.case.qualification.candidate,
        "reference": other.case.qualification.candidate,
        "record": tuple(record.entry for record in records),
        "specimen": tuple(
            each.model_copy(update={"filter": side})
            for of, side in both
            for each in of.case.qualification.specimen
            if each.filter == "candidate"
        ),
        "deviation": tuple(
            each.model_copy(update={"record": _named(of, each.record)})
            for of, _ in both
            for each in of.case.qualification.deviation
        ),
        "reproducibility": tuple(
            each for of, _ in both for each in of.case.qualification.reproducibility
        ),
    }
    qualification = own.case.qualification.model_copy(update=update)
    return replace(own.case, records=records, qualification=qualification), notes


def _laboratory(_: Case, each: Any) -> object:
    return each.id, plain(each.name), plain(each.accreditation)


def _instrument(case: Case, each: Any) -> object:
    relied = [r.certificate for r in case.certificates if r.instrument == each.id]
    return repr(each.model_copy(update={"certificate_file": ""})), *relied


def _fluid(_: Case, each: Any) -> object:
    return repr(each)


_IDENTITY: Mapping[str, tuple[str, Callable[[Case, Any], object]]] = {
    "laboratory": (later("laboratory"), _laboratory),
    "instrument": (later("instrument"), _instrument),
    "fluid": (later("test fluid"), _fluid),
}
"""What two cases may have in common, and what has to be alike for it to be one."""


def _used(each: Candidate, key: str) -> set[str]:
    """Return the ids that the records of a candidate name under a key."""
    entries = [record.entry for record in each.records]
    if key == "instrument":
        return {name for entry in entries for name in entry.instruments}
    return {getattr(entry, key) for entry in entries}


def _named(each: Candidate, record: str) -> str:
    return f"{each.label} {record}"


def _placed(
    each: Candidate, side: Side, names: Mapping[str, Mapping[str, str]]
) -> Iterator[Record]:
    """Yield the records of a candidate as those of one side, under names that are theirs alone."""

    def known(key: str, name: str | None) -> str | None:
        return names[key].get(name or "", name) if names else name

    for record in each.records:
        entry = record.entry
        update = {
            "id": _named(each, entry.id),
            "filter": side,
            "laboratory": known("laboratory", entry.laboratory),
            "instruments": tuple(known("instrument", name) for name in entry.instruments),
            "fluid": known("fluid", entry.fluid),
        }
        yield replace(record, entry=entry.model_copy(update=update), file=_named(each, record.file))
