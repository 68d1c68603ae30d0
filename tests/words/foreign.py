"""A demo case whose user writes Greek, in a dossier whose every translated word is Cyrillic.

What is left in Latin letters was said by neither: it escaped the catalogue.
"""

import base64
import html
import re
import shutil
from dataclasses import dataclass
from html.parser import HTMLParser
from string import Formatter
from typing import get_args

from dossier import words
from dossier.case import application, model
from dossier.evidence.quantities import all_quantities
from dossier.make import decide, read
from dossier.report import render
from dossier.report.assets import CHART, data_uri
from dossier.report.layout.pdf import Rendered
from dossier.words import catalogue
from tests.sign_demo_cases import ASKED, put_on_file
from tests.spelled import INPUTS
from tests.words.messages import needed

LATIN = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
CYRILLIC = "абцдефгхийклмнопярстувшжызАБЦДЕФГХИЙКЛМНОПЯРСТУВШЖЫЗ"
GREEK = "αβςδεφγηιξκλμνοπψρστυϊωχϋζΑΒΨΔΕΦΓΗΙΞΚΛΜΝΟΠΪΡΣΤΥΫΩΧΆΖ"
FREE = (
    "accreditation", "agreed_by", "calibrated_by", "cause", "certificate", "characteristic",
    "description", "equipment", "fluid", "id", "kind", "laboratory", "lots", "machines", "maker",
    "meaning", "methods", "name", "notes", "owner", "purpose", "source", "standard", "text",
    "title", "until",
)  # fmt: skip
"""Keys under which a user writes words of his own; a code under `kind` stays."""
NAMES = {"id", "fluid", "kind", "laboratory", "standard", "methods"}
"""Keys of names: one with a digit in it, as of a standard or a dust, and a record's stay."""
_TYPED = re.compile(rf'(?<![\w"])({"|".join(FREE)})(\s*=\s*)("[^"]*"|\[[^\]]*\])')
_QUOTED = re.compile(r'"[^"]*"')
_KEPT = re.compile(r'"[A-Z]+-[A-Z-]+"|.*\d.*')
_PHRASE = re.compile(r"(?<=^)[^,]*[a-z]{2} [^,\[]*(?=,)|(?<=,)[^,]*[a-z]{2}[ ;][^,\[]*(?=,|$)")
"""Cells of words in a table, other than headers with a unit."""
_WORDS = re.compile(rf"{_PHRASE.pattern}|(?<=,)[a-z]+(?=,)")
"""The same, and cells of one word."""
_SAID = re.compile(r"(<dcc:(?:content|uniqueIdentifier)[^>]*>)([^<]*)")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


def cyrillic(text):
    """Return a sentence with the letters outside of its places changed."""
    pieces = []
    for said, name, spec, conversion in Formatter().parse(text):
        pieces.append(said.translate(str.maketrans(LATIN, CYRILLIC)))
        if name is not None:
            ending = f"!{conversion}" if conversion else ""
            pieces.append(f"{{{name}{ending}{':' + spec if spec else ''}}}")
    return "".join(pieces)


class Cyrillic:
    """A language that has a word for every sentence that is known, and for no other."""

    name = "de"
    decimal_mark = ","

    def __init__(self):
        self.known = {(context, form) for context, forms in needed() for form in forms}

    def say(self, text, context):
        return cyrillic(text) if (context, text) in self.known else text

    def say_count(self, number, one, many):
        return self.say(one if number == 1 else many, "")

    def day(self, when):
        return f"{when:%d.%m.%Y}"


def codes():
    """Return the words that a user must choose from, and the names of the quantities."""
    found = set(all_quantities())
    for declared in (*vars(application).values(), *vars(model).values()):
        for field in getattr(declared, "model_fields", {}).values():
            found |= set(_literals(field.annotation))
    return found


def _literals(annotation):
    for each in get_args(annotation):
        if isinstance(each, str):
            yield each
        else:
            yield from _literals(each)


