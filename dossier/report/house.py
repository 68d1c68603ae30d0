"""What a house brings: its own sections, style sheet, logo and wording of the usual cautions."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, StringConstraints, ValidationError

from dossier.case.bounded import NotReadError, read_below
from dossier.case.explain import explain
from dossier.case.fields import Model
from dossier.case.problems import CaseError, CaseProblem
from dossier.case.toml_text import TomlError, parse_toml
from dossier.decision.cautions import GENERAL
from dossier.decision.finding import Caution
from dossier.report.logo import logo_faults, logo_uri

__all__ = [
    "ATTACHED",
    "DEFERENCE",
    "HOUSE_FILE",
    "House",
    "attached_house",
    "read_house",
    "worded",
]

DEFERENCE = GENERAL[0]
"""The caution that puts the OEM and local rules first: no house may reword or remove it."""
HOUSE_FILE = "house.toml"
ATTACHED = "house templates/"
"""What the names of a house's files begin with when they are attached to a dossier."""
MOST_FILES, MOST_BYTES = 64, 512 * 1024
HINT = f"a house has {MOST_FILES} files of {MOST_BYTES // 1024} KiB at most"
TEXTS = (".html", ".css", ".mplstyle", ".toml")
NOTES = (".md", ".txt")
"""Kinds of files that may lie in the folder and are not read."""
STYLES = ("dossier.css", "house.css")


class HouseCaution(Model):
    """A caution in the words of the house."""

    title: Annotated[str, StringConstraints(min_length=3, max_length=200, strip_whitespace=True)]
    text: Annotated[str, StringConstraints(min_length=10, max_length=4000, strip_whitespace=True)]
    replaces: str = ""
    """English title of the usual caution that it rewords; empty for one that is added."""


class HouseFile(Model):
    """house.toml."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=100, strip_whitespace=True)]
    logo: str = ""
    caution: tuple[HouseCaution, ...] = Field(default=(), max_length=40)


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """A house's folder, read once and found to be in order."""

    folder: str
    """Where it lies, for people."""
    called: str = ""
    """The name of its folder."""
    name: str = ""
    contents: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    """All files by name."""
    files: Mapping[str, str] = field(default_factory=dict)
    """Templates and style sheets by name; each stands in for ours of the same name."""
    logo: str = ""
    """The logo as a data URI; empty without one."""
    cautions: tuple[HouseCaution, ...] = ()
    digest: str = ""
    """SHA-256 over the names and contents of all files."""


def read_house(folder: Path) -> House:
    """Return the house in `folder`; raises CaseError with everything that is wrong with it."""
    if not folder.is_dir():
        what = CaseProblem(str(folder), "", "no such folder", "give the folder of the house")
        raise CaseError([what])
    problems: list[CaseProblem] = []
    contents = dict(_contents(folder, problems))
    return _house(folder.resolve().name, str(folder), contents, problems)


def attached_house(called: str, files: Mapping[str, bytes]) -> House:
    """Return the house whose files are attached to a dossier; `called` its folder's name once.

    `files` maps the names of all attachments to their contents.  Raises CaseError as `read_house`.
    """
    contents = {
        name.removeprefix(ATTACHED): content
        for name, content in files.items()
        if name.startswith(ATTACHED)
    }
    problems: list[CaseProblem] = []
    if len(contents) > MOST_FILES or any(len(each) > MOST_BYTES for each in contents.values()):
        problems.append(_problem(called, "", "more or larger files than a house may have", HINT))
        contents = {}
    return _house(called, called, contents, problems)


def _house(
    called: str, folder: str, contents: Mapping[str, bytes], problems: list[CaseProblem]
) -> House:
    document = _house_file(called, contents, problems)
    texts = dict(_texts(called, contents, problems))
    logo = _logo(called, contents, document, problems)
    problems += _caution_problems(called, document.caution)
    problems += _style_problems(called, texts)
    if problems:
        raise CaseError(dict.fromkeys(problems))
    digest = hashlib.sha256()
    for name, content in sorted(contents.items()):
        digest.update(f"{hashlib.sha256(content).hexdigest()}  {name}\n".encode())
    return House(
        folder=folder, called=called, name=document.name, contents=contents, files=texts,
        logo=logo, cautions=document.caution, digest=digest.hexdigest(),
    )  # fmt: skip


def _problem(called: str, name: str, what: str, hint: str) -> CaseProblem:
    return CaseProblem(f"{called}/{name}", "", what, hint)


