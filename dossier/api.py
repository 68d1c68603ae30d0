"""The public interface: read a case, assess it, build its dossier."""

import os
import tempfile
import tomllib
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path

from dossier.case.case import Case
from dossier.case.problems import CaseError, CaseProblem
from dossier.decision.finding import Assessment
from dossier.evidence.demand import resolve
from dossier.evidence.limits import Limits, limits_from

__all__ = ["Built", "assess", "build", "decision_json", "read_case"]


@dataclass(frozen=True, slots=True)
class Built:
    """What a build wrote."""

    pdf: Path
    json: Path
    assessment: Assessment


def read_case(folder: Path | str) -> Case:
    """Return the case in `folder`, validated; CaseError lists every problem of it."""
    from dossier.case.read import read_case_files

    try:
        case = read_case_files(Path(folder))
    except CaseError as error:
        raise CaseError([*error.problems, *_requirement_problems(Path(folder))]) from None
    _, problems = resolve(case.application, case.qualification.application)
    if problems:
        raise CaseError(problems)
    return case


def _requirement_problems(folder: Path) -> list[CaseProblem]:
    """Return the problems of the requirements of a case that has others, if they can be read."""
    from pydantic import ValidationError

    from dossier.case.model import Application

    path = folder / "application.toml"
    try:
        application = Application.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, ValidationError, RecursionError):
        return []
    return resolve(application, "application.toml")[1]


def limits() -> Limits:
    """Return the limits of validity that come with the package."""
    text = files("dossier").joinpath("evidence/limits.toml").read_text(encoding="utf-8")
    return limits_from(tomllib.loads(text))


def issue_date(case: Case, issued: date | None = None) -> date:
    """Return the date the dossier carries: as given, else the case's, else its last test's."""
    if issued is not None:
        return issued
    if case.qualification.issued is not None:
        return case.qualification.issued
    return max(entry.finished or entry.tested for entry in case.qualification.record)


def assess(case: Case, issued: date | None = None) -> Assessment:
    """Return the findings and the decision on `case`, judged on its date of issue."""
    from dossier.decision.assess import assess_case

    demands, problems = resolve(case.application, case.qualification.application)
    if problems:
        raise CaseError(problems)
    return assess_case(case, demands, limits(), issue_date(case, issued))


def decision_json(case: Case, assessment: Assessment, issued: date | None = None) -> bytes:
    """Return decision.json of an assessment."""
    from dossier.archive.record import canonical, decision_document

    return canonical(decision_document(case, assessment, issue_date(case, issued)))


def build(folder: Path | str, out: Path | str = "out", issued: date | None = None) -> Built:
    """Read, assess and write `<out>/<number>-r<revision>.pdf` and `.json`; return what was made.

    Both files appear whole or not at all.  Raises CaseError for problems of the inputs.
    """
    from dossier.archive.record import canonical, manifest_of
    from dossier.report.render import render_pdf

    case = read_case(folder)
    assessment = assess(case, issued)
    document = decision_json(case, assessment, issued)
    manifest = canonical(manifest_of(case, document, assessment))
    pdf = render_pdf(
        case,
        assessment,
        issued=issue_date(case, issued),
        decision_json=document,
        manifest_json=manifest,
    )
    target = Path(out)
    target.mkdir(parents=True, exist_ok=True)
    stem = f"{case.qualification.number}-r{case.qualification.revision}"
    paths = target / f"{stem}.pdf", target / f"{stem}.json"
    for path, content in zip(paths, (pdf, document), strict=True):
        _write(path, content)
    return Built(*paths, assessment)


def _write(path: Path, content: bytes) -> None:
    """Write to a temporary name beside `path`, then rename: the old file or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