def written_in_greek(name, folder):
    """Return the folder of a copy of a demo case, in a foreign language, its user's words Greek."""
    copy = folder / name
    shutil.copytree(INPUTS / name, copy)
    fixed = codes()

    def greek(text):
        return _POINT.sub("·", text.translate(str.maketrans(LATIN, GREEK)))

    def named(found):
        return found[0] if _KEPT.fullmatch(found[0]) else greek(found[0])

    def typed(found):
        key, equals, value = found.groups()
        if value.strip('"') in fixed:
            return found[0]
        if key in NAMES:
            return f"{key}{equals}{_QUOTED.sub(named, value)}"
        return f"{key}{equals}{greek(value)}"

    def written(cell):
        is_code = {part.strip() for part in cell[0].split(";")} <= fixed
        return cell[0] if is_code else greek(cell[0])

    for path in copy.rglob("*.toml"):
        path.write_text(_TYPED.sub(typed, path.read_text("utf-8")), encoding="utf-8")
    for path in copy.rglob("*.xml"):  # calibration certificates
        words = _SAID.sub(lambda found: found[1] + greek(found[2]), path.read_text("utf-8"))
        path.write_text(words, encoding="utf-8")
    for path in copy.rglob("*.csv"):
        lines = path.read_text("utf-8").splitlines()
        names, cells = "", _PHRASE
        if path.parent == copy:  # a table of runs or instruments
            names, cells = next(line for line in lines if line[0] != "#"), _WORDS
        changed = [
            greek(line) if line[0] == "#" else line if line == names else cells.sub(written, line)
            for line in lines
        ]
        path.write_text("\n".join(changed) + "\n", encoding="utf-8")
    case = copy / "case.toml"
    case.write_text('language = "de"\n' + case.read_text("utf-8"), encoding="utf-8")
    put_on_file(copy, ASKED[name])
    return copy


@dataclass
class Pages:
    """What a reader of the dossier gets, before it is laid out."""

    text: list[str]
    """Words between the tags, one entry a piece."""
    spoken: list[str]
    """Words in attributes: read out, in the margins, in the properties of the file."""
    charts: list[str]
    """Words in charts."""
    attached: list[str]
    """Descriptions of the attached files."""


SPOKEN = {
    "alt", "aria-label", "content", "data-concern", "data-left", "data-of", "data-page",
    "data-right", "title",
}  # fmt: skip
"""Attributes of which a reader gets to know."""


class _Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.pages = Pages([], [], [], [])

    def handle_starttag(self, tag, attrs):
        for name, value in attrs:
            if name in SPOKEN and value:
                self.pages.spoken.append(value)
            if name == "src" and value and value.startswith("data:image/svg+xml;base64,"):
                drawing = base64.b64decode(value.partition(",")[2]).decode("utf-8")
                texts = re.findall(r"<text[^>]*>([^<]*)</text>", drawing)
                self.pages.charts += [html.unescape(each) for each in texts]

    def handle_data(self, data):
        if data.strip():
            self.pages.text.append(" ".join(data.split()))


def pages_of(folder, monkeypatch, tongue=None):
    """Return the pages of a case, said in `tongue`, or in the language that the case names."""
    taken = []

    def take(sheet, picture):
        # what is only kept on one line is no piece of its own
        source = re.sub(r'<span class="(?:kept|called)">(.*?)</span>', r"\1", sheet.html)
        source = re.sub(f"{CHART}[0-9]+", lambda at: data_uri(picture(at[0])), source)
        taken.append((source, [description for *_, description in sheet.attached]))
        return Rendered(b"", ())

    monkeypatch.setattr(render, "lay_out", take)
    if tongue is not None:
        monkeypatch.setattr(words, "tongue", lambda _: tongue)
        monkeypatch.setattr(catalogue, "tongue", lambda _: tongue)
    case = read.read_case(folder)
    decide.compose(case, decide.assess(case), decide.issue_date(case))
    source, descriptions = taken[-1]
    reader = _Reader()
    reader.feed(source)
    reader.pages.attached = descriptions
    return reader.pages
