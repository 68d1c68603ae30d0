"""Candidates for one application side by side: what they differ by, and what cannot be told."""

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dossier.case.case import Case, Record
from dossier.case.compared import Source
from dossier.case.model import Deviation
from dossier.case.problems import CaseProblem
from dossier.case.repeated import repeated
from dossier.case.seen import plain
from dossier.decision.finding import Assessment
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Limits
from dossier.evidence.prepare import prepare
from dossier.evidence.requirement import Demand
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, attempt
from dossier.evidence.validity.comparable import other_batch, other_method, unlike_tests
from dossier.evidence.validity.general import TIME
from dossier.system.grouped import grouped
from dossier.words import later, say

SIDES: tuple[Side, ...] = ("candidate", "reference")


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


@dataclass(frozen=True, slots=True)
class Pairing:
    """What one candidate differs by from another that was named before it."""

    own: str
    """Label of the later, from which that of `other` is taken away."""
    other: str
    differences: tuple[Difference, ...]
    notes: tuple[str, ...]
    """What was not taken for the same in both, in sentences."""
    problems: tuple[CaseProblem, ...]
    """Why the two cannot stand side by side."""


def set_beside(
    own: Candidate, other: Candidate, demands: Sequence[Demand], limits: Limits
) -> Pairing:
    """Return what `own` differs by from `other`, which names the same application.

    Both stand on one bench, as candidate and filter now fitted: what is asked of tests that are
    set against each other, what errors they share and what laboratories differ by is judged as
    within one case.
    """
    case, notes = _as_one(own, other)
    seed = zlib.crc32(" ".join(sorted((own.label, other.label))).encode())
    bench = replace(prepare(case, limits, seed), compared=True)
    if batch := other_batch(bench):
        notes.append(say("{batch}: what batches differ by is not in U", batch=batch))
    found = tuple(_difference(bench, each) for each in _asked_once(demands))
    if any(each.between for each in found):
        words = later(
            "{own} and {other} were tested in different laboratories or on different rigs: what "
            "these differ by is in U"
        )
        notes.append(say(words, own=own.label, other=other.label))
    problems = (*repeated(case.records), *_impossible(bench, own, other))
    return Pairing(own.label, other.label, found, tuple(notes), problems)


def _asked_once(demands: Sequence[Demand]) -> list[list[Demand]]:
    """Return the demands on each number that is asked for."""
    asked = (d for d in demands if d.quantity.dimension != "statement" and not d.not_applicable)
    return list(grouped(((d.quantity.name, *sorted(d.at.items())), d) for d in asked).values())


def _difference(bench: Bench, demands: Sequence[Demand]) -> Difference:
    """Return what the two filters differ by in what `demands` ask for."""
    asked = demands[0]
    bare = Difference(demand=asked, requirements=tuple(demand.id for demand in demands))
    apart = unlike_tests(bench, asked.quantity) or other_method(bench, asked.quantity)
    if apart:
        why = say("the two filters were not tested alike: {difference}", difference=apart)
        return replace(bare, why=why)
    own, other = (attempt(asked.quantity.compute, bench, side, asked.at) for side in SIDES)
    if isinstance(own, NotDemonstrated):
        return replace(bare, why=own.reason)
    if isinstance(other, NotDemonstrated):
        return replace(bare, why=other.reason)
    if own.bound or other.bound:
        return replace(bare, why=say("one result is only a bound"))
    return replace(bare, own=own, other=other)


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
    apart = {key: _unlike(own, other, key) for key in _IDENTITY}
    words = later(
        "{what} {name} is not described alike in both cases and is taken for two: its errors do "
        "not cancel"
    )
    notes = [
        say(words, what=say(_IDENTITY[key][0]), name=name)
        for key, names in apart.items()
        for name in sorted(names & _used(own, key) & _used(other, key))
    ]
    both = _Placed(own, "candidate", apart), _Placed(other, "reference", {})
    records = tuple(record for each in both for record in each.records())
    update: dict[str, Any] = {key: _known(key, both) for key in _IDENTITY}
    update |= {
        "candidate": own.case.qualification.candidate,
        "reference": other.case.qualification.candidate,
        "record": tuple(record.entry for record in records),
        "deviation": tuple(deviation for each in both for deviation in each.deviations()),
        "reproducibility": tuple(
            study for each in both for study in each.of.case.qualification.reproducibility
        ),
    }
    qualification = own.case.qualification.model_copy(update=update)
    carried = tuple(placed.source(each) for placed in both for each in placed.of.case.carried)
    return replace(own.case, records=records, qualification=qualification, carried=carried), notes


