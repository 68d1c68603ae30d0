"""Write the files of a new case, each checked by the models that will read it."""

import ast
import inspect
import json
import posixpath
from collections.abc import Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pydantic import BaseModel

from dossier.case.problems import CALL, CaseError, CaseProblem, refuse
from dossier.case.toml_text import inline, quoted
from dossier.start.questions import QUESTIONS, Ask, collect

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_text(name: str) -> str:
    """Return the schema of "application" or "case" as JSON, always the same for one version."""
    return json.dumps(schema_of(name), indent=2, ensure_ascii=False, sort_keys=True) + "\n"


def schema_of(name: str) -> dict[str, Any]:
    """Return the schema of "application" or "case"; KeyError for another name.

    A draft without laboratories and records fits the schema of a case: editors help most before
    a file is complete, and `dossier check` says what is missing.
    """
    from dossier.case import application, fields, model
    from dossier.case.case import Draft
    from dossier.evidence.quantities import all_quantities

    models: dict[str, type[BaseModel]] = {"application": application.Application, "case": Draft}
    schema = models[name].model_json_schema(mode="validation")
    schema["$schema"] = DIALECT
    schema["title"] = f"{name}.toml"
    schema["description"] = inspect.cleandoc(model.Qualification.__doc__ or "")
    if name == "application":
        schema["description"] = inspect.cleandoc(application.Application.__doc__ or "")
        schema["required"].remove("requirement")
        schema["anyOf"] = [{"required": ["requirement"]}, {"required": ["extends"]}]
    definitions = schema["$defs"]
    words = {**_words(fields), **_words(application), **_words(model)}
    own = {"application": "Application", "case": "Qualification"}[name]
    for title, one in ((own, schema), *definitions.items()):
        for key, text in words.get(title, {}).items():
            one["properties"].get(key, {}).setdefault("description", text)
    if "Requirement" in definitions:
        definitions["Requirement"]["properties"]["quantity"]["enum"] = list(all_quantities())
    if "RecordEntry" in definitions:
        definitions["RecordEntry"]["required"] = ["id"]  # the rest may stand under [defaults]
    if "Instrument" in definitions:
        definitions["Instrument"]["required"] = ["id", "due"]  # a certificate may say the rest
    if "Band" in definitions:
        _nominal(definitions["Band"])
    return schema


def _nominal(band: dict[str, Any]) -> None:
    """Let a band also be written by a nominal value and a tolerance."""
    ends = dict(band["properties"])
    other = {key: {"type": "string"} for key in ("nominal", "tolerance")}
    band["properties"] = ends | other
    del band["required"]
    band["oneOf"] = [
        {"required": list(ends), "not": {"anyOf": [{"required": [key]} for key in other]}},
        {"required": list(other), "not": {"anyOf": [{"required": [key]} for key in ends]}},
    ]


def _words(module: Any) -> dict[str, dict[str, str]]:
    """Return the note below each field of each class of a module."""
    tree = ast.parse(inspect.getsource(module))
    return {each.name: dict(_notes(each)) for each in tree.body if isinstance(each, ast.ClassDef)}


def _notes(body: ast.ClassDef) -> Iterator[tuple[str, str]]:
    for field, note in zip(body.body, body.body[1:], strict=False):
        named = isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name)
        if named and isinstance(note, ast.Expr) and isinstance(note.value, ast.Constant):
            yield field.target.id, inspect.cleandoc(str(note.value.value))  # type: ignore[attr-defined]


SCHEMAS = {"application": "schema/application.schema.json", "case": "schema/case.schema.json"}


def write_case(folder: Path, given: Mapping[str, str], ask: Ask | None) -> list[Path]:
    """Write a new case into `folder` and return its files.

    `given` answers come from the call, `ask` gets the others from a person.  Raises CaseError, and
    writes nothing, where one of the files is there already or the answers do not fit together.
    """
    _accept(folder, ["application.toml", "case.toml", *SCHEMAS.values()])
    answers = collect(given, ask)
    texts = {
        f"{name}.toml": text_of(f"{name}.toml", answers, f"./{path}")
        for name, path in SCHEMAS.items()
    } | {path: schema_text(name) for name, path in SCHEMAS.items()}
    _check(texts, folder, answers.get("extends", ""))
    _write(folder, texts)
    return [folder / name for name in texts]


def _accept(folder: Path, names: list[str]) -> None:
    hint = "a new case overwrites nothing: name another folder"
    refuse(
        CaseProblem(str(folder / name), "", "exists already", hint)
        for name in names
        if (folder / name).exists() or (folder / name).is_symlink()
    )


def _write(folder: Path, texts: Mapping[str, str]) -> None:
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:  # never over a file that is there
            file.write(text)


def _check(texts: Mapping[str, str], folder: Path, extends: str) -> None:
    """Raise CaseError for answers that are each understood and do not fit together.

    They are read as a case beside the new one is, from where the sets that it `extends` are found.
    """
    from dossier.case.read import read_asked_files
    from dossier.evidence.requirement import resolve

    sets = {posixpath.normpath(each.strip()) for each in extends.split(",")}
    beside = folder.resolve().parent
    beside.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=beside) as trial:
        _write(Path(trial), texts)
        try:
            asked = read_asked_files(Path(trial))
        except CaseError as error:
            refuse(
                CaseProblem(CALL, "--extends", f"{p.place!r} {p.what}", p.hint)
                if p.place in sets
                else p
                for p in error.problems
            )
    refuse(resolve(asked.application, asked.file)[1])


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


def text_of(name: str, answers: Mapping[str, str], schema: str) -> str:
    """Return application.toml or case.toml for the answers; `schema` is the path of its schema."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("dossier.start", ""), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True, autoescape=False,
    )  # fmt: skip
    environment.filters |= {"quoted": quoted, "listed": _listed}
    examples = {question.key: question.example for question in QUESTIONS}
    template = environment.get_template(f"{name}.jinja")
    return template.render(given=dict(answers), examples=examples, schema=schema)


def _listed(text: str) -> str:
    """Return what an answer names, separated by commas, as a list of TOML."""
    return inline([each.strip() for each in text.split(",") if each.strip()])
