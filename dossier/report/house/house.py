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
from dossier.case.problems import CaseError, CaseProblem, refusal
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
        raise refusal(str(folder), "", "no such folder", "give the folder of the house")
    reading = _Reading(folder.resolve().name)
    reading.contents |= _contents(folder, reading)
    return reading.house()


def own_files(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the files of a house among all attachments of a dossier, by their own names."""
    begins = ((name.removeprefix(ATTACHED), name) for name in files if name.startswith(ATTACHED))
    return {name: files[attached] for name, attached in begins}


def attached_house(called: str, files: Mapping[str, bytes]) -> House:
    """Return the house whose files are attached to a dossier; `called` its folder's name once.

    `files` maps the names of all attachments to their contents.  Raises CaseError as `read_house`.
    """
    reading = _Reading(called, own_files(files))
    sizes = list(map(len, reading.contents.values()))
    if len(sizes) > MOST_FILES or max(sizes, default=0) > MOST_BYTES:
        reading.refuse("", "more or larger files than a house may have", HINT)
        reading.contents = {}
    return reading.house()


def digest_of(contents: Mapping[str, bytes]) -> str:
    """Return the SHA-256 that stands for a house: over names and contents of all its files."""
    digest = hashlib.sha256()
    for name, content in sorted(contents.items()):
        digest.update(f"{hashlib.sha256(content).hexdigest()}  {name}\n".encode())
    return digest.hexdigest()


def _contents(folder: Path, reading: "_Reading") -> Iterator[tuple[str, bytes]]:
    """Yield every file of the folder that is read; what leads out of it or is too large is not."""
    paths = sorted(folder.iterdir())
    if len(paths) > MOST_FILES:
        reading.refuse("", f"holds {len(paths)} files", HINT)
        return
    for path in paths:
        if path.name.startswith(".") or path.suffix.lower() in NOTES:
            continue
        if path.is_symlink() or not path.is_file():
            reading.refuse(path.name, "is a link or a folder", "put the file itself there")
        elif path.stat().st_size > MOST_BYTES:
            what = f"is larger than {MOST_BYTES // 1024} KiB"
            reading.refuse(path.name, what, "make it smaller")
        else:
            whole = folder.resolve()
            try:
                yield path.name, read_below(whole, whole / path.name, MOST_BYTES)
            except NotReadError as error:
                reading.refuse(path.name, error.what, error.hint)


@dataclass(slots=True)
class _Reading:
    """The files of a house, and what was found to be wrong with them."""

    called: str
    contents: dict[str, bytes] = field(default_factory=dict)
    problems: list[CaseProblem] = field(default_factory=list)

    def refuse(self, name: str, what: str, hint: str, place: str = "") -> None:
        """Note what is wrong with a file."""
        self.problems.append(CaseProblem(f"{self.called}/{name}", place, what, hint))

    def house(self) -> House:
        """Return the house; CaseError with everything that is wrong with it."""
        document = self._document()
        self._look_for_unread(document)
        self._look_at_cautions(document.caution)
        logo, fonts = self._logo(document.logo), dict(self._fonts(document))
        sections = tuple(self._sections(document.section))
        charts = self._text(CHARTS)
        for fault in setting_faults(charts):
            self.refuse(CHARTS, fault, "leave it out: the charts take few settings, within bounds")
        if document.colour not in COLOURS:
            what, hint = f"{document.colour!r} is no colour of the list", ", ".join(COLOURS)
            self.refuse(HOUSE_FILE, what, f"colours: {hint}", "colour")
        if self.problems:
            raise CaseError(dict.fromkeys(self.problems))
        return House(
            called=self.called, name=document.name, contents=self.contents, logo=logo,
            colour=COLOURS[document.colour], fonts=fonts, charts=charts, cautions=document.caution,
            sections=sections, digest=digest_of(self.contents),
        )  # fmt: skip

    def _document(self) -> HouseFile:
        plain = HouseFile(name=self.called if re.fullmatch(NAME, self.called) else "house")
        if HOUSE_FILE not in self.contents:
            return plain
        document: dict[str, Any] = {}
        try:
            document = parse_toml(self.contents[HOUSE_FILE])
            return HouseFile.model_validate(document)
        except ValidationError as error:
            place = f"{self.called}/{HOUSE_FILE}"
            self.problems += problems_in(place, error, HouseFile, document)
        except TomlError as error:
            self.problems.append(error.of(f"{self.called}/{HOUSE_FILE}"))
        return plain

    def _look_for_unread(self, said: HouseFile) -> None:
        """Note each file that nothing names, and each name without a file."""
        named = {said.logo, said.font, said.font_bold, *(each.file for each in said.section)}
        for name in sorted(set(self.contents) - named - {HOUSE_FILE, CHARTS}):
            usual = f'name it in {HOUSE_FILE}, as in logo = "{name}"; nothing else is read'
            self.refuse(name, "is not read", NOT_TAKEN.get(Path(name).suffix.lower(), usual))
        for name in sorted(named - set(self.contents) - {""}):
            what = f"the file {name!r} is not in the folder"
            self.refuse(HOUSE_FILE, what, "put it beside house.toml")

    def _text(self, name: str) -> str:
        try:
            return self.contents.get(name, b"").decode("utf-8")
        except UnicodeDecodeError:
            self.refuse(name, "not UTF-8 text", "save it as UTF-8")
            return ""

    def _logo(self, name: str) -> str:
        content = self.contents.get(name)
        faults = [] if content is None else logo_faults(name, content)
        for fault in faults:
            self.refuse(name, fault, "a logo is a small SVG of plain shapes, or a PNG")
        return "" if content is None or faults else logo_uri(name, content)

    def _fonts(self, said: HouseFile) -> Iterator[tuple[str, bytes]]:
        for kind, name in (("regular", said.font), ("bold", said.font_bold)):
            if name in self.contents:
                try:
                    yield kind, own_font(self.contents[name])
                except FontError as error:
                    self.refuse(name, str(error), "a font of a house is one TrueType file (.ttf)")

    def _sections(self, entries: Sequence[SectionEntry]) -> Iterator[HouseSection]:
        for each in entries:
            try:
                yield HouseSection(each.title, set_words(self._text(each.file)))
            except WordsError as error:
                self.refuse(each.file, str(error), error.hint)

    def _look_at_cautions(self, cautions: Sequence[HouseCaution]) -> None:
        known = {each.name for each in GENERAL}
        for each in cautions:
            if each.replaces == DEFERENCE.name:
                what = f"the caution {DEFERENCE.name!r} cannot be reworded"
                self.refuse(HOUSE_FILE, what, "add a caution of your own beside it")
            elif each.replaces and each.replaces not in known:
                hint = f"titles are {'; '.join(sorted(known - {DEFERENCE.name}))}"
                self.refuse(HOUSE_FILE, f"there is no usual caution {each.replaces!r}", hint)
