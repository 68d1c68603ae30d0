"""Write the files of a new case, each checked by the models that will read it."""

import tomllib
from collections.abc import Mapping
from pathlib import Path

from dossier.case.application import Application
from dossier.case.consistency import application_problems
from dossier.case.draft import Draft
from dossier.case.explain import explain
from dossier.case.problems import CaseError, CaseProblem
from dossier.start.answers import Ask, collect
from dossier.start.files import application_text, case_text
from dossier.start.schema import schema_text

SCHEMAS = {"application": "schema/application.schema.json", "case": "schema/case.schema.json"}


def write_case(folder: Path, given: Mapping[str, str], ask: Ask | None) -> list[Path]:
    """Write a new case into `folder` and return its files.

    `given` answers come from the call, `ask` gets the others from a person.  Raises CaseError, and
    writes nothing, where one of the files is there already or the answers do not fit together.
    """
    _accept(folder, ["application.toml", "case.toml", *SCHEMAS.values()])
    answers = collect(given, ask)
    texts = {
        "application.toml": application_text(answers, f"./{SCHEMAS['application']}"),
        "case.toml": case_text(answers, f"./{SCHEMAS['case']}"),
        SCHEMAS["application"]: schema_text("application"),
        SCHEMAS["case"]: schema_text("case"),
    }
    _check(texts)
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:  # never over a file that is there
            file.write(text)
    return [folder / name for name in texts]


def _accept(folder: Path, names: list[str]) -> None:
    hint = "a new case overwrites nothing: name another folder"
    there = [
        CaseProblem(str(folder / name), "", "exists already", hint)
        for name in names
        if (folder / name).exists() or (folder / name).is_symlink()
    ]
    if there:
        raise CaseError(there)


def _check(texts: Mapping[str, str]) -> None:
    """Raise CaseError for answers that are each understood and do not fit together."""
    from pydantic import ValidationError

    from dossier.evidence.requirement import resolve

    problems: list[CaseProblem] = []
    for name, model in (("application.toml", Application), ("case.toml", Draft)):
        document = tomllib.loads(texts[name])
        try:
            read = model.model_validate(document)
        except ValidationError as error:
            problems += explain(name, error, model, document)
            continue
        if isinstance(read, Application):
            problems += application_problems(read, name)
            problems += resolve(read, name)[1]
    if problems:
        raise CaseError(problems)


def next_steps(folder: Path) -> str:
    """Return what leads from a new case to its first dossier, one step a line."""
    return "\n".join(
        (
            "next:",
            f"  1. look through {folder / 'application.toml'}: what is not known yet is a comment",
            f"  2. dossier request {folder}   before the tests: puts the requirements on file, and "
            "writes pages and a workbook for the laboratories",
            f"  3. dossier take {folder} FILE   for the workbook as it came back, and for files of "
            "the laboratory's own",
            f"  4. dossier check {folder}     lists what is still missing, then the verdicts",
            f"  5. dossier build {folder}     the dossier, in the folder out",
        )
    )
