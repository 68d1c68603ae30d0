"""The public interface: read a case, assess it, build its dossier."""

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from dataclasses import replace as replaced
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.archive.files import refuse_sealed, save_files, stem_of, write_whole
from dossier.aside import second_core
from dossier.case.case import Case
from dossier.case.model import Qualification
from dossier.case.problems import CaseError, CaseProblem
from dossier.decision.finding import Assessment
from dossier.evidence.demand import resolve
from dossier.evidence.instruments import instrument_problems
from dossier.evidence.limits import Limits, limits_from
from dossier.report.signing import SignOff
from dossier.words import speaking

if TYPE_CHECKING:
    from dossier.report.house import House
    from dossier.report.render import Prepared

__all__ = [
    "Built",
    "Made",
    "assess",
    "build",
    "case_in",
    "compose",
    "day_of",
    "decision_json",
    "house_of",
    "issue_date",
    "make",
    "read_case",
    "save",
    "sign",
    "sign_off",
    "write_whole",
]


@dataclass(frozen=True, slots=True)
class Built:
    """What a build wrote."""

    pdf: Path
    json: Path
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


def read_case(folder: Path | str, house: Path | str | None = None) -> Case:
    """Return the case in `folder`, validated; CaseError lists every problem of it.

    `house` is a folder of a house, before the one that the case names: its digest is part of what
    people sign.
    """
    from dossier.report.house import read_house

    case = case_in(folder)
    own = house_of(folder, case.qualification, house)
    return case if own is None else replaced(case, house=read_house(own).digest)


def case_in(folder: Path | str) -> Case:
    """Return the case in `folder` without looking for the house that it may name."""
    from dossier.case.read import read_case_files

    try:
        case = read_case_files(Path(folder))
    except CaseError as error:
        raise CaseError([*error.problems, *_requirement_problems(Path(folder))]) from None
    _, problems = resolve(case.application, case.qualification.application)
    problems += instrument_problems(case)
    if problems:
        raise CaseError(problems)
    return case


def _requirement_problems(folder: Path) -> list[CaseProblem]:
    """Return the problems of the requirements of a case that has others, if they can be read."""
    from pydantic import ValidationError

    from dossier.case.bounded import NotReadError, read_regular
    from dossier.case.model import Application
    from dossier.case.toml_text import MAX_TOML, parse_toml

    path = folder / "application.toml"
    try:
        application = Application.model_validate(parse_toml(read_regular(path, MAX_TOML)))
    except (OSError, NotReadError, ValueError, ValidationError, RecursionError):
        return []
    return resolve(application, "application.toml")[1]


def limits() -> Limits:
    """Return the limits of validity that come with the package."""
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    return limits_from(tomllib.loads(text))


def issue_date(case: Case, issued: date | None = None) -> date:
    """Return the date the dossier carries: as given, else the case's, else its last test's."""
    return day_of(case.qualification, issued)


def day_of(qualification: Qualification, issued: date | None = None) -> date:
    """Return the date of issue of a case of which only case.toml was read."""
    if issued is not None:
        return issued
    if qualification.issued is not None:
        return qualification.issued
    return max(entry.finished or entry.tested for entry in qualification.record)


def assess(case: Case, issued: date | None = None, *, pages: bool = True) -> Assessment:
    """Return the findings and the decision on `case`, judged on its date of issue.

    Without `pages`, what only the pages of a dossier show is not computed.
    """
    from dossier.decision.assess import assess_case

    with speaking(case.qualification.language):
        demands, problems = resolve(case.application, case.qualification.application)
        if problems:
            raise CaseError(problems)
        return assess_case(
            case, demands, limits(), issue_date(case, issued),
            pages=pages, at_once=2 if second_core() else 1,
        )  # fmt: skip


def decision_json(case: Case, assessment: Assessment, issued: date | None = None) -> bytes:
    """Return decision.json of an assessment."""
    from dossier.archive.record import canonical, decision_document

    with speaking(case.qualification.language):
        return canonical(decision_document(case, assessment, issue_date(case, issued)))


