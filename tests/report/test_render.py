"""The PDF itself: what it carries, what it refuses, and that it is always the same."""

import gc
import hashlib
import logging
import re
import subprocess
import sys
from base64 import b64encode
from dataclasses import replace
from datetime import date
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace

import pytest
from fontTools.ttLib import TTFont
from pypdf import PdfReader

from dossier.decision.rules import Decision
from dossier.report import assets, render
from dossier.report.assets import CHART
from dossier.report.format import clean
from dossier.report.layout import glyphs
from dossier.report.layout import pdf as layout
from dossier.report.layout.pdf import Sheet, lay_out
from dossier.report.signing import ROLES, Signed, SignOff
from tests.report import sample

EVIL = '<img src="http://x.invalid/p.png"><script>alert(1)</script>&"\'{{ 7*7 }}'
WHOLE = SignOff(
    signed=tuple(
        Signed(role=role, name="A. Person", meaning="mine", date=date(2026, 4, 1), holds=True)
        for role in ROLES
    )
)


def rendered(case=None, signoff=None, **changes):
    case = case or sample.case()
    assessment = sample.assessment(case, **changes)
    return sample.laid_out(case, assessment, signoff=signoff)


@pytest.fixture(scope="module")
def draft():
    return rendered()


@pytest.fixture(scope="module")
def draft_text(draft):
    return [page.extract_text() for page in PdfReader(BytesIO(draft.pdf)).pages]


def test_the_layout_gives_no_warning(draft):
    assert draft.warnings == ()


def test_the_answer_is_on_page_one_and_the_end_mark_on_the_last(draft_text):
    first = draft_text[0]
    assert "May the filter CAN-1" in first
    assert "Would not qualify" in first
    assert "Clean pressure drop" in first
    assert "End of dossier FQ-0001, revision 2" in draft_text[-1]


def test_every_page_carries_number_revision_state_and_page_of_pages(draft_text):
    for number, text in enumerate(draft_text, start=1):
        assert "FQ-0001 · revision 2" in text
        assert "DRAFT, not signed" in text
        assert f"page {number} of {len(draft_text)}" in text


def test_an_unsigned_dossier_of_passes_is_no_approval(undrawn):
    reader = PdfReader(BytesIO(rendered(findings=sample.passing(), decision=Decision.APPROVED).pdf))
    first = reader.pages[0].extract_text()
    assert "Would qualify" in first
    assert "DRAFT, not signed" in first
    assert "approved" not in first.lower()
    assert "DRAFT" in reader.metadata.title


def test_a_signed_dossier_carries_names_and_no_draft(undrawn):
    reader = PdfReader(
        BytesIO(rendered(findings=sample.passing(), decision=Decision.APPROVED, signoff=WHOLE).pdf)
    )
    text = "\n".join(page.extract_text() for page in reader.pages)
    assert "Approved" in reader.pages[0].extract_text()
    assert "DRAFT" not in text
    assert "A. Person" in text


def test_one_missing_sign_off_keeps_the_draft(undrawn):
    partly = SignOff(signed=WHOLE.signed[:2])
    pdf = rendered(findings=sample.passing(), decision=Decision.APPROVED, signoff=partly).pdf
    first = PdfReader(BytesIO(pdf)).pages[0].extract_text()
    assert "DRAFT, 2 of 3 signed" in first
    assert "approved" not in first.lower()


def test_sign_offs_that_were_for_one_content_name_it_once(undrawn):
    marks = ("a" * 64, "a" * 64, "b" * 64)
    given = zip(WHOLE.signed, marks, strict=True)
    lines = tuple(replace(each, holds=False, digest=mark) for each, mark in given)
    pages = PdfReader(BytesIO(rendered(signoff=SignOff(signed=lines, digest="c" * 64)).pdf)).pages
    text = "".join("".join(page.extract_text() for page in pages).split())
    assert f"Prepared,Checked:signedfor{marks[0]}." in text
    assert f":signedfor{marks[2]}." in text
    assert text.count(marks[0]) == 1


