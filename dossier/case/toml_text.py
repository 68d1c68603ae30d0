"""TOML from anyone: parsed within bounds of length, depth and number, and free of control codes."""

import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, time
from typing import Any

from dossier.case.problems import PartError
from dossier.case.units import vanishes

MAX_TOML = 4 * 2**20
DEEPEST = 12
"""Levels of tables and lists; a case file has five."""
MOST_VALUES = 100_000
LONGEST_LINE = 2**16

_PART = rb"(?:\"[^\"\n]*\"|'[^'\n]*'|[A-Za-z0-9_-]+)"
_DOTTED = re.compile(rb"(?:" + _PART + rb"[ \t]*\.[ \t]*){40}")
"""A key of more than forty parts: the parser needs the square of their number."""
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


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
            what = f"more than {MOST_VALUES} values"
            raise TomlError("", what, "a case file is written by hand")
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
    found = _CONTROL.search(value) if isinstance(value, str) else None
    if found:
        what = f"holds the control character U+{ord(found.group()):04X}"
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
