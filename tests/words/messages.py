"""The sentences of the package and its templates, as Babel finds them and as they are used."""

# mypy: disable-error-code=attr-defined

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po
from jinja2 import Environment, nodes

import dossier
from dossier.evidence.quantities import all_quantities

ROOT = Path(__file__).parents[2]
PACKAGE = Path(dossier.__file__).parent
TEMPLATES = sorted((ROOT / "templates").glob("*.html"))
MACHINERY = {PACKAGE / "words" / name for name in ("__init__.py", "catalogue.py")}
MODULES = sorted(set(PACKAGE.rglob("*.py")) - MACHINERY)
KEYWORDS = {"say": None, "say_count": (2, 3), "later": None}
WORD = re.compile(r"[a-z]{3,}")

Forms = tuple[str, ...]
"""A sentence, or one for one thing and one for several."""


@dataclass(frozen=True)
class Use:
    """One place where a sentence is said or laid by for later."""

    place: str
    function: str
    forms: tuple[object, ...]
    """Each the literal, or the syntax that stands in its place."""
    context: str
    names: frozenset[str] | None
    """Names of the values given; None where they are not written out."""


def found_by_babel() -> set[Forms]:
    """Return every sentence that Babel extracts from modules and templates."""
    found: set[Forms] = set()
    for method, paths in (("python", MODULES), ("jinja2.ext.babel_extract", TEMPLATES)):
        for path in paths:
            options = {"trim_blocks": "true", "lstrip_blocks": "true"}
            for _, message, _, _ in extract_from_file(
                method, path, keywords=KEYWORDS, options=options
            ):
                found.add(message if isinstance(message, tuple) else (message,))
    return found


def used_in_modules() -> Iterator[Use]:
    """Yield every use of say, say_count and later in the package."""
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if called(node) in KEYWORDS:
                yield _use(node, f"{path.relative_to(PACKAGE.parent)}:{node.lineno}")


def called(node: ast.AST) -> str:
    """Return the name of the function that a piece of syntax calls, if it calls one by name."""
    named = isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    return node.func.id if named else ""


def _use(call: ast.Call, place: str) -> Use:
    function = call.func.id
    given = call.args[1:3] if function == "say_count" else call.args[:1]
    forms = tuple(
        each.value if isinstance(each, ast.Constant) and isinstance(each.value, str) else each
        for each in given
    )
    context = [k.value.value for k in call.keywords if k.arg == "context"]
    names = frozenset(str(k.arg) for k in call.keywords if k.arg != "context")
    names |= {"number"} if function == "say_count" else set()
    open_ended = any(k.arg is None for k in call.keywords) or function == "later"
    return Use(place, function, forms, context[0] if context else "", None if open_ended else names)


def used_in_templates() -> Iterator[Use]:
    """Yield every use of say in the templates."""
    environment = Environment(trim_blocks=True, lstrip_blocks=True)
    for path in TEMPLATES:
        tree = environment.parse(path.read_text(encoding="utf-8"))
        for call in tree.find_all(nodes.Call):
            if isinstance(call.node, nodes.Name) and call.node.name in KEYWORDS:
                forms = tuple(a.value if isinstance(a, nodes.Const) else a for a in call.args[:1])
                context = [k.value.value for k in call.kwargs if k.key == "context"]
                names = frozenset(k.key for k in call.kwargs if k.key != "context")
                place = f"{path.name}:{call.lineno}"
                yield Use(place, call.node.name, forms, context[0] if context else "", names)


@cache
def uses() -> tuple[Use, ...]:
    """Return every use in the package and its templates."""
    return (*used_in_modules(), *used_in_templates())


def literal(use: Use) -> bool:
    """Return whether every form of a sentence is written out where it is used."""
    return all(isinstance(form, str) for form in use.forms)


def declared() -> set[Forms]:
    """Return the sentences of the vocabulary of quantities and of the file of limits."""
    texts: set[str] = set()
    for each in all_quantities().values():
        texts |= {each.title, each.symbol, each.meaning, each.formula, each.standard}
    limits = tomllib.loads((PACKAGE / "evidence" / "limits.toml").read_text(encoding="utf-8"))
    for entry in _tables(limits):
        texts |= {str(entry[key]) for key in ("rule", "clause", "mark", "text") if key in entry}
    return {(text,) for text in texts if text}


def _tables(value: object) -> Iterator[dict[str, object]]:
    if isinstance(value, dict):
        yield value
    for each in value.values() if isinstance(value, dict) else value:
        if isinstance(each, dict | list):
            yield from _tables(each)


def needed() -> set[tuple[str, Forms]]:
    """Return context and forms of every sentence that a language must have."""
    said = {(use.context, use.forms) for use in uses() if literal(use) and use.forms != ("",)}
    return said | {("", forms) for forms in declared() if WORD.search(forms[0])}  # type: ignore[return-value]


@cache
def catalogue(language: str) -> Catalog:
    """Return the catalogue of a language, with what is fuzzy or obsolete in it."""
    with (PACKAGE / "words" / f"{language}.po").open("rb") as source:
        return read_po(source, locale=language)


def held(language: str) -> dict[tuple[str, Forms], Forms]:
    """Return the translations of a language, by context and forms."""
    return {
        (message.context or "", _forms(message.id)): _forms(message.string)
        for message in catalogue(language)
        if message.id
    }


def _forms(value: object) -> Forms:
    return tuple(value) if isinstance(value, list | tuple) else (str(value),)


def places(text: str) -> set[tuple[str, str, str]]:
    """Return name, conversion and format of every place of a sentence."""
    return {
        (name, conversion or "", spec or "")
        for _, name, spec, conversion in Formatter().parse(text)
        if name is not None
    }
