"""From several case folders to one choice: read, refuse what cannot stand side by side, write."""

import hashlib
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dossier.case.application import Application
from dossier.case.case import Case
from dossier.case.problems import CALL, CaseError, CaseProblem, refuse
from dossier.case.repeated import HINT
from dossier.case.requested import field_changes, said
from dossier.case.seen import plain
from dossier.decision.choice import Candidate, Difference, set_beside
from dossier.evidence.requirement import resolve
from dossier.make.decide import assess, issue_date, limits, undrawn
from dossier.make.read import read_case
from dossier.record.decision_record import canonical, decision_document, ten_digits
from dossier.record.dossier_file import stem_of, write_whole
from dossier.words import speaking
from dossier.words.catalogue import ENGLISH

if TYPE_CHECKING:
    from dossier.record.recall import Recalls
    from dossier.report.pages.choice_page import Choice

MOST = 4
"""Candidates for which two pages have room."""
SHOWN = 4
"""Fields that two applications differ in which are told; the others are counted."""
FREE = ("revision", "issued", "owner", "notes", "extends")
"""Fields of an application that say who asks and since when, and not what is asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What was written, and what it says."""

    pdf: Path
    json: Path
    choice: "Choice"


def write_choice(
    folders: Sequence[Path], out: Path, on: date | None = None, recalls: "Recalls | None" = None
) -> Chosen:
    """Write `<out>/choice-<dossiers>.pdf` and `.json` on the cases in `folders`, in their order.

    `on` is the day it is; nobody chooses by evidence that `recalls` name.  Raises CaseError with
    everything that is wrong with the call, with each case, and with their standing side by side.
    """
    from dossier.report.pages.choice_page import choice_pdf

    cases = _read(folders, on, recalls)
    choice = _choice(cases, on)
    refuse(_recalled(choice, recalls))
    document = canonical(_document(choice))
    with speaking(_language(cases)):
        pdf = choice_pdf(choice, document, max(map(issue_date, cases)))
    stem = f"choice-{'-'.join(each.label for each in choice.candidates)}"
    out.mkdir(parents=True, exist_ok=True)
    for suffix, content in (("pdf", pdf), ("json", document)):
        write_whole(out / f"{stem}.{suffix}", content)
    return Chosen(pdf=out / f"{stem}.pdf", json=out / f"{stem}.json", choice=choice)


def _recalled(choice: "Choice", recalls: "Recalls | None") -> Iterator[CaseProblem]:
    """Yield which records of a candidate are recalled."""
    for each, document in zip(choice.candidates, choice.decisions, strict=True):
        found = recalls and recalls.of(undrawn(each.case, canonical(document)))
        if found:
            what = f"rests on what is recalled: {', '.join(sorted(found.because))}: {found.why}"
            hint = "leave it out by a deviation, or test it anew"
            yield CaseProblem(f"{each.case.name}/case.toml", "record", what, hint)


def _read(folders: Sequence[Path], on: date | None, recalls: "Recalls | None") -> list[Case]:
    """Return the cases; CaseError for every problem of each, of the call and between them."""
    problems = list(_of_the_call(folders))
    cases: list[Case] = []
    for folder in dict.fromkeys(folders):
        try:
            cases.append(read_case(folder, on=on, recalls=recalls))
        except CaseError as error:
            problems += [
                each if each.file == str(folder) else replace(each, file=f"{folder}/{each.file}")
                for each in error.problems
            ]
    for case in (each for each in cases if each.parts):
        what, hint = "asks for several applications", "make a case for the one to choose for"
        problems.append(CaseProblem(f"{case.name}/case.toml", "applications", what, hint))
    for case in cases[1:]:
        problems += _between(cases[0], case)
    for one, other in itertools.combinations(cases, 2):
        problems += _twice(one, other)
    refuse(problems)
    return cases


def _of_the_call(folders: Sequence[Path]) -> Iterator[CaseProblem]:
    if not 2 <= len(folders) <= MOST:
        what = f"{len(folders)} named"
        yield CaseProblem(CALL, "CASE", what, f"name 2 to {MOST} cases to choose between")
    places = [folder.resolve() for folder in folders]
    for folder in dict.fromkeys(each for each in folders if places.count(each.resolve()) > 1):
        yield CaseProblem(CALL, str(folder), "is named twice", "name each candidate once")


def _asked(application: Application) -> dict[str, Any]:
    """Return what an application asks, in working units, without who asks it and since when."""
    asked = application.model_dump(mode="json", exclude=set(FREE))
    del asked["decision_rule"]["agreed"]
    return asked


