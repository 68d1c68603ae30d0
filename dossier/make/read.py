"""Read a case whole; evidence of another dossier counts only where that is proven from its PDF.

To prove it, its own case is read out of it, in the same way, and decided again.
"""

import json
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path

from dossier.case.agreed import SIGNOFF_FILE
from dossier.case.applied import placed
from dossier.case.attached import NotADossierError, open_pdf
from dossier.case.case import Case
from dossier.case.compared import Source
from dossier.case.model import Qualification
from dossier.case.problems import CaseError, CaseProblem, refusal, refuse
from dossier.case.repeated import HINT, repeated
from dossier.case.requested import REQUEST_FILE
from dossier.case.seen import says_something
from dossier.decision.finding import Assessment
from dossier.evidence.records.instruments import instrument_problems
from dossier.evidence.reopened import reopened_problems, still_standing
from dossier.evidence.requirement import resolve
from dossier.evidence.statistics.between import reproducibility_problems
from dossier.evidence.validity.method import edition_problems
from dossier.evidence.validity.rules import deviation_problems
from dossier.make.decide import assess, decision_json, differences, issue_date, kinds_moved, limits
from dossier.record.dossier_file import DECISION, DossierFile, dossier_in, name_problems, unpack
from dossier.record.recall import WHOLE, Recalls
from dossier.report.house.house import ATTACHED, digest_of, own_files, read_house

UNSEALED, MOVED, REWORDED = "unsealed", "moved", "reworded"
"""What does not stop evidence, and is a condition."""


def read_case(
    folder: Path | str, house: Path | str | None = None, on: date | None = None,
    recalls: Recalls | None = None,
) -> Case:  # fmt: skip
    """Return the case in `folder`, validated; CaseError lists every problem of it.

    The pages of what it carries are built again and compared, which takes as long as a build.
    `house` is a folder of a house, before the one that the case names: its digest is part of what
    people sign.  `on` is the day it is, after which nobody can have signed; not looked at if not
    given.  `recalls` are as of `case_in`.
    """
    from dossier.make.recompute import page_problems

    case = case_in(folder, on, recalls)
    refuse(page_problems(case))
    own = house_of(folder, case.qualification, house)
    return case if own is None else replace(case, house=read_house(own).digest)


def case_in(folder: Path | str, on: date | None = None, recalls: Recalls | None = None) -> Case:
    """Return the case in `folder` without looking for the house that it may name, or at pages.

    `recalls` are those on file: evidence that they name is not carried over.
    """
    from dossier.case.read import read_case_files

    lost = recalls.faults.items() if recalls else ()
    hint = "what is recalled is not known until then"
    refuse(CaseProblem(file, "", f"cannot be read: {why}", hint) for file, why in lost)
    try:
        case = read_case_files(Path(folder))
    except CaseError as error:
        raise CaseError([*error.problems, *_requirement_problems(Path(folder))]) from None
    problems = [*name_problems(file.name for file in case.inputs)]
    for part in case.each:
        _, found = resolve(part.application, part.qualification.application)
        problems += [placed(problem, part.libraries) for problem in found]
    problems += [*instrument_problems(case), *reproducibility_problems(case, limits())]
    problems += deviation_problems(case.qualification, limits())
    problems += edition_problems(case, limits())
    problems += [*_ahead(case, on), *_unsaid(case, on), *_never(case)]
    for source in case.carried:
        problems += proof_problems(case, source, recalls)
    for part in case.each:
        problems += reopened_problems(part, limits())
        if part.on_file is not None:
            problems += resolve(part.on_file.application, REQUEST_FILE)[1]
    refuse(dict.fromkeys(problems))
    carried = tuple(replace(each, doubts=doubts(each)) for each in case.carried)
    whole, *parts = (
        still_standing(replace(each, carried=carried), limits()) for each in (case, *case.parts)
    )
    return replace(whole, parts=tuple(parts))


def _never(case: Case) -> Iterator[CaseProblem]:
    """Yield each end of an approval that is so far ahead that it is none."""
    qualification, years = case.qualification, limits().plausible["years_to_end"]
    ends = [("review_due", qualification.review_due, "give the day of the next review")]
    for kind in ("concession", "carried"):
        for number, entry in enumerate(getattr(qualification, kind), 1):
            hint = "give the day it ends on"
            ends.append((f"{kind} number {number} . until", entry.until, hint))
    issued = issue_date(case)
    for place, end, hint in ends:
        if end is not None and (end - issued).days > 365.25 * years:
            what = f"is {end}, more than {years:g} years after {issued}"
            yield CaseProblem("case.toml", place, what, hint)


