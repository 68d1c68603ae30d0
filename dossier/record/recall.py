"""Recalls on file: evidence that turned out wrong afterwards, and what it does to decisions.

A recall is a small file beside the dossiers that is never changed: a later one lifts it.  Which
records it names is found in what a dossier rests on, so that one that comes later is seen too.
"""

import hashlib
import os
import re
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dossier.case.attached import read_regular
from dossier.case.fields import Digest
from dossier.decision.conditions import APPROVES, expired, over
from dossier.record.document import Text
from dossier.record.dossier_file import DossierFile, read_dossier
from dossier.record.rests import Rest, folded, rests_on

Word = Literal["falls", "stands without it", "stands conditionally", "cannot be decided again"]
FALLS, STANDS, CONDITIONAL, UNKNOWN = get_args(Word)
Kind = Literal[
    "instrument", "certificate", "laboratory", "lot", "specimen", "fluid", "record", "dossier"
]
"""What can be recalled; the last is an approval as a whole."""
WHOLE = "the whole dossier"
FILE = "recall-{number:04d}.json"
REGISTER = "dossier-register.sqlite"
"""The register beside them, which binds them."""
RESTORE = "restore it"
NOT_OURS = (
    "lifts what was recalled, and no register here shows that 'dossier recall' wrote it: remove it"
)
_NAME = re.compile(r"recall-\d{4,8}\.json")
MAX_RECALL = 64 * 2**20


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class RecallOutcome(_Form):
    """What became of one approval without the records that were recalled by then."""

    dossier: Text
    sha256: Digest
    records: tuple[Text, ...]
    """All that were left out, of every recall that was not lifted."""
    outcome: Word
    why: Text
    until: date | None = None
    """Last day on which it holds now."""


class Recall(_Form):
    """One recall, or the end of some."""

    schema_: Literal["dossier recall 1.0", "dossier recall 1.1"] = Field(
        alias="schema", default="dossier recall 1.1"
    )
    number: Annotated[int, Field(ge=1, le=99_999_999, strict=True)]
    kind: Kind
    value: Annotated[Text, Field(min_length=1)]
    within: Text = ""
    """Laboratory or dossier number by which it is told from another of the same name."""
    dossiers: tuple[Digest, ...] = ()
    """SHA-256 of the dossiers that `value` or `within` names: what is carried from them counts."""
    tables: tuple[Digest, ...] = ()
    """What the recalled records of the register were read from: elsewhere it may have any name."""
    first: date | None = None
    """Day of measurement from which it is recalled; None from the beginning."""
    until: date | None = None
    """Last such day; None without end."""
    reason: Text
    day: date
    lifts: tuple[int, ...] = ()
    """Numbers of earlier recalls that hold no more: then it recalls nothing itself."""
    outcomes: tuple[RecallOutcome, ...] = ()

    @property
    def what(self) -> str:
        """Return what is recalled as it is typed."""
        return f"{self.kind}:{self.within}/{self.value}" if self.within else self.typed

    @property
    def told(self) -> str:
        """Return what is recalled in words."""
        return f"{self.kind} {self.value}{f' of {self.within}' if self.within else ''}"

    @property
    def typed(self) -> str:
        """Return kind and value alone."""
        return f"{self.kind}:{self.value}"

    def names(self, number: str, revision: int, rests: Sequence[Rest]) -> frozenset[str]:
        """Return the records of a dossier that it recalls; `WHOLE` where it is recalled itself."""
        same = (e.records for e in rests if e.kind == "table" and e.value in self.tables)
        return self.called(number, revision, rests).union(*same)

    def called(self, number: str, revision: int, rests: Sequence[Rest]) -> frozenset[str]:
        """Return those of `names` that it recalls by what they are called, or made with."""
        named = self.value if self.kind == "dossier" else self.within
        ends = [e for e in rests if e.kind == "carried" and e.value in self.dossiers]
        through = [*ends, *(e for e in rests if e.called("dossier", named))]
        carried = {name for each in through for name in each.records}
        if self.kind == "dossier":
            own = Rest("dossier", f"{number} r{revision}", ()).called("dossier", self.value)
            return frozenset((WHOLE,) if own else carried)
        used = {name for e in rests if e.called(self.kind, self.value) for name in e.records}
        if self.within and folded(self.within) != folded(number):
            there = {n for e in rests if e.called("laboratory", self.within) for n in e.records}
            used &= there | carried
        return frozenset(
            e.value
            for e in rests
            if used and e.kind == "record" and e.value in used and self._in_span(e)
        )

    def _in_span(self, record: Rest) -> bool:
        """Return whether a record was measured in the span, or may have been."""
        if not record.first:
            return True
        early = self.first is not None and date.fromisoformat(record.last) < self.first
        late = self.until is not None and date.fromisoformat(record.first) > self.until
        return not (early or late)


@dataclass(frozen=True, slots=True)
class Recalled:
    """What is recalled of one dossier."""

    because: Mapping[str, str]
    """Record -> number and object of the recall that names it, in words."""
    outcome: RecallOutcome | None
    """What was decided without all of them; None where that was not done yet."""

    def leaves(self, decision: str) -> tuple[str, date | None]:
        """Return what is left of an approval, and until when; nothing where it falls or is open."""
        now = self.outcome
        if now is None or now.outcome not in (STANDS, CONDITIONAL):
            return "", None
        return APPROVES[1].value if now.outcome == CONDITIONAL else decision, now.until

    def reads(self, decision: str, today: date | None) -> str:
        """Return how what is left of an approval reads on a day; empty where nothing is."""
        left, until = self.leaves(decision)
        return expired(left) if left and over(left, until, today) else left

    @property
    def why(self) -> str:
        """Return which recalls name something of it."""
        return "; ".join(dict.fromkeys(self.because.values()))

    @property
    def text(self) -> str:
        """Return the state in a sentence."""
        if self.outcome is None:
            waits = "not decided again since ('dossier recall' does)"
            return f"{self.why}: {', '.join(sorted(self.because))}; {waits}"
        return f"{self.why}: {self.outcome.outcome}: {self.outcome.why}"


