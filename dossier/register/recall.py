"""Recall evidence: which approvals rest on it, and what is left of each without it."""

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import get_args

from dossier.case.attached import NotADossierError
from dossier.case.seen import A_SENTENCE, bare, says_something
from dossier.decision.conditions import APPROVES
from dossier.make.recompute import Without, without_records
from dossier.record.dossier_file import read_dossier
from dossier.record.recall import (
    CONDITIONAL,
    FALLS,
    STANDS,
    UNKNOWN,
    WHOLE,
    Kind,
    Recall,
    RecallOutcome,
    Recalls,
    Word,
)
from dossier.record.rests import Rest, folded
from dossier.record.standing import RECALLED, SIGNED_OFF
from dossier.register.listing import one_line
from dossier.register.register import Register, noted
from dossier.register.row import Row
from dossier.system.confined import FAMILIAR, StoppedError, confined, mapped, stranger
from dossier.system.grouped import grouped

LONGEST = 1000
"""Characters of a reason."""
NO_APPROVAL, AGAIN = "no approval", "stands again"
FITTED = "; filters that are fitted by it rest on what is recalled: tell their owner"
"""What is said of an approval that another has superseded: nobody decides it again."""


class RecallError(Exception):
    """Nothing is recalled; the message says why, and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recalling:
    """What somebody wants to recall, or to recall no longer."""

    what: str
    """Kind and value, as "instrument:APC-21", or "instrument:ITH/APC-21" of two laboratories."""
    reason: str
    day: date
    first: date | None = None
    until: date | None = None
    lift: bool = False
    trusted: bool = False
    """Whether the seals of every dossier that reads as its decision are those of trusted people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What became of one dossier that rests on what was recalled."""

    row: Row
    records: tuple[str, ...]
    """What was left out; empty where nothing was decided again."""
    outcome: str
    why: str
    until: date | None = None
    left: Without = field(default_factory=Without, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What a recall came to."""

    recall: Recall
    told: tuple[Told, ...]
    before: int = 0
    """Number of the recall that says the same already; 0 where it is new."""
    head: str
    """Head of the chain with it."""
    alike: tuple[str, ...] = ()
    """What has nearly its name in other dossiers and was not recalled, each with these."""


def recall_evidence(folder: Path, outcome: Register, asked: Recalling, *, jobs: int = 1) -> Done:
    """Put a recall on file beside the dossiers of a register, and decide again what rests on it.

    Nothing that it took away is believed: each approval is decided again from its attachments,
    as it stands and without all records that are recalled of it by any recall.  Raises RecallError
    where it names nothing, or not one thing.
    """
    _sensible(asked, outcome.recalls)
    given = outcome.recalls.given
    number, what = max((each.number for each in given), default=0) + 1, _named(asked, outcome)
    days = {"day": asked.day, "first": asked.first, "until": asked.until}
    new = Recall.model_validate(days | what | {"number": number, "reason": asked.reason})
    new = new.model_copy(update={"dossiers": tuple(_dossiers(new, outcome))})
    if asked.lift:
        new = new.model_copy(update={"lifts": _lifted(new, outcome.recalls)})
    elif new.kind != "dossier":  # whose tables may be read again for another decision
        new = new.model_copy(update={"tables": tuple(_tables(new, outcome))})
    ways = [each for each in given if each.number in new.lifts] or [new]
    after = replace(outcome.recalls, given=(*given, new))
    rows = [row for row in outcome.rows if _touched(ways, row, outcome)]
    told = tuple(_all_told(folder, rows, outcome, after, asked, jobs))
    new = new.model_copy(update={"outcomes": tuple(_outcomes(told))})
    before = _before(new, outcome.recalls)
    head = outcome.head if before else noted(folder, new)
    alike = tuple(_alike(new, outcome))
    return Done(recall=new, told=told, before=before, head=head, alike=alike)


