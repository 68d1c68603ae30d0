"""JSON Schemas of the two case files, made from the models that read them."""

import ast
import inspect
import json
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

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
    from dossier.case.draft import Draft
    from dossier.evidence.registry import all_quantities

    models: dict[str, type[BaseModel]] = {"application": application.Application, "case": Draft}
    found = models[name]
    schema = found.model_json_schema(mode="validation")
    schema["$schema"] = DIALECT
    schema["title"] = f"{name}.toml"
    schema["description"] = inspect.cleandoc(model.Qualification.__doc__ or "")
    if name == "application":
        schema["description"] = inspect.cleandoc(application.Application.__doc__ or "")
    definitions = schema["$defs"]
    words = {**_words(fields), **_words(application), **_words(model)}
    own = {"application": "Application", "case": "Qualification"}[name]
    for title, one in ((own, schema), *definitions.items()):
        for key, text in words.get(title, {}).items():
            one["properties"].get(key, {}).setdefault("description", text)
    if "Requirement" in definitions:
        names = definitions["Requirement"]["properties"]["quantity"]
        names["enum"] = list(all_quantities())
    if "RecordEntry" in definitions:
        definitions["RecordEntry"]["required"] = ["id"]  # the rest may stand under [defaults]
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
