"""Turn what the model library says of a case file into problems a person can act on."""

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from dossier.case.fields import example_of, model_in
from dossier.case.problems import CaseProblem
from dossier.case.toml_text import TomlError, parse_toml

WANTED = {
    "laboratory": "'dossier take CASE FILE' reads it from the laboratory's workbook; or add a "
    "[[laboratory]] table with id, name and methods",
    "record": "'dossier request CASE' writes a workbook for the laboratory, 'dossier take CASE "
    "FILE' reads it, and files of the laboratory's own; or add a [[record]] table for each test",
    "applications": "name a single one by 'application', and several here",
    "requirement": "add a [[requirement]] table for each thing that the filter must do",
}
"""What to do about the tables that a case starts without."""


DIGEST = r"^[0-9a-f]{64}$"
PLAIN = {
    "string_pattern_mismatch": (
        "is not made of letters, digits, '.', '_' and '-' alone, as its first a letter or digit",
        'such as "FQ-2026-014"',
    ),
    "digest": (
        "is no SHA-256: 64 digits and small letters from a to f",
        "copy it whole, in small letters",
    ),
    "string_too_short": ("is too short", "say it in a sentence"),
    "string_too_long": ("is too long", "make it shorter"),
    "string_type": ("is no text", 'write it in quotation marks, such as "..."'),
    "tuple_type": ("is no list", 'write a list, such as ["C1", "C2"]'),
    "list_type": ("is no list", 'write a list, such as ["C1", "C2"]'),
    "dict_type": ("is no table", "write a table, such as { key = ... }"),
    "model_type": ("is no table", "write a table, such as { key = ... }"),
    "literal_error": ("is none of the words that may stand here", "write {expected}"),
    "int_type": ("is no whole number", "write it without a point and without quotation marks"),
    "int_parsing": ("is no whole number", "write it without a point and without quotation marks"),
    "float_type": ("is no number", "write it without quotation marks"),
    "float_parsing": ("is no number", "write it without quotation marks"),
    "bool_type": ("is neither true nor false", "write true or false"),
}
"""What the model library says, in words for people, and what to do."""

M = TypeVar("M", bound=BaseModel)
Origin = Callable[[tuple[str | int, ...]], tuple[str, str] | None]
"""Gives file and place of a key that stands elsewhere, None for all others."""


def problems_in(
    file: str, error: ValidationError, model: type[BaseModel], document: Mapping[str, Any],
    origin: Origin = lambda _: None,
) -> list[CaseProblem]:  # fmt: skip
    """Return one problem for each fault in `error`, with the key's path in the file."""
    problems = []
    for fault in error.errors(include_url=False):
        if fault["type"] == "too_short" and len(fault["input"]) >= fault["ctx"]["min_length"]:
            continue  # it is not empty: what is wrong is in its entries
        problem = _problem(file, fault, model, document)
        found = origin(tuple(fault["loc"]))
        if found:
            cell = fault["type"] == "missing" and not found[0].endswith(".toml")
            hint = "fill this cell" if cell else problem.hint
            problem = replace(problem, file=found[0], place=found[1], hint=hint)
        problems.append(problem)
    return problems


def parsed_as(model: type[M], file: str, content: bytes) -> tuple[M | None, list[CaseProblem]]:
    """Return what a TOML file says as its model, None with what is wrong with it."""
    document: Mapping[str, Any] = {}
    try:
        document = parse_toml(content)
        return model.model_validate(document), []
    except TomlError as error:
        return None, [error.of(file)]
    except ValidationError as error:
        return None, problems_in(file, error, model, document)


def _problem(
    file: str, fault: Any, model: type[BaseModel], document: Mapping[str, Any]
) -> CaseProblem:
    place = _place(fault["loc"], document)
    kind = fault["type"]
    if kind == "missing":
        hint = WANTED.get(place) or f"write {_example(model, _keys(fault['loc']))}"
        return CaseProblem(file, place, "is missing", hint)
    if kind == "extra_forbidden":
        known = sorted(_fields_at(model, _keys(fault["loc"][:-1])))
        near = difflib.get_close_matches(str(fault["loc"][-1]), known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"keys here: {', '.join(known)}"
        return CaseProblem(file, place, "is not a key of the case format", hint)
    if kind == "too_short":
        found, least = (fault["ctx"][key] for key in ("actual_length", "min_length"))
        what = f"has {found} of at least {least}" if found else "is empty"
        hint = WANTED.get(place, f"give at least {'one' if least == 1 else least}")
        return CaseProblem(file, place, what, hint)
    if kind.startswith("date_"):
        what = f"{_shown(fault.get('input'))} is not a date"
        return CaseProblem(file, place, what, "write the day as 2026-03-10, without quotes")
    if kind in PLAIN:
        digest = fault.get("ctx", {}).get("pattern") == DIGEST
        what, hint = PLAIN["digest" if digest else kind]
        shown = _shown(fault.get("input"))
        named = f"{shown} {what}" if shown not in {"", "''"} else "is empty"
        least = fault.get("ctx", {}).get("expected", "")
        return CaseProblem(file, place, named, hint.replace("{expected}", least))
    message = str(fault["msg"]).removeprefix("Value error, ")
    shown = _shown(fault.get("input"))
    what = f"{message}" if shown in message or not shown else f"{message} (found {shown})"
    return CaseProblem(file, place, what[:1].lower() + what[1:], "correct this value")


def _shown(value: object) -> str:
    if isinstance(value, (Mapping, list)):
        return ""
    return repr(value)[:60]


def _place(location: Sequence[int | str], document: Mapping[str, Any]) -> str:
    """Return a path such as ``record 'MP-C1' . conditions . flow``, with ids for list items."""
    parts: list[str] = []
    here: Any = document
    for step in location:
        if isinstance(step, int):
            item = here[step] if isinstance(here, list) and step < len(here) else None
            name = item.get("id") if isinstance(item, Mapping) else None
            label = repr(name) if isinstance(name, str) else f"number {step + 1}"
            parts[-1:] = [f"{parts[-1]} {label}"] if parts else [label]
            here = item
        else:
            parts.append(step)
            here = here.get(step) if isinstance(here, Mapping) else None
    return " . ".join(parts)


def _keys(location: Sequence[int | str]) -> tuple[str, ...]:
    return tuple(step for step in location if isinstance(step, str))


def _fields_at(model: type[BaseModel] | None, keys: Sequence[str]) -> dict[str, Any]:
    """Return the fields of the model that stands at a place inside another; none for no model."""
    for key in keys:
        field = model.model_fields.get(key) if model else None
        model = model_in(field.annotation) if field else None
    return model.model_fields if model else {}


@cache
def _example(model: type[BaseModel], keys: tuple[str, ...]) -> str:
    """Return how the key at a place is written, such as ``flow = "95 L/min"``."""
    field = _fields_at(model, keys[:-1]).get(keys[-1])
    return f"{keys[-1]} = {example_of(field.annotation, field.metadata) if field else '...'}"