def _between(first: Case, case: Case) -> Iterator[CaseProblem]:
    """Yield in what a case asks for something else than the first."""
    file = f"{case.name}/{case.qualification.application}"
    changes = field_changes(_asked(first.application), _asked(case.application))
    if changes:
        told = "; ".join(map(said, changes[:SHOWN]))
        more = f"; and {len(changes) - SHOWN} more" if len(changes) > SHOWN else ""
        what = f"does not ask what {first.name} asks (numbers in SI units): {told}{more}"
        hint = "candidates are chosen for one application: have both cases name the same file"
        yield CaseProblem(file, "", what, hint)
    asked = case.application.requirement
    relative = [each.id for each in asked if each.not_worse_than_reference is not None]
    fitted = [each.qualification.reference for each in (first, case)]
    names = [plain(f"{each.part_number} | {each.maker}") if each else "" for each in fitted]
    if relative and names[0] != names[1]:
        told = " and ".join(repr(each.part_number) if each else "none" for each in fitted)
        what = f"is not the filter of {first.name}: {told}; {', '.join(relative)} rest on it"
        yield CaseProblem(f"{case.name}/case.toml", "reference", what, "compare with one filter")


def _twice(one: Case, other: Case) -> Iterator[CaseProblem]:
    """Yield that two cases are of one candidate, or of one dossier."""
    file = f"{other.name}/case.toml"
    parts = [each.qualification.candidate for each in (one, other)]
    if len({(plain(each.part_number), plain(each.maker)) for each in parts}) == 1:
        what = f"is {parts[0].part_number!r}, as in {one.name}"
        yield CaseProblem(file, "candidate", what, "name each candidate once")
    known = _tables(one)
    for table, name in _tables(other).items():
        if table in known:
            what = f"holds the same bytes as {known[table]} of {one.name}"
            yield CaseProblem(name, "", what, HINT)
    if stem_of(one.qualification) == stem_of(other.qualification):
        what = f"and revision are {stem_of(one.qualification)!r}, as in {one.name}"
        yield CaseProblem(file, "number", what, "give each dossier a number of its own")


def _tables(case: Case) -> dict[tuple[object, ...], str]:
    """Return each table that the candidate's records are read from, by its bytes: its file."""
    digests = {file.name: file.sha256 for file in case.inputs}
    own = ((r.file, r.entry) for r in case.records if r.entry.filter == "candidate")
    return {
        (digests.get(file, file), e.file.partition("#")[2], *sorted(e.where.items())): file
        for file, e in own
    }


def _language(cases: Sequence[Case]) -> str:
    """Return the language of all cases, or English where they speak several."""
    spoken = {case.qualification.language for case in cases}
    return spoken.pop() if len(spoken) == 1 else ENGLISH


def _choice(cases: Sequence[Case], on: date | None) -> "Choice":
    """Return the cases decided, each by itself, and set side by side in one language."""
    from dossier.report.pages.choice_page import Choice

    decided = [assess(case, pages=False) for case in cases]
    pairs = list(zip(cases, decided, strict=True))
    language = _language(cases)
    candidates = []
    for case, found in pairs:
        alike = case.qualification.language == language
        own = found if alike else assess(case.asking(language=language), pages=False)
        candidates.append(Candidate(label=stem_of(case.qualification), case=case, assessment=own))
    with speaking(language):
        demands, _ = resolve(cases[0].application, "")
        differences = tuple(
            set_beside(own, other, demands, limits())
            for other, own in itertools.combinations(candidates, 2)
        )
    refuse(dict.fromkeys([each for pair in differences for each in pair.problems]))
    told = [decision_document(*each, issue_date(each[0]), on) for each in pairs]
    return Choice(
        candidates=tuple(candidates),
        pairs=differences,
        signoffs=tuple(state for _, state in told),
        decisions=tuple(document for document, _ in told),
        application=hashlib.sha256(canonical(_asked(cases[0].application))).hexdigest(),
        on=on,
        mixed=len({case.qualification.language for case in cases}) > 1,
    )


def _document(choice: "Choice") -> Mapping[str, Any]:
    """Return choice.json: what each case decides as its own decision.json, and the differences."""
    return {
        "schema": "dossier choice 1.0",
        "approves": False,
        "on": choice.on and choice.on.isoformat(),
        "application": choice.application,
        "candidates": choice.decisions,
        "pairs": [
            {"candidate": pair.own, "less": pair.other, "notes": pair.notes}
            | {"differences": [_row(each) for each in pair.differences]}
            for pair in choice.pairs
        ],
    }


def _row(each: Difference) -> dict[str, Any]:
    """Return one difference in the unit of its requirement; of a filtration ratio the quotient."""
    from dossier.decision.comparison import ends_of, told_apart

    demand = each.demand
    row: dict[str, Any] = {"quantity": demand.quantity.name, "at": demand.at_text}
    row["requirements"] = each.requirements
    if each.own is None or each.other is None:
        return row | {"not shown": each.why}
    times = each.own.scale == "reciprocal"
    ends = [e if times else e / demand.spread_factor for e in ends_of(each.own, each.other)]
    value, low, high = ends[0], min(ends[1:]), max(ends[1:])
    kind, unit = ("quotient", "") if times else ("difference", demand.unit)
    row |= {"kind": kind, "unit": unit, "between laboratories": each.between}
    row |= {"value": ten_digits(value), "low": ten_digits(low), "high": ten_digits(high)}
    return row | {"told apart": told_apart(each.own, each.other)}