def _sensible(asked: Recalling, recalls: Recalls) -> None:
    """Raise RecallError for a recall that cannot be meant as it stands."""
    lost = "a recall on file may be lost; mend that first"
    faults = [f"{file} cannot be read ({why}): {lost}" for file, why in recalls.faults.items()]
    if not says_something(asked.reason):
        faults.append(f"--reason {asked.reason[:60]!r} says nothing: {A_SENTENCE}")
    if len(asked.reason) > LONGEST:
        faults.append(f"--reason is longer than {LONGEST} characters: keep to what was found")
    for name, day in (("--from", asked.first), ("--until", asked.until)):
        if day is not None and day > asked.day:
            hint = "nothing is measured there yet; leave --until out while the doubt goes on"
            faults.append(f"{name} {day} is a day that has not come: {hint}")
    if asked.first and asked.until and asked.until < asked.first:
        faults.append(f"--until {asked.until} is before --from {asked.first}: change them over?")
    if faults:
        raise RecallError("\n".join(faults))


def _named(asked: Recalling, outcome: Register) -> dict[str, str]:
    """Return kind, value and, of several of the same name, within what; RecallError if unclear."""
    kind, colon, value = asked.what.partition(":")
    kind, value = folded(kind), value.strip()
    if not colon or not value or kind not in get_args(Kind):
        raise RecallError(f"{asked.what!r} is not KIND:VALUE; kinds: {', '.join(get_args(Kind))}")
    names, parts = _values(kind, outcome), value.split("/")
    for n in range(len(parts)):  # a name may hold the mark that parts it from another
        within, inner = "/".join(parts[:n]).strip(), "/".join(parts[n:]).strip()
        if any(_same(kind, inner, each) for each in names):
            return {"kind": kind, "value": inner, "within": within}
    raise RecallError(f"{nowhere(kind, value, outcome)}: nothing is recalled")


def _dossiers(new: Recall, outcome: Register) -> Iterator[str]:
    """Yield SHA-256 of each dossier that a recall names, itself or to tell a record by."""
    value = new.value if new.kind == "dossier" else new.within
    yield from sorted(e.sha256 for e in outcome.rows if _same("dossier", value, e.name))


def _tables(new: Recall, outcome: Register) -> Iterator[str]:
    """Yield the digest of each table that a recalled record of the register was read from."""
    found: set[str] = set()
    for row in outcome.rows:
        rests = outcome.rests.get(row.sha256, ())
        records = new.called(row.number, row.revision, rests)
        found |= {e.value for e in rests if e.kind == "table" and not records.isdisjoint(e.records)}
    yield from sorted(found)


def _same(kind: str, value: str, name: str) -> bool:
    return Rest(kind, name, ()).called(kind, value)


def _values(kind: str, outcome: Register) -> list[str]:
    """Return everything of a kind that dossiers of the register rest on."""
    found = [row.name for row in outcome.rows] if kind == "dossier" else []
    found += [e.value for rests in outcome.rests.values() for e in rests if e.kind == kind]
    return list(dict.fromkeys(found))


def nowhere(kind: str, value: str, outcome: Register) -> str:
    """Return that no dossier rests on this, and what may be meant; empty where one does."""
    names = _values(kind, outcome)
    if any(_same(kind, value, each) for each in names):
        return ""
    by_form = {folded(each): each for each in names}
    near = difflib.get_close_matches(folded(value), list(by_form), n=3, cutoff=0.5)
    meant = ", ".join(f"{kind}:{by_form[each]}" for each in near)
    hint = f"did you mean {meant}?" if near else "'dossier register FOLDER --json' lists them"
    return f"no dossier of this folder rests on {kind}:{value} ({hint})"


def _alike(new: Recall, outcome: Register) -> Iterator[str]:
    """Yield names that a reader may take for the one recalled, with the dossiers that have them."""
    seeming = (
        (each.value, row.name)
        for row in outcome.rows
        for each in outcome.rests.get(row.sha256, ())
        if each.kind == new.kind and not each.called(new.kind, new.value)
        if bare(each.value) == bare(new.value)
    )
    for value, names in sorted(grouped((*_same_house(new, outcome), *seeming)).items()):
        yield f"{new.kind}:{value} ({', '.join(sorted(names))})"


