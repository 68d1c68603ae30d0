"""The public interface: read a case, assess it, build its dossier."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.case.agreed import SIGNOFF_FILE
from dossier.case.applied import placed
from dossier.case.case import Case
from dossier.case.model import Qualification
from dossier.case.problems import CaseError, CaseProblem, refuse
from dossier.case.requested import REQUEST_FILE
from dossier.decision.finding import Assessment
from dossier.evidence.limits import Limits, limits_from
from dossier.evidence.records.instruments import instrument_problems
from dossier.evidence.reopened import reopened_problems, still_standing
from dossier.evidence.requirement import resolve
from dossier.evidence.statistics.between import reproducibility_problems
from dossier.evidence.validity.method import edition_problems
from dossier.evidence.validity.rules import deviation_problems
from dossier.make.carried import doubts, page_problems, proof_problems
from dossier.record.dossier_file import Saved, refuse_sealed, save_files, stem_of, write_whole
from dossier.record.signoff import last_test
from dossier.report.signing import SignOff
from dossier.words import speaking

if TYPE_CHECKING:
    from dossier.record.recall import Recalls
    from dossier.report.house.house import House


@dataclass(frozen=True, slots=True)
class Built(Saved):
    """What a build wrote, or left as it was."""

    assessment: Assessment
    signoff: SignOff


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A dossier that is not yet written."""

    stem: str
    """Number and revision: the name of its files."""
    pdf: bytes = field(repr=False)
    document: bytes = field(repr=False)
    """decision.json."""
    assessment: Assessment
    signoff: SignOff


def today() -> date:
    """Return the day it is here."""
    return datetime.now(UTC).astimezone().date()


def read_case(
    folder: Path | str,
    house: Path | str | None = None,
    on: date | None = None,
    recalls: "Recalls | None" = None,
) -> Case:
    """Return the case in `folder`, validated; CaseError lists every problem of it.

    `house` is a folder of a house, before the one that the case names: its digest is part of what
    people sign.  `on` is the day it is, after which nobody can have signed; not looked at if not
    given.  `recalls` are those on file: evidence that they name is not carried over.
    """
    from dossier.report.house.house import read_house

    case = case_in(folder, on, recalls)
    own = house_of(folder, case.qualification, house)
    return case if own is None else replace(case, house=read_house(own).digest)


def case_in(folder: Path | str, on: date | None = None, recalls: "Recalls | None" = None) -> Case:
    """Return the case in `folder` without looking for the house that it may name."""
    from dossier.case.read import read_case_files

    try:
        case = read_case_files(Path(folder))
    except CaseError as error:
        raise CaseError([*error.problems, *_requirement_problems(Path(folder))]) from None
    problems = []
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
    last = max(each.finished or each.tested for each in qualification.record)
    ends = [("review_due", qualification.review_due, "give the day of the next review")]
    for kind in ("concession", "carried"):
        for number, entry in enumerate(getattr(qualification, kind), 1):
            hint = "give the day it ends on"
            ends.append((f"{kind} number {number} . until", entry.until, hint))
    issued = qualification.issued or last
    for place, end, hint in ends:
        if end is not None and (end - issued).days > 365.25 * years:
            what = f"is {end}, more than {years:g} years after {issued}"
            yield CaseProblem("case.toml", place, what, hint)


def _ahead(case: Case, on: date | None) -> Iterator[CaseProblem]:
    """Yield what is dated after the day it is."""
    qualification = case.qualification
    days = [(SIGNOFF_FILE, e.role, e.date, "remove this entry and sign again") for e in case.signed]
    days += [
        ("case.toml", f"record {e.id!r}", e.finished or e.tested, "give the day of the test")
        for e in qualification.record
    ]
    if qualification.issued is not None:
        hint = "leave it out until then, or give today's"
        days.append(("case.toml", "issued", qualification.issued, hint))
    for file, place, day, hint in days:
        if on is not None and day > on:
            yield CaseProblem(file, place, f"is dated {day}, a day that has not come", hint)


