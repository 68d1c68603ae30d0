"""Applications as a case names them: one, or several that one filter shall fit."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dossier.case.application import Application, joined_applications, mark_of
from dossier.case.case import Case, InputFile
from dossier.case.consistency import plain
from dossier.case.extended import Library
from dossier.case.problems import CaseProblem
from dossier.case.requested import RequestEntry, on_file, on_file_together


@dataclass(frozen=True, slots=True)
class Applied:
    """An application as the case names it."""

    file: str
    application: Application
    text: bytes
    """What it asks for as TOML, with the requirements that it takes from elsewhere."""
    source: InputFile
    libraries: tuple[Library, ...]
    requests: tuple[RequestEntry, ...]
    """Those on file for it."""


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
        part = replace(
            case, mark=mark, application=each.application, libraries=each.libraries,
            on_file=on_file(each.requests, each.text, tested), dropped=(),
            qualification=said.model_copy(update=own),
        )  # fmt: skip
        parts.append(part)
    return replace(
        case, parts=tuple(parts), on_file=on_file_together({p.mark: p.on_file for p in parts}),
        application=all_joined({each.file: each.application for each in applied}),
        libraries=tuple(dict.fromkeys(each for part in parts for each in part.libraries)),
    )  # fmt: skip


def together_problems(
    files: Sequence[str], several: Mapping[str, Application]
) -> Iterator[CaseProblem]:
    """Yield what keeps applications, by their files, from being told apart."""
    for file in dict.fromkeys(each for each in files if files.count(each) > 1):
        yield CaseProblem("case.toml", "applications", f"names {file!r} twice", "name it once")
    known: Mapping[str, Callable[[str], str]] = {
        "file name": lambda file: plain(mark_of(file)),
        "title": lambda file: plain(several[file].title),
    }
    for what, of in known.items():
        first: dict[str, str] = {}
        for file in several:
            other = first.setdefault(of(file), file)
            if other != file:
                hint = "each is known by its file and its title: name them apart"
                yield CaseProblem(file, "", f"has the {what} of {other}: {of(file)!r}", hint)
    for file, each in several.items():
        for other in list(several)[: list(several).index(file)]:
            if _asks(each) == _asks(several[other]):
                hint = "it decides nothing more: leave it out"
                yield CaseProblem(file, "", f"asks just what {other} asks", hint)


def _asks(application: Application) -> Application:
    """Return what an application asks for on its machines, whatever it is called."""
    none = {"title": "", "revision": "", "issued": date.min, "owner": "", "notes": ""}
    return application.model_copy(update=none)