def _same_house(new: Recall, outcome: Register) -> Iterator[tuple[str, str]]:
    """Yield further names of the laboratory that is recalled, or of which a thing is.

    Each is with a dossier that has it and does not call the laboratory as the recall does.
    """
    house = new.value if new.kind == "laboratory" else new.within
    every = {
        row.name: [e for e in rests if e.kind == "laboratory"]
        for row in outcome.rows
        if (rests := outcome.rests.get(row.sha256, ()))
        and (new.kind == "laboratory" or any(each.called(new.kind, new.value) for each in rests))
    }
    named = {name: [e for e in own if e.called("laboratory", house)] for name, own in every.items()}
    also = {
        folded(each.value)
        for name, own in every.items()
        for each in own
        if any({*each.records} & {*one.records} for one in named[name])
    }
    thing = "" if new.kind == "laboratory" else f"/{new.value}"
    for name, own in every.items():
        for each in () if named[name] else own:
            if each.records and folded(each.value) in also:
                yield f"{each.value}{thing}", name


def _lifted(new: Recall, recalls: Recalls) -> tuple[int, ...]:
    """Return the numbers of the recalls that one ends; RecallError where there is none."""
    named = [each for each in recalls.active if _what(each)[:3] == _what(new)[:3]]
    days = new.first, new.until
    same = tuple(e.number for e in named if days in ((None, None), (e.first, e.until)))
    if not same:
        held = "; ".join(f"recall {e.number}: {e.what}{_span(e)}" for e in recalls.active)
        what = f"{new.what}{_span(new)} is not recalled: nothing to lift"
        raise RecallError(f"{what}. On file: {held or 'no recall'}")
    return same


def _what(each: Recall) -> tuple[object, ...]:
    return each.kind, folded(each.value), folded(each.within), each.first, each.until


def _span(each: Recall) -> str:
    first = f" from {each.first}" if each.first else ""
    return f"{first} until {each.until}" if each.until else first


def _touched(ways: Sequence[Recall], row: Row, outcome: Register) -> bool:
    rests = outcome.rests.get(row.sha256, ())
    return any(each.names(row.number, row.revision, rests) for each in ways)


def _all_told(
    folder: Path,
    rows: Sequence[Row],
    outcome: Register,
    after: Recalls,
    asked: Recalling,
    jobs: int,
) -> Iterator[Told]:
    """Yield what becomes of each dossier; those that approve something are decided again."""
    new = after.given[-1]
    if not rows:
        raise RecallError(_empty(new, outcome))
    if not new.lifts:
        _one_thing(new, rows, outcome)
    work = []
    for row in rows:
        found = after.recalled(row.sha256, row.number, row.revision, outcome.rests[row.sha256])
        records = tuple(sorted(found.because)) if found else ()
        work.append((folder, row, records, asked))
    yield from mapped(_decided, work, jobs)


def _empty(new: Recall, outcome: Register) -> str:
    """Return why nothing is recalled by what has a name that is known."""
    used = [e for rests in outcome.rests.values() for e in rests if e.called(new.kind, new.value)]
    days = sorted({day for e in used for day in (e.first, e.last) if day})
    if not any(each.records for each in used):
        return f"{new.what} is named, but no record was made with it: nothing is recalled"
    where = f" of {new.within}" if new.within else ""
    when = f"; it was used on days from {days[0]} to {days[-1]}" if days else ""
    return f"no record rests on {new.typed}{where}{_span(new)}: nothing is recalled{when}"


BY_LABORATORY, BY_DOSSIER = ("instrument", "laboratory", "fluid"), ("record", "specimen")
"""Names that one laboratory, or one dossier, gives: another may have given the same.  A certificate
is found by the beginning of its number: another may begin alike."""


