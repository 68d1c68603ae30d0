"""From an assessment to a PDF that carries its own proof: PDF/A-3a, tagged, the same bytes."""

import json
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import chain
from typing import Any

from dossier.case.case import Case
from dossier.case.problems import CaseError, CaseProblem
from dossier.decision.finding import Assessment
from dossier.report.assets import STYLE, Later, drawn_later, source_of, templates
from dossier.report.blocks import in_rows
from dossier.report.format import SPACE, clean
from dossier.report.house.house import ATTACHED, House
from dossier.report.layout.glyphs import boxed, lacking, named_letter
from dossier.report.layout.pdf import Rendered, Sheet, lay_out, load_weasyprint, without_collector
from dossier.report.pages.contents import Content, build_content
from dossier.report.pages.places import named as in_runs
from dossier.report.running import printing, written_in
from dossier.report.signing import SignOff
from dossier.words import language, say, say_count, speaking

_UNIT = "(?:m?L/min|US\u00a0gal/min|in³/min|mm²/s|m²/s|kg/m³|g/h|mg/L|m³/s)"
_COMPOUND = re.compile(
    rf"(?:[0-9][0-9.,\u202f]*[ \u00a0])?{_UNIT}"
    r"|\([^() ]*\u00a0±[^() ]*\)|\((?=[^()\n]{1,18}\))[^() \n]+ [^()\n]+\)"
    r"|\b[0-9]{1,3}(?: 000)+\b"
    r"|\b(?:ISO(?:/IEC)?|ASTM|JCGM|SAE) [A-Z]?[0-9][0-9-]*(?::[0-9]{4})?"
    r"|(?P<name>\b\w+(?:[-/]\w+)+)(?::[0-9/]+)?"
)
"""Compound units, numbers with uncertainty or interval, standards, names: none is broken."""
_CODE = re.compile(r"(?=.*[-/][^\W\d])(?:[^a-zß-öø-ÿ]+|.*[0-9].*)")
"""A name whoever wrote it: in capitals or with a digit, and with a letter where it may break."""
LONG = 12
"""A name longer than this is broken where a line of its own has no room for it [characters]."""
_HYPHENED = re.compile(r"\w+(?:-\w+)+")
_DIGEST = re.compile(r"\b[0-9a-f]{16,}\b")
"""A digest: broken anywhere, without a hyphen that would seem to be of it."""
_MAY_BREAK = re.compile("[^A-Za-zÀ-ž0-9.,()%°±≥≤µ²³\u00a0\u202f]|[A-Za-zÀ-ž]{5}")
"""Where a line may break, or a long word be hyphenated: without such a place all is kept anyway,
and a span of its own would cost the layout half a millisecond."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A dossier whose words are set and whose charts wait to be drawn."""

    content: Content
    charts: Later
    attached: tuple[tuple[str, bytes, str, str], ...]
    environment: Any

    def sheet(self) -> Sheet:
        """Return what the layout takes."""
        template = self.environment.get_template("dossier.html")
        html = template.render(page=self.content, lacked="")
        if found := lacking(html):
            lacked = "; ".join(map(named_letter, found))
            html = boxed(template.render(page=self.content, lacked=lacked))
        html = referred(html)
        fonts = self.content.house.fonts if self.content.house else {}
        style = source_of(self.environment, STYLE)
        return Sheet(html, style, self.attached, self.content.issued, fonts)


def referred(html: str) -> str:
    """Return the dossier with the numbers of its tables and figures beside their section's title.

    Page two, without a number of its own, is told with page one.
    """
    numbers: dict[tuple[str, str], list[str]] = {}
    count, section = {"caption": 0, "figcaption": 0}, "decision"
    for key, kind in _NUMBERED.findall(html):
        section = key or section
        if kind:
            count[kind] += 1
            numbers.setdefault((section, kind), []).append(str(count[kind]))

    def told(found: re.Match[str]) -> str:
        own = {kind: numbers[found[1], kind] for kind in count if (found[1], kind) in numbers}
        each = (_counted(*one).replace(" ", SPACE) for one in own.items())
        return f" [{'; '.join(each)}]" if own else ""

    return _PLACE.sub(told, html)


def _counted(kind: str, numbers: Sequence[str]) -> str:
    count, text = len(numbers), in_runs(numbers)
    if kind == "caption":
        return say_count(count, "table {numbers}", "tables {numbers}", numbers=text)
    return say_count(count, "figure {numbers}", "figures {numbers}", numbers=text)


_NUMBERED = re.compile(r'<section id="([\w-]+)" class="(?!scope)|<((?:fig)?caption)\b')
_PLACE = re.compile(r'<i data-of="([\w-]+)"></i>')