def _ahead(case: Case, on: date | None) -> Iterator[CaseProblem]:
    """Yield what is dated after the day it is."""
    qualification = case.qualification
    days = [(SIGNOFF_FILE, e.role, e.date, "remove this entry and sign again") for e in case.signed]
    hint = "give the day of the test"
    for e in qualification.record:
        days.append(("case.toml", f"record {e.id!r}", e.finished or e.tested, hint))
    if qualification.issued is not None:
        hint = "leave it out until then, or give today's"
        days.append(("case.toml", "issued", qualification.issued, hint))
    for file, place, day, hint in days:
        if on is not None and day > on:
            yield CaseProblem(file, place, f"is dated {day}, a day that has not come", hint)


def _unsaid(case: Case, on: date | None) -> Iterator[CaseProblem]:
    """Yield that nothing says what changed, not asked of a dossier made before, or twice."""
    said = case.qualification
    if said.change and said.changes.strip():
        hint = "say it once: as text of [change]"
        yield CaseProblem("case.toml", "changes", "stands beside [change]", hint)
    before = said.replaces.strip() or f"revision {said.revision - 1}"
    later = said.revision > 0 or said.replaces.strip()
    if on is not None and later and not says_something(said.changed):
        what = f"does not say what changed since {before[:60]}, and why"
        hint = "write changes = '...', a sentence on what is different and why"
        yield CaseProblem("case.toml", "changes", what, hint)


def _requirement_problems(folder: Path) -> list[CaseProblem]:
    """Return the problems of the requirements of a case that has others, if they can be read."""
    from pydantic import ValidationError

    from dossier.case.application import Application
    from dossier.case.attached import NotReadError, read_regular
    from dossier.case.toml_text import MAX_TOML, parse_toml

    path = folder / "application.toml"
    try:
        application = Application.model_validate(parse_toml(read_regular(path, MAX_TOML)))
    except (OSError, NotReadError, ValueError, ValidationError, RecursionError):
        return []
    return resolve(application, "application.toml")[1]


def house_of(
    folder: Path | str, qualification: Qualification, given: Path | str | None = None
) -> Path | None:
    """Return the folder of the house: as given, else the one that the case names.

    Raises CaseError where the case names one outside the inputs.
    """
    if given is not None or qualification.house is None:
        return None if given is None else Path(given)
    here = Path(folder).resolve()
    named, root = here / qualification.house, here.parent
    if not named.resolve().is_relative_to(root):
        what = f"{qualification.house!r} leads out of the inputs folder"
        hint = "copy the house's folder into the inputs, or give it by --house"
        raise refusal("case.toml", "house", what, hint)
    return named.resolve()


def proof_problems(case: Case, source: Source, recalls: Recalls | None) -> Iterator[CaseProblem]:
    """Yield why evidence of a dossier does not count, and records of it that are said to be new."""
    yield from source_problems(source, recalls)
    before = _proved(source.content)[2]
    if before is not None:
        yield from _again(case, source, before)


def source_problems(source: Source, recalls: Recalls | None = None) -> Iterator[CaseProblem]:
    """Yield why evidence of a dossier does not count, whatever case carries it over."""
    why = _proved(source.content)[0]
    hint = "carry evidence from the PDF as it was signed off, or test anew"
    recalled = "" if why or recalls is None else _recalled(source, recalls)
    if recalled:
        why, hint = f"was recalled: {recalled}", "test anew what rests on it"
    if why:
        what = f"{source.name} in {source.file} {why}"
        yield CaseProblem("case.toml", "carried . dossier", what, hint)


def _recalled(source: Source, recalls: Recalls) -> str:
    """Return which recalls name the dossier, or a record that is carried from it; else nothing."""
    found = recalls.of(dossier_in(open_pdf(source.content)))
    because = found.because if found else {}
    return "; ".join(sorted({because[n] for n in (*source.records, WHOLE) if n in because}))


def _again(case: Case, source: Source, before: Case) -> Iterator[CaseProblem]:
    """Yield records of the case that hold what the dossier before had tested already."""
    own = [record for record in case.records if case.source(record.id) is None]
    known = {file.sha256: file.name for file in before.inputs}
    files = {file.name: file.sha256 for file in case.inputs}
    found = {problem.file: problem for problem in repeated([*before.records, *own])}
    for record in own:
        same = known.get(files.get(record.file, ""))
        if same is not None:
            what = f"holds the same bytes as {same} of {source.name}: nothing was tested anew"
            yield CaseProblem(record.file, "", what, HINT)
        elif again := found.get(record.place):
            yield replace(again, what=f"{again.what} of {source.name}")
    for earlier in before.carried:  # what was not carried on is no newer for that
        older = _proved(earlier.content)[2]
        if older is not None:
            yield from _again(case, earlier, older)