def _one_thing(new: Recall, rows: Sequence[Row], outcome: Register) -> None:
    """Raise RecallError where two laboratories, or two dossiers, have a thing of that name."""
    if new.within:
        return
    found: dict[str, None] = {}
    for row in rows:
        rests = outcome.rests[row.sha256]
        records = new.called(row.number, row.revision, rests)
        if new.kind in BY_DOSSIER and records:
            found[f"{row.number}/{new.value}"] = None
        elif new.kind in BY_LABORATORY:
            for each in records:
                own = [e.value for e in rests if e.kind == "laboratory" and each in e.records]
                house = max(own, key=len, default="a laboratory that is not named")
                found[f"{house}/{new.value}"] = None
        elif new.kind == "certificate":
            named = (e.value for e in rests if e.called(new.kind, new.value) and e.records)
            found |= dict.fromkeys(named)
    if len(found) > 1:
        ways = ", ".join(f"{new.kind}:{name}" for name in found)
        raise RecallError(f"{new.what} names more than one thing: nothing is recalled; say {ways}")


def _decided(work: tuple[Path, Row, tuple[str, ...], Recalling]) -> Told:
    """Return what becomes of one dossier without records; every error is an outcome."""
    folder, row, records, asked = work
    stands = row.standing in (SIGNED_OFF, RECALLED) and row.current and not row.conflict
    if not stands or row.found not in APPROVES or (asked.trusted and row.unproven):
        fitted = "" if row.current or row.found not in APPROVES else FITTED
        why = f"{row.unproven or row.decision}{fitted}"
        return Told(row=row, records=(), outcome=NO_APPROVAL, why=why)
    if not records:
        return Told(row=row, records=(), outcome=AGAIN, why="nothing of it is recalled any more")
    path = folder / row.file
    try:
        limits = FAMILIAR if asked.trusted else stranger(path.stat().st_size)
        left = confined(lambda: _left(path, row, records, asked), limits)
    except (NotADossierError, StoppedError, OSError) as error:
        left = Without(why_not=f"{error}"[:300])
    except Exception as error:  # noqa: BLE001  what is attached may come from anyone
        left = Without(why_not=f"{type(error).__name__}: {error}"[:300])
    word, why = _judged(records, left)
    return Told(row=row, records=records, outcome=word, why=why, until=left.until, left=left)


def _left(path: Path, row: Row, records: Sequence[str], asked: Recalling) -> Without:
    dossier = read_dossier(path)
    if dossier.sha256 != row.sha256:
        return Without(why_not="the file was changed while it was read")
    return without_records(dossier, set(records) - {WHOLE}, asked.reason, asked.day)


def _judged(records: Sequence[str], left: Without) -> tuple[Word, str]:
    if WHOLE in records:
        return FALLS, "it is recalled as a whole"
    if left.why_not:
        return UNKNOWN, left.why_not
    if left.decision not in APPROVES:
        lost = grouped((now, name) for name, _, now, _ in left.verdicts)
        whats = "; ".join(f"{word}: {', '.join(names)}" for word, names in lost.items())
        return FALLS, one_line(f"{left.decision} ({whats})")
    if left.conditions:
        return CONDITIONAL, "; ".join(left.conditions)[:2000]
    return STANDS, "decided again from its attachments"


def _outcomes(told: Sequence[Told]) -> Iterator[RecallOutcome]:
    for each in told:
        if each.outcome in get_args(Word):
            row = {"dossier": each.row.name, "sha256": each.row.sha256}
            said = {key: getattr(each, key) for key in ("records", "outcome", "why", "until")}
            yield RecallOutcome.model_validate(row | said)


def _before(new: Recall, recalls: Recalls) -> int:
    """Return the number of an active recall that says the same with the same outcomes, or 0."""
    alike = (e for e in recalls.active if _what(e) == _what(new) and {*new.tables} <= {*e.tables})
    same = (e for e in alike if e.outcomes == new.outcomes)
    return next((each.number for each in same if not new.lifts), 0)