def _unsaid(case: Case, on: date | None) -> Iterator[CaseProblem]:
    """Yield that nothing says what changed, not asked of a dossier made before, or twice."""
    from dossier.case.consistency import says_something

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


@cache
def limits() -> Limits:
    """Return the limits of validity that come with the package."""
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    return limits_from(tomllib.loads(text))


def issue_date(case: Case, issued: date | None = None) -> date:
    """Return the date the dossier carries: as given, else the case's, else its last test's."""
    return issued or case.qualification.issued or last_test(case)


def assess(case: Case, issued: date | None = None, *, pages: bool = True) -> Assessment:
    """Return the findings and the decision on `case`, judged on its date of issue.

    Without `pages`, what only the pages of a dossier show is not computed.
    """
    from dossier.decision.assess import assess_case
    from dossier.decision.together import decided_together

    on = issue_date(case, issued)
    with speaking(case.qualification.language):
        problems, parts = _issue_problems(case, issued), []
        asked = [resolve(p.application, p.qualification.application, p.mark) for p in case.each]
        problems += [problem for _, found in asked for problem in found]
        refuse(problems)
        for part, (demands, _) in zip(case.each, asked, strict=True):
            parts.append(assess_case(part, demands, limits(), on, pages=pages))
        return decided_together(case, parts, on) if case.parts else parts[0]


def _issue_problems(case: Case, issued: date | None) -> list[CaseProblem]:
    """Return what does not fit another date of issue than the case itself gives."""
    from dossier.case.consistency import consistency_problems

    asked = case.qualification
    if issued is None or issued == issue_date(case):
        return []
    moved = asked.model_copy(update={"issued": issued})
    own = {part.qualification.application: part.application for part in case.each}
    return consistency_problems(case.application, moved, own)


def decision_json(
    case: Case, assessment: Assessment, issued: date | None = None, on: date | None = None
) -> bytes:
    """Return decision.json of an assessment; `on` is the day it is, the day of issue if not given.

    On a day after the last of an approval it says that the approval is over.
    """
    from dossier.record.decision_record import canonical, decision_document

    with speaking(case.qualification.language):
        return canonical(decision_document(case, assessment, issue_date(case, issued), on))


def build(
    folder: Path | str,
    out: Path | str = "out",
    issued: date | None = None,
    *,
    house: Path | str | None = None,
    replace: bool = False,
    only_stale: bool = False,
    on: date | None = None,
) -> Built:
    """Read, assess and write `<out>/<number>-r<revision>.pdf` and `.json`; return what was made.

    `house` is the folder of a house, before the one that the case names.  Both files appear whole
    or not at all; with `only_stale`, what holds to the byte what was built is not touched.  `on` is
    the day it is: an approval that is over by then says so; the day of issue if not given.  What a
    recall on file in `out` names is not carried over.  Raises CaseError for problems of the inputs
    or of the house, and, unless `replace`, where the PDF there is sealed and not left alone: its
    seals would be lost.
    """
    case = case_in(folder, on, _recalls_of(Path(out)))
    if not (replace or only_stale):
        refuse_sealed(Path(out) / f"{stem_of(case.qualification)}.pdf")
    made = make(case, issued, house=house_of(folder, case.qualification, house), on=on)
    saved = save_files(
        made.stem, made.pdf, made.document, Path(out), replace=replace, only_stale=only_stale
    )
    return Built(saved.pdf, saved.json, saved.done, made.assessment, made.signoff)


def _recalls_of(folder: Path) -> "Recalls":
    """Return the recalls on file beside dossiers; CaseError where one cannot be read."""
    from dossier.record.recall import Recalls, recalls_in

    found = recalls_in(folder) if folder.is_dir() else Recalls()
    hint = "restore it: what it recalls is not known without it"
    refuse(CaseProblem(f"{folder}/{file}", "", f"cannot be read: {why}", hint)
           for file, why in found.faults.items())  # fmt: skip
    return found


