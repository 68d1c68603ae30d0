"""TOML from anyone, parsed within bounds, and what the models say of it in words for people."""

import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, time
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from dossier.case.fields import DIGEST, example_of, model_in
from dossier.case.problems import CaseProblem, PartError, control_in, suggested
from dossier.case.units import vanishes

MAX_TOML = 4 * 2**20
DEEPEST = 12
"""Levels of tables and lists; a case file has five."""
MOST_VALUES = 100_000
LONGEST_LINE = 2**16

_PART = rb"(?:\"[^\"\n]*\"|'[^'\n]*'|[A-Za-z0-9_-]+)"
_DOTTED = re.compile(rb"(?:" + _PART + rb"[ \t]*\.[ \t]*){40}")
"""A key of more than forty parts: the parser needs the square of their number."""


class TomlError(PartError, ValueError):
    """A text that is not read as TOML."""


def parse_toml(content: bytes) -> dict[str, Any]:
    """Return the document in `content`, UTF-8 text; raises TomlError with the first fault.

    Refused beside what is not valid: files, lines, nesting and numbers beyond what is written by
    hand, and control characters, which could steer the terminal that prints them.  A byte order
    mark, as some editors set it, is no part of the text.
    """
    if len(content) > MAX_TOML:
        raise TomlError("", "larger than 4 MiB", "a case file is written by hand")
    _bounded_lines(content)
    try:
        document = tomllib.loads(content.decode("utf-8-sig"), parse_float=_real)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise TomlError(f"line {line}", "not UTF-8 text", "save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        words = " ".join(str(error).split())[:200]
        raise TomlError("", f"not valid TOML: {words}", "correct the line it names") from None
    except RecursionError:
        raise TomlError("", "nested too deeply", "a case file has few levels") from None
    except ValueError as error:  # of a number that Python does not take
        words = str(error).partition(";")[0][:120]
        raise TomlError("", f"holds a number that is none: {words}", "correct it") from None
    _looked_over(document)
    return document


def _real(text: str) -> float:
    value = float(text)
    if math.isfinite(value) and vanishes(text):
        raise ValueError(f"{text[:40]} would be read as zero")
    return value


def _bounded_lines(content: bytes) -> None:
    for number, line in enumerate(content.split(b"\n"), 1):
        if len(line) > LONGEST_LINE:
            what = f"has {len(line)} bytes; {LONGEST_LINE} are the most"
            raise TomlError(f"line {number}", what, "a case file is written by hand")
        if line.count(b".") >= 40 and _DOTTED.search(line):
            raise TomlError(f"line {number}", "a key of very many parts", "write short keys")


def _looked_over(document: dict[str, Any]) -> None:
    """Raise TomlError for what a case file never holds, wherever it stands."""
    left: list[tuple[str, int, Any]] = [("", 0, document)]
    seen = 0
    while left:
        place, depth, value = left.pop()
        seen += 1
        if depth > DEEPEST:
            raise TomlError(place[:80], "nested too deeply", "a case file has few levels")
        if seen > MOST_VALUES:
            raise TomlError("", f"more than {MOST_VALUES} values", "a case file is written by hand")
        _no_control(place, value)
        if isinstance(value, int) and abs(value) >= 2**63:
            raise TomlError(place, "a number beyond 64 bits", "correct it")
        left += [(inner, depth + 1, each) for inner, each in _inside(place, value)]


def _inside(place: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, each in value.items():
            _no_control(place, key)
            yield f"{place} . {key}" if place else key, each
    elif isinstance(value, list):
        for number, each in enumerate(value, 1):
            yield f"{place} number {number}", each


def _no_control(place: str, value: Any) -> None:
    if isinstance(value, str) and (what := control_in(value)):
        raise TomlError(place[:120], what, "leave it out: text is letters, signs and line breaks")


def toml_text(document: Mapping[str, Any]) -> str:
    """Return a document as TOML: values, then a table each, then the lists of tables."""
    parts = [f"{_key(k)} = {inline(v)}" for k, v in document.items() if not _tabled(v)]
    for key, value in document.items():
        for each in (value if isinstance(value, list) else [value]) if _tabled(value) else ():
            head = f"\n[[{_key(key)}]]" if isinstance(value, list) else f"\n[{_key(key)}]"
            parts += [head, *(f"{_key(k)} = {inline(v)}" for k, v in each.items())]
    return "\n".join(parts) + "\n"


def _tabled(value: Any) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(each, dict) for each in value)
    return isinstance(value, dict)


def inline(value: Any) -> str:
    """Return a value as TOML on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(inline, value)) + "]"
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (bool, int, float)):
        return str(value).lower()
    return quoted(str(value))


def _key(key: str) -> str:
    return key if key.isidentifier() and key.isascii() else quoted(key)


def quoted(text: str) -> str:
    """Return `text` as a basic string of TOML, on one line, whatever characters it holds."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


WANTED = {
    "laboratory": "'dossier take CASE FILE' reads it from the laboratory's workbook; or add a "
    "[[laboratory]] table with id, name and methods",
    "record": "'dossier request CASE' writes a workbook for the laboratory, 'dossier take CASE "
    "FILE' reads it, and files of the laboratory's own; or add a [[record]] table for each test",
    "applications": "name a single one by 'application', and several here",
    "requirement": "add a [[requirement]] table for each thing that the filter must do",
}
"""What to do about the tables that a case starts without."""


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

IN_CELL = {
    "missing": "fill this cell",
    "string_type": "begin the cell with an apostrophe, which makes it text",
}
"""What to do about it in a table."""

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
            in_cell = {} if found[0].endswith(".toml") else IN_CELL
            hint = in_cell.get(fault["type"], problem.hint)
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
    place, kind, context = _place(fault["loc"], document), fault["type"], fault.get("ctx", {})
    keys, shown = _keys(fault["loc"]), _shown(fault.get("input"))
    if kind == "missing":
        what, hint = "is missing", WANTED.get(place) or f"write {_example(model, keys)}"
    elif kind == "extra_forbidden":
        what, known = "is not a key of the case format", sorted(_fields_at(model, keys[:-1]))
        hint = suggested(keys[-1], known, "keys here")
    elif kind == "too_short":
        found, least = context["actual_length"], context["min_length"]
        what = f"has {found} of at least {least}" if found else "is empty"
        hint = WANTED.get(place, f"give at least {'one' if least == 1 else least}")
    elif kind.startswith("date_"):
        what, hint = f"{shown} is not a date", "write the day as 2026-03-10, without quotes"
    elif kind in PLAIN:
        what, hint = PLAIN["digest" if context.get("pattern") == DIGEST else kind]
        what = f"{shown} {what}" if shown not in {"", "''"} else "is empty"
        hint = hint.replace("{expected}", context.get("expected", ""))
    else:
        what, hint = str(fault["msg"]).removeprefix("Value error, "), "correct this value"
        what = what if shown in what else f"{what} (found {shown})"
        what = what[:1].lower() + what[1:]
    return CaseProblem(file, place, what, hint)


def _shown(value: object) -> str:
    if isinstance(value, (Mapping, list)):
        return ""
    return (str(value) if isinstance(value, (date, time)) else repr(value))[:60]


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
