"""Applications as a case names them: one, or several, and the requirement sets they extend."""

import posixpath
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import combinations
from typing import Any

from pydantic import Field

from dossier.case.application import Application, Library, Name, Words, joined_applications, mark_of
from dossier.case.case import Applied, Case
from dossier.case.fields import Day, Model
from dossier.case.problems import CaseProblem
from dossier.case.requested import on_file, on_file_together
from dossier.case.seen import plain
from dossier.case.toml_text import parsed_as, toml_text
from dossier.case.whole import Path


class RequirementSet(Model):
    """A file of requirements that many applications share; it extends no other."""

    title: Name
    revision: Name
    issued: Day
    owner: Words = ""
    notes: Words = ""
    requirement: tuple[dict[str, Any], ...] = Field(min_length=1, max_length=200)


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
    named = made.document.pop("extends", None)
    files = [named] if isinstance(named, str) else named
    if files is None:
        return made
    if not isinstance(files, list) or not all(isinstance(each, str) for each in files):
        hint = 'write extends = "../library/x.toml", or a list of such paths'
        made.problems.append(CaseProblem(path, "extends", "is no path of a file", hint))
        return made
    own = document.get("requirement", [])
    made.document["requirement"] = [*own] if isinstance(own, list) else own
    for each in files if isinstance(own, list) else ():
        file = posixpath.normpath(posixpath.join(posixpath.dirname(path), each))
        content = fetch(file)
        found, faults = (None, []) if content is None else parsed_as(RequirementSet, file, content)
        made.problems += faults
        if found is not None:
            _take(made, file, found, {str(r.get("id")) for r in own if isinstance(r, dict)})
    return made


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
        place = f"requirement {name!r}"
        if name in taken or name in others:
            what = f"{name!r} stands in {others.get(name, file)} too"
            hint = "give each requirement an id of its own, or state it in the application"
            made.problems.append(CaseProblem(file, place, what, hint))
        taken.append(name)
        source = each.get("source")
        from_set = {"source": f"{source} ({file}, {found.revision})"} if source else {}
        made.origins["requirement", len(made.document["requirement"])] = (file, place)
        made.document["requirement"].append({**each, **from_set})
    head = {key: getattr(found, key) for key in ("title", "revision", "issued")}
    library = Library(file=file, **head, taken=tuple(taken), overridden=tuple(overridden))
    made.libraries.append(library)


def placed(problem: CaseProblem, libraries: Sequence[Library]) -> CaseProblem:
    """Return a problem of a requirement in the file where that stands."""
    match = re.match(r"requirement '([^']*)'", problem.place)
    file = next((each.file for each in libraries if match and match[1] in each.taken), "")
    return replace(problem, file=file) if file else problem


def files_of(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the files of the applications that case.toml names, whatever else it says wrong."""
    named = document.get("applications", [document.get("application", "application.toml")])
    return tuple(each for each in named if isinstance(each, str)) if type(named) is list else ()


def all_joined(several: Mapping[str, Application]) -> Application:
    """Return the only application, by its file, or all of them joined."""
    marks = {mark_of(file): each for file, each in several.items()}
    return joined_applications(marks) if len(several) > 1 else next(iter(several.values()))


def of_several(case: Case, applied: Sequence[Applied], tested: date) -> Case:
    """Return a case with the same evidence for each of its applications by itself.

    `tested` is the day of its first test.
    """
    parts = []
    for each in applied:
        mark, said = mark_of(each.file), case.qualification
        granted = [c for c in said.concession if c.requirement.partition(" ")[0] == mark]
        own = {"application": each.file, "applications": None, "concession": tuple(granted)}
        part = replace(case, mark=mark, application=each.application, libraries=each.libraries)
        told, asked = on_file(each.requests, each.text, tested), said.model_copy(update=own)
        parts.append(replace(part, on_file=told, qualification=asked, dropped=()))
    together = on_file_together({part.mark: part.on_file for part in parts})
    joined = all_joined({each.file: each.application for each in applied})
    used = tuple(dict.fromkeys(each for part in parts for each in part.libraries))
    whole = replace(case, parts=tuple(parts), on_file=together)
    return replace(whole, application=joined, libraries=used)


def together_problems(
    files: Sequence[str], several: Mapping[str, Application]
) -> Iterator[CaseProblem]:
    """Yield what keeps applications, by their files, from being told apart."""
    for file in dict.fromkeys(each for each in files if files.count(each) > 1):
        yield CaseProblem("case.toml", "applications", f"names {file!r} twice", "name it once")
    known = {
        "file name": {file: plain(mark_of(file)) for file in several},
        "title": {file: plain(each.title) for file, each in several.items()},
    }
    for what, names in known.items():
        first: dict[str, str] = {}
        for file, name in names.items():
            if (other := first.setdefault(name, file)) != file:
                hint = "each is known by its file and its title: name them apart"
                yield CaseProblem(file, "", f"has the {what} of {other}: {name!r}", hint)
    for other, file in combinations(several, 2):
        if _asks(several[file]) == _asks(several[other]):
            hint = "it decides nothing more: leave it out"
            yield CaseProblem(file, "", f"asks just what {other} asks", hint)


def _asks(application: Application) -> Application:
    """Return what an application asks for on its machines, whatever it is called."""
    none = {"title": "", "revision": "", "issued": date.min, "owner": "", "notes": ""}
    return application.model_copy(update=none)