def make(
    case: Case, issued: date | None = None, *, house: Path | None = None, on: date | None = None
) -> Made:
    """Return the dossier of a case that was read, with the house in `house`; write nothing."""
    from dossier.report.house.house import read_house

    refuse(page_problems(case))

    own = read_house(house) if house is not None else None
    case = replace(case, house=own.digest if own else "")
    assessment = assess(case, issued)
    pdf, document = compose(case, assessment, issue_date(case, issued), own, on=on)
    return Made(
        stem=stem_of(case.qualification), pdf=pdf, document=document, assessment=assessment,
        signoff=sign_off(case, assessment, issued, on),
    )  # fmt: skip


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
        raise CaseError([CaseProblem("case.toml", "house", what, hint)])
    return named.resolve()


def compose(
    case: Case,
    assessment: Assessment,
    issued: date,
    house: "House | None" = None,
    libraries: Mapping[str, str] | None = None,
    on: date | None = None,
) -> tuple[bytes, bytes]:
    """Return the dossier as PDF, before any digital signature, and its decision.json.

    `house` is the one that `case` was read with; `libraries` are versions that its manifest is to
    state instead of those here; `on` is the day it is, as of `decision_json`.
    """
    from dossier.record.decision_record import canonical, manifest_of
    from dossier.report.house.house import ATTACHED
    from dossier.report.render import prepared, rendered

    if case.house != (house.digest if house else ""):
        raise ValueError("the case was read with another house")
    taken = [each.name for each in case.inputs if each.name.startswith(ATTACHED)]
    if house is not None and taken:
        what = f"the name {ATTACHED!r} is kept for the files of a house, attached under it"
        raise CaseError([CaseProblem(taken[0], "", what, "rename the folder")])
    document = decision_json(case, assessment, issued, on)
    manifest = manifest_of(case, document, assessment, house, libraries)
    with prepared(
        case, assessment, issued=issued, decision_json=document,
        manifest_json=canonical(manifest), signoff=sign_off(case, assessment, issued, on),
        house=house,
    ) as ready:  # fmt: skip
        return rendered(ready), document


def sign_off(
    case: Case, assessment: Assessment, issued: date | None = None, on: date | None = None
) -> SignOff:
    """Return who has signed the case off, whether each sign-off holds, and what is over by `on`."""
    from dossier.record.decision_record import decided_content
    from dossier.record.signoff import sign_off_state

    content = decided_content(case, assessment, issue_date(case, issued))
    return sign_off_state(case, assessment, content, on)


def sign(
    folder: Path | str,
    entry: Mapping[str, object],
    issued: date | None = None,
    *,
    house: Path | str | None = None,
    digest: str = "",
    on: date | None = None,
) -> SignOff:
    """Add a sign-off to `<folder>/signoff.toml` and return the new state.

    `entry` has role, name, date and, if not the usual one of the role, meaning; `house` is that of
    `read_case`; `digest` is that of what the person has seen, and `on` the day it is, that of the
    clock if not given.  Raises CaseError where the case has problems or another digest, or the
    sign-off would not hold: wrong order, dated before the last test or ahead of the clock, an
    approval that is over, the approver is the preparer, no meaning, already signed.
    """
    from dossier.record.signoff import add_sign_off, days_of, signed_entry, signoff_toml

    case = read_case(folder, house, on or today())
    refuse(page_problems(case))
    assessment = assess(case, issued, pages=False)
    state = sign_off(case, assessment, issued)
    if digest and digest.strip().lower() != state.digest:
        what = f"now is {state.digest}: inputs, findings or decision are not those that were seen"
        raise CaseError([CaseProblem(SIGNOFF_FILE, "digest", what, "'dossier check' shows them")])
    with speaking(case.qualification.language):
        signed = signed_entry(entry, state.digest)
    days = days_of(case, assessment, issue_date(case, issued), on or today())
    entries = add_sign_off(case, state, signed, days)
    write_whole(Path(folder) / SIGNOFF_FILE, signoff_toml(entries))
    return sign_off(replace(case, signed=entries), assessment, issued)