def rendered(ready: Prepared) -> bytes:
    """Return a prepared dossier as PDF bytes: the same for the same case and versions.

    Raises RenderError when a system library is missing, or when the layout gives a warning: a
    dossier must not lose a picture or a font in silence.  Raises CaseError for it with a house.
    """
    made, house = laid_out(ready), ready.content.house
    if made.warnings and house is not None:
        hint = "correct its logo or font"
        raise CaseError(CaseProblem(f"house {house.called}", "", w, hint) for w in made.warnings)
    return made.without_fault()


def laid_out(ready: Prepared) -> Rendered:
    """Return the PDF of a prepared dossier with the warnings of its layout."""
    with without_collector():
        load_weasyprint()
        return lay_out(ready.sheet(), ready.charts.picture)


@contextmanager
def prepared(
    case: Case,
    assessment: Assessment,
    *,
    issued: date,
    decision_json: bytes,
    manifest_json: bytes,
    signoff: SignOff | None = None,
    house: House | None = None,
) -> Iterator[Prepared]:
    """Make the words of a dossier, and hold its language.

    `issued` is the only date the program adds; `decision_json` and `manifest_json` are attached
    as they are, beside every input file and the files of the `house`; without `signoff` the
    dossier is a draft.
    """
    environment = _environment(_names(case))
    asked = case.qualification
    form = printing(asked.units, written_in(case))
    with speaking(asked.language), form, drawn_later() as charts:
        content = build_content(
            case, assessment, issued=issued, decision_json=decision_json,
            manifest=json.loads(manifest_json), signoff=signoff or SignOff(),
            style=house.charts if house else "", house=house,
        )  # fmt: skip
        attached = tuple(_attached(case, decision_json, manifest_json, house))
        yield Prepared(content, charts, attached, environment)


def page_pdf(
    template: str,
    attached: tuple[tuple[str, bytes, str, str], ...] = (),
    dated: date = date.min,
    **values: Any,
) -> bytes:
    """Return a PDF of one of the package's templates; RenderError when its layout gives a warning.

    `values` are what the template prints; text in them stays text.  `dated` is the day of what is
    `attached`.
    """
    environment = _environment()
    html = boxed(environment.get_template(template).render(**values))
    with without_collector():
        load_weasyprint()
        sheet = Sheet(html, source_of(environment, STYLE), attached, dated)
        return lay_out(sheet).without_fault()


def _environment(names: Collection[str] = ()) -> Any:
    environment = templates(clean)  # without characters that hide or turn text
    environment.filters |= {"kept": partial(_kept, names=names), "rows": in_rows}
    environment.globals |= {"say": say, "language": language}
    return environment


def _names(case: Case) -> frozenset[str]:
    """Return the words with a hyphen that name something in a case, such as `lock-gates`."""
    machines = chain.from_iterable(part.application.equipment for part in case.each)
    alone = (text for text in written_in(case) if " " not in text)
    return frozenset(chain.from_iterable(map(_HYPHENED.findall, (*machines, *alone))))


def _kept(text: str, names: Collection[str] = ()) -> Any:
    """Return escaped text in which no line breaks inside a quantity, a standard or a name.

    `names` are words that would else pass for ordinary ones with a hyphen.
    """
    from markupsafe import Markup, escape

    safe = str(escape(clean(text)))
    kept = _COMPOUND.sub(partial(_span, names), safe)
    return Markup(_DIGEST.sub(r'<span class="digest">\g<0></span>', kept))


def _span(names: Collection[str], found: re.Match[str]) -> str:
    words, name = found[0], found["name"]
    if name is None:
        return f'<span class="kept">{words}</span>' if _MAY_BREAK.search(words) else words
    if not _CODE.fullmatch(name) and not any(part in names for part in name.split("/")):
        return words
    return f'<span class="{"called" if len(name) > LONG else "kept"}">{words}</span>'


def _attached(
    case: Case, decision_json: bytes, manifest_json: bytes, house: House | None
) -> list[tuple[str, bytes, str, str]]:
    """Return name, content, relationship and description of each file to attach."""
    files = [(each.name, each.content, *_kind(each.name)) for each in case.inputs]
    if case.signoff is not None:
        files.append((case.signoff.name, case.signoff.content, "Supplement", say("Sign-offs")))
    for name, content in house.contents.items() if house is not None else ():
        files.append((f"{ATTACHED}{name}", content, "Supplement", say("File of the house")))
    files.append(("decision.json", decision_json, "Source", say("Findings and decision")))
    files.append(("manifest.json", manifest_json, "Supplement", say("Digests and versions")))
    return files


def _kind(name: str) -> tuple[str, str]:
    if name.endswith(".toml"):
        return "Source", say("Case file")
    if name.lower().endswith(".xml"):
        return "Data", say("Digital calibration certificate")
    return "Data", say("Test record of the laboratory")
