"""An application that takes requirements from sets of a library: resolved, with their source."""

import posixpath
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from pydantic import Field, ValidationError

from dossier.case.application import Name, Words
from dossier.case.explain import explain
from dossier.case.fields import Day, Model
from dossier.case.problems import CaseProblem
from dossier.case.rows import Path
from dossier.case.toml_text import TomlError, parse_toml, toml_text


class RequirementSet(Model):
    """A file of requirements that many applications share; it extends no other."""

    title: Name
    revision: Name
    issued: Day
    owner: Words = ""
    notes: Words = ""
    requirement: tuple[dict[str, Any], ...] = Field(min_length=1, max_length=200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """A requirement set as an application uses it."""

    file: str
    """Its path, relative to the case folder."""
    title: str
    revision: str
    issued: date
    taken: tuple[str, ...]
    """Ids of the requirements that are taken from it."""
    overridden: tuple[str, ...]
    """Ids of those that the application states otherwise."""


@dataclass(slots=True)
class Extended:
    """An application with the requirements of its sets, and what is wrong with these."""

    document: dict[str, Any]
    libraries: list[Library] = field(default_factory=list)
    origins: dict[Path, tuple[str, str]] = field(default_factory=dict)
    problems: list[CaseProblem] = field(default_factory=list)

    def text(self, source: bytes) -> bytes:
        """Return what is asked as TOML: the file as it is, or with what it takes from elsewhere."""
        return toml_text(self.document).encode() if self.libraries else source


def extended(
    document: Mapping[str, Any], path: str, fetch: Callable[[str], bytes | None]
) -> Extended:
    """Return an application, read from `path`, with the requirements of the sets it extends.

    `fetch` gets a file by its path relative to the case folder; None, with a problem on record
    there, where there is none.  A requirement of the application's own takes the place of one of
    a set with the same id; two sets do not share an id.
    """
    made = Extended(dict(document))
    named = document.get("extends")
    files = [named] if isinstance(named, str) else named
    if files is None:
        return made
    del made.document["extends"]
    if not isinstance(files, list) or not all(isinstance(each, str) for each in files):
        hint = 'write extends = "../library/x.toml", or a list of such paths'
        made.problems.append(CaseProblem(path, "extends", "is no path of a file", hint))
        return made
    own = document.get("requirement", [])
    made.document["requirement"] = [*own] if isinstance(own, list) else own
    for each in files if isinstance(own, list) else ():
        file = posixpath.normpath(posixpath.join(posixpath.dirname(path), each))
        content = fetch(file)
        found = None if content is None else _read(made, file, content)
        if found is not None:
            _take(made, file, found, {str(r.get("id")) for r in own if isinstance(r, dict)})
    return made


def _read(made: Extended, file: str, content: bytes) -> RequirementSet | None:
    document: Mapping[str, Any] = {}
    try:
        document = parse_toml(content)
        return RequirementSet.model_validate(document)
    except TomlError as error:
        made.problems.append(error.of(file))
    except ValidationError as error:
        made.problems += explain(file, error, RequirementSet, document)
    return None


def _take(made: Extended, file: str, found: RequirementSet, own: set[str]) -> None:
    """Add the requirements of a set that the application does not state itself."""
    taken: list[str] = []
    overridden: list[str] = []
    others = {name: each.file for each in made.libraries for name in each.taken}
    for number, each in enumerate(found.requirement, 1):
        name = str(each.get("id", f"number {number}"))
        if name in own:
            overridden.append(name)
            continue
        if name in taken or name in others:
            what = f"{name!r} stands in {others.get(name, file)} too"
            hint = "give each requirement an id of its own, or state it in the application"
            made.problems.append(CaseProblem(file, f"requirement {name!r}", what, hint))
        taken.append(name)
        source = each.get("source")
        from_set = {"source": f"{source} ({file}, {found.revision})"} if source else {}
        made.origins["requirement", len(made.document["requirement"])] = (
            file, f"requirement {name!r}"
        )  # fmt: skip
        made.document["requirement"].append({**each, **from_set})
    made.libraries.append(
        Library(
            file=file, title=found.title, revision=found.revision, issued=found.issued,
            taken=tuple(taken), overridden=tuple(overridden),
        )
    )  # fmt: skip


def placed(problem: CaseProblem, libraries: Sequence[Library]) -> CaseProblem:
    """Return a problem of a requirement in the file where that stands."""
    match = re.match(r"requirement '([^']*)'", problem.place)
    file = next((each.file for each in libraries if match and match[1] in each.taken), "")
    return replace(problem, file=file) if file else problem