def _instrument(case: Case, each: Any) -> object:
    relied = [r.certificate for r in case.certificates if r.instrument == each.id]
    return repr(each.model_copy(update={"certificate_file": ""})), *relied


_IDENTITY: Mapping[str, tuple[str, Callable[[Case, Any], object]]] = {
    "laboratory": (
        later("laboratory"),
        lambda _, each: (plain(each.name), plain(each.accreditation)),
    ),
    "instrument": (later("instrument"), _instrument),
    "fluid": (later("test fluid"), lambda _, each: repr(each)),
}
"""What two cases may have in common, and what of it has to be alike under one id."""


def _unlike(own: Candidate, other: Candidate, key: str) -> set[str]:
    """Return the ids that both cases give to what they do not describe alike."""
    identity = _IDENTITY[key][1]
    first, second = (
        {each.id: identity(of.case, each) for each in getattr(of.case.qualification, key)}
        for of in (own, other)
    )
    return {name for name in first.keys() & second.keys() if first[name] != second[name]}


def _used(each: Candidate, key: str) -> set[str]:
    """Return the ids that the records of a candidate name under a key."""
    entries = [record.entry for record in each.records]
    if key == "instrument":
        return {name for entry in entries for name in entry.instruments}
    return {getattr(entry, key) for entry in entries}


def _named(each: Candidate, record: str) -> str:
    return f"{each.label} {record}"


@dataclass(frozen=True, slots=True)
class _Placed:
    """A candidate as one side of a bench, under names that are its own where they have to be."""

    of: Candidate
    side: Side
    apart: Mapping[str, set[str]]

    def name(self, key: str, name: str | None) -> str | None:
        """Return what an id of this case is called on the bench."""
        return f"{name} ({self.of.label})" if name in self.apart.get(key, ()) else name

    def records(self) -> Iterator[Record]:
        """Yield the records of the candidate."""
        for record in self.of.records:
            entry = record.entry
            update = {
                "id": _named(self.of, entry.id),
                "filter": self.side,
                "laboratory": self.name("laboratory", entry.laboratory),
                "instruments": tuple(self.name("instrument", each) for each in entry.instruments),
                "fluid": self.name("fluid", entry.fluid),
            }
            file = _named(self.of, record.file)
            yield replace(record, entry=entry.model_copy(update=update), file=file)

    def source(self, of: Source) -> Source:
        """Return a dossier that evidence of the candidate is carried from, by the names here."""
        records = [
            entry.model_copy(update={"id": _named(self.of, entry.id), "filter": self.side})
            for entry in of.case.record
            if entry.filter == "candidate"
        ]
        update = {"record": tuple(records), self.side: of.case.candidate}
        return replace(
            of,
            case=of.case.model_copy(update=update),
            carried=tuple(
                each.model_copy(update={"records": tuple(_named(self.of, n) for n in each.records)})
                for each in of.carried
            ),
            earlier=tuple(map(self.source, of.earlier)),
        )

    def deviations(self) -> Iterator[Deviation]:
        """Yield what was recorded of them."""
        for each in self.of.case.qualification.deviation:
            yield each.model_copy(update={"record": _named(self.of, each.record)})


def _known(key: str, both: Sequence[_Placed]) -> tuple[Any, ...]:
    """Return what the cases describe under a key; of one laboratory the methods of both."""
    found: dict[str | None, Any] = {}
    for placed in both:
        for each in getattr(placed.of.case.qualification, key):
            name = placed.name(key, each.id)
            update: dict[str, Any] = {"id": name}
            if key == "laboratory" and name in found:
                update["methods"] = (*found[name].methods, *each.methods)
            found[name] = each.model_copy(update=update)
    return tuple(found.values())