def test_attachments_are_what_was_handed_in(draft):
    attached = {a.name: a for a in PdfReader(BytesIO(draft.pdf)).attachment_list}
    case = sample.case()
    assert set(attached) == {i.name for i in case.inputs} | {"decision.json", "manifest.json"}
    for each in case.inputs:
        assert hashlib.sha256(attached[each.name].content).hexdigest() == each.sha256
    documents = sample.documents()
    assert attached["decision.json"].content == documents["decision_json"]
    assert attached["manifest.json"].content == documents["manifest_json"]
    kinds = {name: a.associated_file_relationship for name, a in attached.items()}
    assert kinds["sample/records/mp-c1.csv"] == "/Data"
    assert kinds["sample/case.toml"] == "/Source"
    assert kinds["decision.json"] == "/Source"
    assert kinds["manifest.json"] == "/Supplement"


def test_each_attachment_is_listed_once_among_the_associated_files(draft):
    files = PdfReader(BytesIO(draft.pdf)).trailer["/Root"]["/AF"]
    names = [reference.get_object()["/UF"] for reference in files]
    assert len(names) == len(set(names)) == len(sample.case().inputs) + 2


def test_archival_and_accessible_by_its_metadata(draft):
    reader = PdfReader(BytesIO(draft.pdf))
    root = reader.trailer["/Root"]
    xmp = root["/Metadata"].get_data().decode()
    assert 'pdfaid:part="3"' in xmp
    assert 'pdfaid:conformance="A"' in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert xmp.count("</rdf:RDF>") == 1
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert reader.metadata.title.startswith("FQ-0001 · revision 2")
    assert [entry.title for entry in reader.outline if not isinstance(entry, list)][-1] == (
        "10 Sign-off"
    )


def test_dates_come_from_the_issue_only(draft):
    reader = PdfReader(BytesIO(draft.pdf))
    assert reader.metadata.creation_date.date() == sample.ISSUED
    assert reader.metadata.modification_date.date() == sample.ISSUED
    for each in reader.attachment_list:
        assert each.creation_date.date() == sample.ISSUED
        assert each.modification_date.date() == sample.ISSUED


def hostile(value):
    """Return an application or qualification with hostile text in every free text field."""
    return {
        name: EVIL for name in type(value).model_fields if isinstance(getattr(value, name), str)
    }


def test_markup_in_every_text_stays_text(undrawn, monkeypatch):
    fetched = []
    original = assets.fetcher

    def watch(*given):
        inner = original(*given)
        fetch = inner.fetch

        def spy(url, headers=None):
            fetched.append(url)
            return fetch(url, headers)

        inner.fetch = spy
        return inner

    monkeypatch.setattr(layout, "fetcher", watch)
    base = sample.qualification()
    kept = {"number", "application", "language", "paper"}
    qual = base.model_copy(
        update={k: v for k, v in hostile(base).items() if k not in kept}
        | {
            "candidate": base.candidate.model_copy(update=hostile(base.candidate)),
            "laboratory": tuple(
                each.model_copy(update=hostile(each) | {"id": "L1"}) for each in base.laboratory
            ),
            "instrument": tuple(
                each.model_copy(update=hostile(each) | {"id": "APC-1"}) for each in base.instrument
            ),
            "deviation": tuple(
                each.model_copy(update=hostile(each) | {"record": "MP-C1", "effect": "none"})
                for each in base.deviation
            ),
        }
    )
    app = sample.application()
    app = app.model_copy(
        update=hostile(app)
        | {"oil": app.oil.model_copy(update={"description": EVIL}), "equipment": (EVIL,)}
    )
    case = sample.case(app, qual)
    found = tuple(
        replace(
            f,
            reason=EVIL,
            demand=replace(f.demand, id=EVIL + f.demand.id, text=EVIL, source=EVIL, at_text=EVIL),
        )
        for f in sample.findings()
    )
    checks = tuple(replace(c, found=EVIL, limit=EVIL, deviation=EVIL) for c in sample.checks())
    result = rendered(case, findings=found, checks=checks, conditions=(EVIL,))
    assert result.warnings == ()
    assert fetched
    assert all(url.startswith(("asset:", "data:image/svg+xml;base64,")) for url in fetched)
    text = "".join(page.extract_text() for page in PdfReader(BytesIO(result.pdf)).pages)
    flat = "".join(text.split())
    assert flat.count("<script>alert(1)</script>") > 20
    assert "{{7*7}}" in flat
    assert b"/JavaScript" not in result.pdf


