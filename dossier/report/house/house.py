"""What a house brings: words, a logo, a colour and fonts of its own; never a page of ours.

All of it is data that is checked and set by our templates and our style sheet.  A house gives no
template and no style sheet, so that it can neither run nor cover, move, hide or restyle anything.
"""

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, StringConstraints, ValidationError

from dossier.case.attached import NotReadError, read_below
from dossier.case.fields import Model
from dossier.case.problems import CaseError, CaseProblem
from dossier.case.toml_text import TomlError, parse_toml, problems_in
from dossier.decision.cautions import GENERAL
from dossier.report.charts.style import setting_faults
from dossier.report.house.house_words import (
    FontError,
    WordsError,
    logo_faults,
    logo_uri,
    own_font,
    set_words,
)

DEFERENCE = GENERAL[0]
"""The caution that puts the OEM and local rules first: no house may reword or remove it."""
HOUSE_FILE, CHARTS = "house.toml", "charts.mplstyle"
ATTACHED = "house files/"
"""What the names of a house's files begin with when they are attached to a dossier."""
MOST_FILES, MOST_BYTES = 64, 512 * 1024
HINT = f"a house has {MOST_FILES} files of {MOST_BYTES // 1024} KiB at most"
NOTES = (".md", ".txt")
"""Kinds of files that may lie in the folder and are not read."""
COLOURS = {
    "black": "#000000", "grey": "#404040", "blue": "#003366", "green": "#1b4d2e",
    "red": "#7a1f1f", "brown": "#5a3a1a", "violet": "#4a2a6a", "teal": "#0a4a4a",
}  # fmt: skip
"""Colours of headings by name; the contrast of each to white is above 7, as WCAG 2.2 asks of
text at its level AAA."""
NOT_TAKEN = {
    ".html": "a house does not set our sections: name the file in a [[section]] of house.toml, "
    "and it becomes a section of the house's own",
    ".css": 'style sheets are not read: colour = "blue", font = "name.ttf" in house.toml style '
    "the headings and the house's own words",
    ".mplstyle": f"settings of the charts go into {CHARTS}",
    ".toml": f"the file of a house is {HOUSE_FILE}",
    ".ttf": 'name it in house.toml: font = "name.ttf" or font_bold',
}
"""What to do about files of a kind that nothing names."""

NAME = r"^[\w .,&()/+'-]{1,60}$"
"""No mark in it ends the quotation in which the foot of page one names the house."""
Title = Annotated[str, StringConstraints(min_length=3, max_length=200, strip_whitespace=True)]
FileName = Annotated[str, StringConstraints(max_length=100)]


class HouseCaution(Model):
    """A caution in the words of the house."""

    title: Title
    text: Annotated[str, StringConstraints(min_length=10, max_length=4000, strip_whitespace=True)]
    replaces: str = ""
    """English title of the usual caution that it rewords; empty for one that is added."""


class SectionEntry(Model):
    """A section of the house's own."""

    title: Title
    file: FileName
    """File with its words, in the few elements of `house_words`."""


class HouseFile(Model):
    """house.toml."""

    name: Annotated[str, StringConstraints(max_length=60, strip_whitespace=True, pattern=NAME)]
    logo: FileName = ""
    colour: Annotated[str, StringConstraints(max_length=20)] = "black"
    font: FileName = ""
    font_bold: FileName = ""
    caution: tuple[HouseCaution, ...] = Field(default=(), max_length=40)
    section: tuple[SectionEntry, ...] = Field(default=(), max_length=12)


@dataclass(frozen=True, slots=True)
class HouseSection:
    """A section of the house's own, ready to be printed."""

    title: str
    html: str
    """Its words, escaped, in elements without attributes of the house's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """A house's folder, read once and found to be in order."""

    called: str = ""
    """The name of its folder."""
    name: str = ""
    contents: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    """All files by name."""
    logo: str = ""
    """The logo as a data URI; empty without one."""
    colour: str = COLOURS["black"]
    fonts: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    """Fonts of the house's own words, by "regular" and "bold"."""
    charts: str = ""
    """Settings of the charts, each one that a house may give."""
    cautions: tuple[HouseCaution, ...] = ()
    sections: tuple[HouseSection, ...] = ()
    digest: str = ""
    """SHA-256 over the names and contents of all files."""


def read_house(folder: Path) -> House:
    """Return the house in `folder`; raises CaseError with everything that is wrong with it."""
    if not folder.is_dir():
        what = CaseProblem(str(folder), "", "no such folder", "give the folder of the house")
        raise CaseError([what])
    problems: list[CaseProblem] = []
    contents = dict(_contents(folder, problems))
    return _house(folder.resolve().name, contents, problems)