def doubts(source: Source) -> tuple[str, ...]:
    """Return what is not proven of a dossier whose evidence counts: codes above."""
    return _proved(source.content)[1]


@lru_cache(4)
def _proved(content: bytes) -> tuple[str, tuple[str, ...], Case | None]:
    """Return why a dossier does not hold, empty where it does, what is in doubt, and its case.

    It is intact, its seals hold, it is signed off in full, no test identity sealed it, and decided
    again from what is attached it says the same.  Whose its seals are is for `verify`, which asks
    it of every dossier that evidence was carried through.
    """
    from dossier.evidence.statistics.combine import DRAWS, with_trials
    from dossier.record.standing import SIGNED_OFF, seals_of, standing_of

    try:
        dossier = dossier_in(open_pdf(content))
        sealed = seals_of(dossier)
        standing = standing_of(dossier, sealed)
        if standing.word != SIGNED_OFF:
            return f"is {standing.word}: {standing.remark or 'nobody signed it off'}", (), None
        if sealed.test:
            return "is sealed by test identities, which prove nothing", (), None
        with with_trials(DRAWS):  # whoever asks with fewer draws
            again = decided_again(dossier)
    except NotADossierError as error:
        return f"is no dossier that can be read: {error}", (), None
    except Exception as error:  # noqa: BLE001  what is attached may come from anyone
        return f"cannot be decided again: {type(error).__name__}: {error}"[:300], (), None
    if again.why_not:
        return f"cannot be decided again from what is attached: {again.why_not}", (), None
    if again.same_version and not again.identical:
        told = "; ".join(again.moved) or "its form"
        return f"is not what its attachments give: decided again, {told[:200]} differs", (), None
    words_alone = kinds_moved(again.moved) <= {"cautions", "sentences", "sign-offs"}
    moved = [REWORDED if words_alone else MOVED] if again.moved else []
    return "", tuple([UNSEALED] * (not sealed.seals) + moved), again.case


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """What came out when the attached raw data were decided again."""

    case: Case | None = field(default=None, repr=False)
    assessment: Assessment | None = field(default=None, repr=False)
    why_not: str = ""
    """Why it could not be decided again; empty where it was."""
    made_with: Mapping[str, str] = field(default_factory=dict)
    here: Mapping[str, str] = field(default_factory=dict)
    """Versions of the program and its libraries, then and now."""
    identical: bool = False
    """Whether decision.json came out byte by byte."""
    moved: tuple[str, ...] = ()
    """What differs in it, versions aside."""
    pages: str = "not rebuilt"
    """"identical", "different", "made with" other versions, or why they were not rebuilt."""
    words: str = ""
    """Where pages are not identical, on which of them the words differ."""
    house: str = ""
    """Folder of the house whose words the pages carry; empty without one."""
    house_digest: str = ""
    """SHA-256 over the attached files of that house."""

    @property
    def same_version(self) -> bool:
        """Return whether the program and its numerical libraries are those of the dossier."""
        return bool(self.made_with) and dict(self.made_with) == dict(self.here)


def decided_again(dossier: DossierFile, *, pages: bool = False) -> Recomputed:
    """Return what the attached inputs lead to with this version, and whether it is the same.

    With `pages`, what only these show is computed too.
    """
    with tempfile.TemporaryDirectory(prefix="dossier-") as folder:
        unpack(_inputs(dossier), Path(folder, "inputs"))
        try:
            return _decided(dossier, Path(folder, "inputs", dossier.case_name), pages=pages)
        except CaseError as error:
            first = error.problems[0]
            return Recomputed(why_not=f"{first.file}: {first.place}: {first.what}")


def _decided(dossier: DossierFile, folder: Path, *, pages: bool) -> Recomputed:
    from dossier.record.program import versions

    house = dossier.manifest.house
    digest = digest_of(own_files(dossier.files)) if house else ""
    case = replace(case_in(folder), house=digest)
    assessment = assess(case, dossier.issued, pages=pages)
    fresh = decision_json(case, assessment, dossier.issued, dossier.reads_on)
    return Recomputed(
        case=case,
        assessment=assessment,
        identical=fresh == dossier.files[DECISION],
        made_with=dossier.decision.versions,
        here=versions(),
        moved=differences(dossier.document, json.loads(fresh)),
        house=house,
        house_digest=digest,
    )


def _inputs(dossier: DossierFile) -> dict[str, bytes]:
    """Return the attachments without the templates of a house, if the manifest names one."""
    if not dossier.manifest.house:
        return dict(dossier.files)
    return {n: each for n, each in dossier.files.items() if not n.startswith(ATTACHED)}