@pytest.mark.parametrize(
    "url",
    ["http://x.invalid/a.png", "https://x.invalid/", "file:///etc/hostname", "asset:../render.py",
     "asset:/etc/hostname", "ftp://x.invalid/a", "asset:FiraSans-OFL.txt"],
)  # fmt: skip
def test_nothing_but_the_packages_own_assets_is_fetched(url):
    with pytest.raises(ValueError, match="not part of the dossier"):
        assets.fetcher("", None, {}).fetch(url)


def test_no_line_breaks_inside_a_number_with_a_compound_unit_and_markup_stays_text():
    kept = str(render._kept("<b> (97.31\u00a0±\u00a00.42) % at 80 L/min"))
    assert kept == (
        '&lt;b&gt; (97.31\u00a0±\u00a00.42) % at <span class="kept">80\u00a0L/min</span>'
    )


@pytest.mark.parametrize(
    "text",
    ["(97.31\u00a0±\u00a00.42)", "(≥\u00a01.4)", "(D1)", "µm(c)", "(109,5%)", "(2.5\u202f°C.)"],
)
def test_what_needs_no_span_is_broken_nowhere_even_where_there_is_no_room(text):
    assert str(render._kept(text)) == text
    html = layout.load_weasyprint().HTML(string=f'<p style="width: 1mm; hyphens: auto">{text}</p>')
    boxes = html.render().pages[0]._page_box.descendants()
    assert [type(each).__name__ for each in boxes].count("LineBox") == 1


def pieces(shown, wide):
    """Return the words of a paragraph so many letters wide, as lines hold them."""
    rules = re.findall(
        r"^(?:html|\.kept|\.called) .*$",
        (assets.template_folder() / assets.STYLE).read_text(),
        re.M,
    )
    style = " ".join([*rules, f"p {{ width: {wide}ch; font: 10px 'DejaVu Sans Mono' }}"])
    html = layout.load_weasyprint().HTML(string=f"<style>{style}</style><p>{shown}</p>")
    boxes = html.render().pages[0]._page_box.descendants()
    return [box.text for box in boxes if hasattr(box, "pango_layout")]


@pytest.mark.parametrize(
    "name",
    [
        "BURST-PRESSURE-C1",
        "MP-C1",
        "MP-C1:63",
        "26-014/B",
        "CAN-0412-A",
        "lock-gates",
        "run-of-a-pump",
    ],
)
def test_no_name_is_broken_where_a_line_of_its_own_has_room_for_it(name):
    names = {"lock-gates", "run-of-a-pump"}
    for before in range(12):
        shown = render._kept(f"{'x' * before} {name}, {name}", names)
        assert pieces(shown, len(name) + 2).count(name) == 2


def test_a_name_too_long_for_a_line_goes_on_in_the_next():
    shown = render._kept("BURST-PRESSURE-OF-THE-HOUSING-C1")
    assert pieces(shown, 20) == ["BURST-PRESSURE-OF-", "THE-HOUSING-C1"]
    assert max(map(len, pieces(render._kept("CAN-0412" * 9), 20))) <= 20


def test_words_that_name_nothing_break_as_ever():
    for text in ("full-flow", "and/or", "2026-03-30", "FM-04", "Darcy-Forchheimer"):
        assert str(render._kept(text, {"lock-gates"})) == text


def test_a_missing_system_library_is_one_clear_message(monkeypatch):
    class Missing:
        def find_spec(self, name, path=None, target=None):
            if name == "weasyprint":
                raise OSError("cannot load library 'libpango-1.0-0'\nmore lines")
            return

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(layout.RenderError, match=r"apt-get install libpango-1\.0-0") as caught:
        layout.load_weasyprint()
    assert "\n" not in str(caught.value)
    for command in (
        "dnf install pango",
        "brew install pango",
        "pacman -S mingw-w64-ucrt-x86_64-pango",
    ):
        assert command in str(caught.value)