def build(
    folder: Path | str,
    out: Path | str = "out",
    issued: date | None = None,
    *,
    house: Path | str | None = None,
    replace: bool = False,
) -> Built:
    """Read, assess and write `<out>/<number>-r<revision>.pdf` and `.json`; return what was made.

    `house` is the folder of a house, before the one that the case names.  Both files appear whole
    or not at all.  Raises CaseError for problems of the inputs or of the house, and, unless
    `replace`, where the PDF there is sealed: its seals would be lost.
    """
    case = case_in(folder)
    if not replace:
        refuse_sealed(Path(out) / f"{stem_of(case.qualification)}.pdf")
    made = make(case, issued, house=house_of(folder, case.qualification, house))
    pdf, json = save(made, Path(out), replace=replace)
    return Built(pdf, json, made.assessment, made.signoff)


def make(case: Case, issued: date | None = None, *, house: Path | None = None) -> Made:
    """Return the dossier of a case that was read, with the house in `house`; write nothing."""
    from dossier.report.house import read_house

    own = read_house(house) if house is not None else None
    case = replaced(case, house=own.digest if own else "")
    assessment = assess(case, issued)
    pdf, document = compose(case, assessment, issue_date(case, issued), own)
    return Made(
        stem=stem_of(case.qualification), pdf=pdf, document=document, assessment=assessment,
        signoff=sign_off(case, assessment, issued),
    )  # fmt: skip


def save(made: Made, out: Path, *, replace: bool = False) -> tuple[Path, Path]:
    """Write PDF and decision.json into `out`, each whole; return their paths.

    Raises CaseError, unless `replace`, where the PDF there is sealed.
    """
    return save_files(made.stem, made.pdf, made.document, out, replace=replace)


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
    case: Case, assessment: Assessment, issued: date, house: "House | None" = None
) -> tuple[bytes, bytes]:
    """Return the dossier as PDF, before any digital signature, and its decision.json.

    `house` is the one that `case` was read with.
    """
    from dossier.report.render import rendered

    with composed(case, assessment, issued, house) as (ready, document):
        return rendered(ready), document


@contextmanager
def composed(
    case: Case, assessment: Assessment, issued: date, house: "House | None" = None
) -> Iterator[tuple["Prepared", bytes]]:
    """Make the dossier up to its layout, and its decision.json; arguments as of `compose`."""
    from dossier.archive.record import canonical, manifest_of
    from dossier.report.house import ATTACHED
    from dossier.report.render import prepared

    if case.house != (house.digest if house else ""):
        raise ValueError("the case was read with another house")
    taken = [each.name for each in case.inputs if each.name.startswith(ATTACHED)]
    if house is not None and taken:
        what = f"the name {ATTACHED!r} is kept for the files of a house, attached under it"
        raise CaseError([CaseProblem(taken[0], "", what, "rename the folder")])
    document = decision_json(case, assessment, issued)
    manifest = manifest_of(case, document, assessment, house)
    with prepared(
        case,
        assessment,
        issued=issued,
        decision_json=document,
        manifest_json=canonical(manifest),
        signoff=sign_off(case, assessment, issued),
        house=house,
    ) as ready:
        yield ready, document


def sign_off(case: Case, assessment: Assessment, issued: date | None = None) -> SignOff:
    """Return who has signed the case off, and whether each sign-off still holds."""
    from dossier.archive.record import sign_off_of

    return sign_off_of(case, assessment, issue_date(case, issued))


def sign(
    folder: Path | str,
    entry: Mapping[str, object],
    issued: date | None = None,
    *,
    house: Path | str | None = None,
) -> SignOff:
    """Add a sign-off to `<folder>/signoff.toml` and return the new state.

    `entry` has role, name, date and, if not the usual one of the role, meaning; `house` is that
    of `read_case`.  Raises CaseError
    where the case has problems or the sign-off would not hold: wrong order, the approver is the
    preparer, no meaning, already signed.
    """
    from dossier.archive.signoff import add_sign_off, signed_entry, signoff_toml
    from dossier.case.signoff_file import SIGNOFF_FILE

    case = read_case(folder, house)
    state = sign_off(case, assess(case, issued), issued)
    with speaking(case.qualification.language):
        signed = signed_entry(entry, state.digest)
    entries = add_sign_off(case, state, signed)
    write_whole(Path(folder) / SIGNOFF_FILE, signoff_toml(entries))
    case = read_case(folder, house)
    return sign_off(case, assess(case, issued), issued)