@dataclass(frozen=True)
class Recalls:
    """The recalls of a folder, in their order, and those of other folders that count there too."""

    given: tuple[Recall, ...] = ()
    files: Mapping[str, int] = field(default_factory=dict)
    """SHA-256 of each file -> the number of its recall."""
    faults: Mapping[str, str] = field(default_factory=dict)
    """Files that have the name of a recall and are none that can be read -> why."""
    others: tuple["Recalls", ...] = ()
    """Those of the folders `around` it, each with numbers of its own."""

    @cached_property
    def active(self) -> tuple[Recall, ...]:
        """Return those of the folder itself that no later one lifts."""
        lifted = {old for each in self.given for old in each.lifts if old < each.number}
        return tuple(e for e in self.given if not e.lifts and e.number not in lifted)

    @cached_property
    def counting(self) -> tuple[Recall, ...]:
        """Return those that count in the folder, wherever they lie."""
        return (*self.active, *(each for other in self.others for each in other.active))

    @cached_property
    def _outcomes(self) -> dict[str, RecallOutcome]:
        return {o.sha256: o for each in self.given for o in each.outcomes}

    def recalled(
        self, sha256: str, number: str, revision: int, rests: Sequence[Rest]
    ) -> Recalled | None:
        """Return what is recalled of a dossier; None where nothing is."""
        because: dict[str, str] = {}
        for each in self.counting:
            told, of = f"recall {each.number} ({each.told}", (number, revision, rests)
            because |= dict.fromkeys(each.names(*of), f"{told}: the same table)")
            because |= dict.fromkeys(each.called(*of), f"{told})")
        if not because:
            return None
        last = (each._outcomes.get(sha256) for each in (self, *self.others))
        fits = (each for each in last if each is not None and set(each.records) == set(because))
        return Recalled(because, next(fits, None))

    def given_back(self, number: str, revision: int, rests: Sequence[Rest]) -> str:
        """Return which recalls named something of a dossier and hold no more, and why."""
        told = (
            f"recall {old.number} ({old.told}) was lifted on {lift.day}: {lift.reason}"
            for each in (self, *self.others)
            for lift in each.given
            for old in each.given
            if old.number in lift.lifts and old.names(number, revision, rests)
        )
        return "; ".join(told)

    def of(self, dossier: DossierFile) -> Recalled | None:
        """Return what is recalled of a dossier that was read; None where nothing is."""
        head = dossier.decision.case
        return self.recalled(dossier.sha256, head.number, head.revision, rests_on(dossier))


def recalled_in(pdf: Path, recalls: Recalls | None) -> Recalled | None:
    """Return what is recalled of the dossier in a PDF; None where nothing is."""
    return recalls.of(read_dossier(pdf)) if recalls and recalls.counting else None


def recalls_in(folder: Path, written: Container[str] = ()) -> Recalls:
    """Return the recalls that lie in a folder of dossiers.

    What takes away is believed from anyone; what gives back, a lift or an outcome, of those alone
    that a register shows a run of 'dossier recall' to have `written`, by the SHA-256 of the file.
    """
    given: list[Recall] = []
    files: dict[str, int] = {}
    faults: dict[str, str] = {}
    for path in sorted(path for path in folder.iterdir() if _NAME.fullmatch(path.name)):
        try:
            content = read_regular(path, MAX_RECALL)
            recall = Recall.model_validate_json(content)
            if path.name != FILE.format(number=recall.number):
                raise ValueError(f"it says that it is number {recall.number}")
            files[digest := hashlib.sha256(content).hexdigest()] = recall.number
            if digest not in written:
                recall = recall.model_copy(update={"outcomes": ()})
                if recall.lifts:
                    raise ValueError(NOT_OURS)
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            told = f"{'.'.join(map(str, first['loc']))[:80]}: {first['msg']}"
            faults[path.name] = f"{told}: {RESTORE}"
        except (OSError, ValueError) as error:
            told = str(error)[:200]
            faults[path.name] = told if told == NOT_OURS else f"{told}: {RESTORE}"
        else:
            given.append(recall)
    return Recalls(tuple(sorted(given, key=lambda each: each.number)), files, faults)


def around(folder: Path) -> list[Path]:
    """Return the folders with a register above one, of which it is of all dossiers, and below it.

    Hidden ones are left out.
    """
    above = (*folder.resolve().parents, *folder.absolute().parents)  # by links, and as it is named
    found = [p for p in {e.resolve(): e for e in above} if os.path.lexists(p / REGISTER)]
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        if REGISTER in files and Path(place) != folder:
            found.append(Path(place))
    return found


def recalls_around(folder: Path, read: Callable[[Path], Recalls] = recalls_in) -> Recalls:
    """Return the recalls of a folder, if there is one, with those of the folders around it."""
    own = read(folder) if folder.is_dir() else Recalls()
    return with_others(own, {each: read(each) for each in around(folder)})


def with_others(own: Recalls, others: Mapping[Path, Recalls]) -> Recalls:
    """Return recalls with those of other folders; what of these cannot be read is told by path."""
    lost = {str(path / file): why for path, e in others.items() for file, why in e.faults.items()}
    return replace(own, others=tuple(others.values()), faults={**own.faults, **lost})