def test_the_log_of_the_layout_is_heard_and_then_let_go():
    logger = logging.getLogger("weasyprint")
    before = list(logger.handlers)
    with layout.listening() as heard:
        logger.warning("Ignored %s", "rule")
    assert heard == ["Ignored rule"]
    assert logger.handlers == before


def test_fonts_are_embedded_and_come_with_their_licences(draft):
    names = set()
    for page in PdfReader(BytesIO(draft.pdf)).pages:
        for font in page["/Resources"]["/Font"].values():
            names.add(font.get_object()["/BaseFont"].partition("+")[2])
    sans = {"Dossier-Sans", "Dossier-Sans-Italic", "Dossier-Sans-Semi-Bold"}
    assert names == sans | {"Dossier-Mono"}
    fonts = Path(assets.__file__).parent / "fonts"
    assert "SIL Open Font License" in (fonts / "FiraSans-OFL.txt").read_text()
    assert "Bitstream" in (fonts / "DejaVuSansMono-LICENSE.txt").read_text()
    assert {path.name for path in fonts.glob("*.ttf")} == set(assets.FONTS)


def test_styles_of_the_elements_are_given_back_before_the_pdf_is_written(monkeypatch):
    picture = b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><text>x</text></svg>'
    sheet = Sheet(
        html=f'<html lang="en"><title>t</title><p>x<img alt="a" src="{CHART}0"></p></html>',
        style="", attached=(), issued=date(2026, 1, 2),
    )  # fmt: skip
    before = {id(each) for each in styles_alive()}
    drawn, left = [], []

    def look(document):
        assert document.pages
        left.extend(each for each in styles_alive() if id(each) not in before)

    monkeypatch.setattr(layout, "declare_accessible", look)
    with layout.without_collector():
        lay_out(sheet, lambda address: drawn.append(address) or picture)
    assert drawn == [f"{CHART}0"]
    assert not left


def test_words_in_another_language_have_it_in_the_pdf():
    html = '<html lang="de"><title>t</title><p>a</p><td>b <blockquote lang="en">c</blockquote></td>'
    for each, found in ((html, True), (html.replace("blockquote", "span"), False)):
        sheet = Sheet(html=each, style="", attached=(), issued=date(2026, 1, 2))
        with layout.without_collector():
            made = lay_out(sheet).pdf
        assert (b"/Lang (en)" in made) == found


def styles_alive():
    return [each for each in gc.get_objects() if type(each).__name__ == "StyleFor"]


STRANGE = "\U00013000 \ue000 漢 \u2028 \U0001f600"


def test_letters_that_no_font_of_ours_has_stand_as_code_points_and_are_named(undrawn):
    title = f"Approved. {STRANGE}"
    case = sample.case(qual=sample.qualification(title=title))
    reader = PdfReader(BytesIO(sample.pdf(case, sample.assessment(case))))
    first, whole = reader.pages[0].extract_text(), "".join(p.extract_text() for p in reader.pages)
    assert "Titleasgiven:“Approved.U+13000U+E000U+6F22U+2028U+1F600”" in "".join(first.split())
    assert "U+13000 EGYPTIAN HIEROGLYPH A001" in " ".join(whole.split())
    assert "[U+1F600]" in reader.metadata.title
    assert not set(STRANGE.replace(" ", "")) & set(whole)


def test_a_page_of_another_template_takes_any_letter():
    made = render.page_pdf("verification.html", **verification_of(f"x{STRANGE}"))
    assert "U+13000" in PdfReader(BytesIO(made)).pages[0].extract_text()


def verification_of(text):
    found = SimpleNamespace(
        number="N", revision=0, verdict="failed", file=text, sha256="0", decision="", standing="",
        answers=(),
    )  # fmt: skip
    return {"found": found, "day": "", "version": "", "facts": [(text, text)], "lists": (),
            "kind": "fail", "verdict": "failed", "reads": "", "what_to_do": "", "counted": "",
            "repeat": []}  # fmt: skip


def test_the_usual_letters_are_in_all_our_fonts():
    folder = Path(assets.__file__).parent / "fonts"
    for path in folder.glob("FiraSans-*.ttf"):
        first, second = (TTFont(each).getBestCmap() for each in (path, folder / assets.FONTS[-1]))
        lack = {c for c in glyphs.USUAL if ord(c) not in first and ord(c) not in second}
        assert lack <= set("\n\t\xad")