def _contents(folder: Path, problems: list[CaseProblem]) -> Iterator[tuple[str, bytes]]:
    """Yield every file of the folder that is read; what leads out of it or is too large is not."""
    paths = sorted(folder.iterdir())
    if len(paths) > MOST_FILES:
        problems.append(_problem(folder.name, "", f"holds {len(paths)} files", HINT))
        return
    for path in paths:
        if path.name.startswith(".") or path.suffix.lower() in NOTES:
            continue
        if path.is_symlink() or not path.is_file():
            what = "is a link or a folder"
            problems.append(_problem(folder.name, path.name, what, "put the file itself there"))
        elif path.stat().st_size > MOST_BYTES:
            what = f"is larger than {MOST_BYTES // 1024} KiB"
            problems.append(_problem(folder.name, path.name, what, "make it smaller"))
        else:
            try:
                yield (
                    path.name,
                    read_below(folder.resolve(), folder.resolve() / path.name, MOST_BYTES),
                )
            except NotReadError as error:
                problems.append(_problem(folder.name, path.name, error.what, error.hint))


def _house_file(
    called: str, contents: Mapping[str, bytes], problems: list[CaseProblem]
) -> HouseFile:
    plain = HouseFile(name=called[:100] or "house")
    if HOUSE_FILE not in contents:
        return plain
    document: dict[str, Any] = {}
    try:
        document = parse_toml(contents[HOUSE_FILE])
        return HouseFile.model_validate(document)
    except ValidationError as error:
        problems += explain(f"{called}/{HOUSE_FILE}", error, HouseFile, document)
    except TomlError as error:
        problems.append(CaseProblem(f"{called}/{HOUSE_FILE}", error.place, error.what, error.hint))
    return plain


def _texts(
    called: str, contents: Mapping[str, bytes], problems: list[CaseProblem]
) -> Iterator[tuple[str, str]]:
    for name, content in contents.items():
        suffix = Path(name).suffix.lower()
        unread = suffix == ".css" and name not in STYLES
        unread |= suffix == ".mplstyle" and name != "charts.mplstyle"
        unread |= suffix == ".toml" and name != HOUSE_FILE
        if unread:
            hint = f"style sheets are {', '.join(STYLES)} and charts.mplstyle"
            problems.append(_problem(called, name, "is not a name that is read", hint))
        elif suffix in TEXTS:
            try:
                yield name, content.decode("utf-8")
            except UnicodeDecodeError:
                problems.append(_problem(called, name, "not UTF-8 text", "save it as UTF-8"))


def _logo(
    called: str, contents: Mapping[str, bytes], document: HouseFile, problems: list[CaseProblem]
) -> str:
    pictures = [name for name in contents if Path(name).suffix.lower() not in TEXTS]
    for name in pictures:
        if name != document.logo:
            hint = f'name the logo in {HOUSE_FILE}: logo = "{name}"; nothing else is read'
            problems.append(_problem(called, name, "is not read", hint))
    if not document.logo:
        return ""
    if document.logo not in contents:
        what = f"the logo {document.logo!r} is not in the folder"
        problems.append(_problem(called, HOUSE_FILE, what, "put it beside house.toml"))
        return ""
    content = contents[document.logo]
    faults = logo_faults(document.logo, content)
    hint = "a logo is a small SVG of plain shapes, or a PNG"
    problems += [_problem(called, document.logo, fault, hint) for fault in faults]
    return "" if faults else logo_uri(document.logo, content)


def _caution_problems(called: str, cautions: Sequence[HouseCaution]) -> Iterator[CaseProblem]:
    known = {each.name for each in GENERAL}
    for each in cautions:
        if each.replaces == DEFERENCE.name:
            what = f"the caution {DEFERENCE.name!r} cannot be reworded"
            yield _problem(called, HOUSE_FILE, what, "add a caution of your own beside it")
        elif each.replaces and each.replaces not in known:
            hint = f"titles are {'; '.join(sorted(known - {DEFERENCE.name}))}"
            what = f"there is no usual caution {each.replaces!r}"
            yield _problem(called, HOUSE_FILE, what, hint)


def _style_problems(called: str, texts: Mapping[str, str]) -> Iterator[CaseProblem]:
    if "charts.mplstyle" not in texts:
        return
    from dossier.report.chart_style import styled

    try:
        with styled(texts["charts.mplstyle"]):
            pass
    except (KeyError, ValueError) as error:
        words = " ".join(str(error).split())[:160]
        yield _problem(called, "charts.mplstyle", words, "use the settings of Matplotlib")


def worded(general: Sequence[Caution], house: House | None) -> tuple[Caution, ...]:
    """Return the usual cautions in the words of the house, its own ones after them."""
    if house is None:
        return tuple(general)
    new = {each.replaces: each for each in house.cautions if each.replaces}
    kept = [
        Caution(title=new[old.name].title, text=new[old.name].text, computed=False)
        if old.name in new and old.name != DEFERENCE.name
        else old
        for old in general
    ]
    added = [each for each in house.cautions if not each.replaces]
    return (*kept, *(Caution(title=e.title, text=e.text, computed=False) for e in added))