def own_files(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the files of a house among all attachments of a dossier, by their own names."""
    begins = ((name.removeprefix(ATTACHED), name) for name in files if name.startswith(ATTACHED))
    return {name: files[attached] for name, attached in begins}


def attached_house(called: str, files: Mapping[str, bytes]) -> House:
    """Return the house whose files are attached to a dossier; `called` its folder's name once.

    `files` maps the names of all attachments to their contents.  Raises CaseError as `read_house`.
    """
    contents = own_files(files)
    problems: list[CaseProblem] = []
    if len(contents) > MOST_FILES or any(len(each) > MOST_BYTES for each in contents.values()):
        problems.append(_problem(called, "", "more or larger files than a house may have", HINT))
        contents = {}
    return _house(called, contents, problems)


def digest_of(contents: Mapping[str, bytes]) -> str:
    """Return the SHA-256 that stands for a house: over names and contents of all its files."""
    digest = hashlib.sha256()
    for name, content in sorted(contents.items()):
        digest.update(f"{hashlib.sha256(content).hexdigest()}  {name}\n".encode())
    return digest.hexdigest()


def _house(called: str, contents: Mapping[str, bytes], problems: list[CaseProblem]) -> House:
    document = _house_file(called, contents, problems)
    problems += _unread(called, contents, document)
    problems += _caution_problems(called, document.caution)
    logo = _logo(called, contents, document, problems)
    fonts = dict(_fonts(called, contents, document, problems))
    sections = tuple(_sections(called, contents, document, problems))
    charts = _text(called, CHARTS, contents, problems) if CHARTS in contents else ""
    hint = "leave it out: the charts take few settings, within bounds"
    problems += (_problem(called, CHARTS, fault, hint) for fault in setting_faults(charts))
    if document.colour not in COLOURS:
        what, hint = f"{document.colour!r} is no colour of the list", ", ".join(COLOURS)
        problems.append(CaseProblem(f"{called}/{HOUSE_FILE}", "colour", what, f"colours: {hint}"))
    if problems:
        raise CaseError(dict.fromkeys(problems))
    return House(
        called=called, name=document.name, contents=contents, logo=logo,
        colour=COLOURS[document.colour], fonts=fonts, charts=charts, cautions=document.caution,
        sections=sections, digest=digest_of(contents),
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
    plain = HouseFile(name=called if re.fullmatch(NAME, called) else "house")
    if HOUSE_FILE not in contents:
        return plain
    document: dict[str, Any] = {}
    try:
        document = parse_toml(contents[HOUSE_FILE])
        return HouseFile.model_validate(document)
    except ValidationError as error:
        problems += problems_in(f"{called}/{HOUSE_FILE}", error, HouseFile, document)
    except TomlError as error:
        problems.append(error.of(f"{called}/{HOUSE_FILE}"))
    return plain


def _unread(
    called: str, contents: Mapping[str, bytes], document: HouseFile
) -> Iterator[CaseProblem]:
    """Yield a problem for each file that nothing names, and each name without a file."""
    named = {document.logo, document.font, document.font_bold, *(e.file for e in document.section)}
    for name in sorted(set(contents) - named - {HOUSE_FILE, CHARTS}):
        usual = f'name it in {HOUSE_FILE}, as in logo = "{name}"; nothing else is read'
        yield _problem(called, name, "is not read", NOT_TAKEN.get(Path(name).suffix.lower(), usual))
    for name in sorted(named - set(contents) - {""}):
        what = f"the file {name!r} is not in the folder"
        yield _problem(called, HOUSE_FILE, what, "put it beside house.toml")


def _text(
    called: str, name: str, contents: Mapping[str, bytes], problems: list[CaseProblem]
) -> str:
    try:
        return contents.get(name, b"").decode("utf-8")
    except UnicodeDecodeError:
        problems.append(_problem(called, name, "not UTF-8 text", "save it as UTF-8"))
        return ""


def _logo(
    called: str, contents: Mapping[str, bytes], document: HouseFile, problems: list[CaseProblem]
) -> str:
    if document.logo not in contents:
        return ""
    content = contents[document.logo]
    faults = logo_faults(document.logo, content)
    hint = "a logo is a small SVG of plain shapes, or a PNG"
    problems += [_problem(called, document.logo, fault, hint) for fault in faults]
    return "" if faults else logo_uri(document.logo, content)


def _fonts(
    called: str, contents: Mapping[str, bytes], document: HouseFile, problems: list[CaseProblem]
) -> Iterator[tuple[str, bytes]]:
    for kind, name in (("regular", document.font), ("bold", document.font_bold)):
        if name not in contents:
            continue
        try:
            yield kind, own_font(contents[name])
        except FontError as error:
            hint = "a font of a house is one TrueType file (.ttf)"
            problems.append(_problem(called, name, str(error), hint))


def _sections(
    called: str, contents: Mapping[str, bytes], document: HouseFile, problems: list[CaseProblem]
) -> Iterator[HouseSection]:
    for each in document.section:
        try:
            words = set_words(_text(called, each.file, contents, problems))
            yield HouseSection(each.title, words)
        except WordsError as error:
            problems.append(_problem(called, each.file, str(error), error.hint))


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