def test_what_cuts_fonts_without_harfbuzz_is_imported_when_it_is_needed():
    told = """
import sys
from dossier.report.layout.pdf import load_weasyprint
page = load_weasyprint().HTML(string="<p>word")
print("fontTools.subset" in sys.modules, "fontTools.varLib.instancer" in sys.modules)
print(len(page.write_pdf()) < 20_000, "fontTools.subset" in sys.modules)
import weasyprint.pdf.fonts
weasyprint.pdf.fonts.harfbuzz_subset = None
print(len(page.write_pdf()) < 20_000, "fontTools.subset" in sys.modules)
from fontTools.subset import main
"""
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["False", "False", "True", "False", "True", "True"]


@pytest.mark.parametrize("marks", [1, 4, 5, 500])
def test_marks_on_one_letter_are_counted(marks):
    shown = clean("a" + "\u0301" * marks + "b")
    assert shown.count("\u0301") == min(marks, 4)
    assert shown.count("□") == (marks > 4)
    assert shown.endswith("b")


@pytest.mark.parametrize("rows", [1, 5, 12])
def test_charts_at_the_foot_stay_on_their_page_and_leave_room_for_words(rows):
    svg = b64encode(b"<svg xmlns='http://www.w3.org/2000/svg' width='480' height='112'/>").decode()
    picture = f'<img src="data:image/svg+xml;base64,{svg}" alt="x">'
    figure = f"<figure>{picture}<figcaption>y</figcaption></figure>"
    row = f'<div class="call"><div class="foot charts">{figure}</div></div>'
    words = "<p>word</p>" * 120
    html = f'<link rel="stylesheet" href="asset:dossier.css"><body>{words}{row * rows}{words}'
    style = (assets.template_folder() / "dossier.css").read_text()
    pages = (
        layout.load_weasyprint()
        .HTML(string=html, url_fetcher=assets.fetcher(style, None, {}))
        .render()
        .pages
    )
    seen = 0
    for page in pages:
        boxes = list(page._page_box.descendants())
        figures = [box for box in boxes if box.element_tag == "figure"]
        words_end = max((b.position_y + b.height for b in boxes if b.element_tag == "p"), default=0)
        seen += len(figures)
        assert words_end > 0
        assert all(figure.position_y >= words_end for figure in figures)
    assert seen == rows


def test_every_table_and_figure_is_referred_to_beside_the_title_of_its_section():
    section = '<section id="{0}" class="{0}">{1}</section>'
    told = "".join(f'<i data-of="{key}"></i>' for key in ("decision", "curves", "method"))
    scope = section.format("scope", "<table><caption>")
    curves = section.format("curves", "<table><caption>" + "<figure><figcaption>" * 3)
    html = section.format("decision", "<caption>") + scope + told + curves
    told = render.referred(html).replace("\u00a0", " ")  # a number stays with its word
    assert " [tables 1, 2] [table 3; figures 1 to 3]" in told
    assert "data-of" not in render.referred(html)


def test_the_contents_refer_to_every_table_and_figure(draft_text):
    text = " ".join("".join(draft_text).split())
    told = text.partition("Contents:")[2]
    for kind in ("table", "figure"):
        runs = re.findall(rf"{kind}s? ([\d, to]+?) ?[;\]]", told)
        ends = [[int(n) for n in run.split(" to ")] for each in runs for run in each.split(", ")]
        listed = {n for first, *last in ends for n in range(first, (last or [first])[0] + 1)}
        numbered = {int(n) for n in re.findall(rf"{kind.title()} (\d+)\. ", text)}
        assert len(numbered) > 4
        assert numbered <= listed


def test_the_contents_give_the_page_on_which_each_section_begins(draft_text):
    told = " ".join("".join(draft_text).split()).partition("Contents:")[2]
    given = re.findall(r"(\d+) ([A-Z][^()\[\]]+?) (?:\[[^]]+\] )?\((\d+)\)", told)
    for label, title, page in given[1:]:  # the first stands under its question
        assert f"{label} {title}" in " ".join(draft_text[int(page) - 1].split())
    assert len(given) > 8
    assert len({page for *_, page in given}) > 4
