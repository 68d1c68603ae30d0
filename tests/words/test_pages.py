"""Margins, charts and what is said of a house speak the language of the case."""

import base64
import re
from io import BytesIO

import pytest
import weasyprint
from pypdf import PdfReader

from dossier.report.charts.panel import tick
from dossier.report.charts.style import draw
from dossier.report.house.house import read_house
from dossier.report.layout.stamp import Stamp, stamp_lines
from dossier.words import speaking
from tests.report import sample
from tests.words.messages import ROOT, needed

SHEET = (ROOT / "templates" / "dossier.css").read_text(encoding="utf-8")
BODY = '<html lang="en"><style>{}</style><body {}>words</body></html>'


def margins(attributes):
    page = BODY.format(re.sub("@font-face.*?}", "", SHEET), attributes)
    document = weasyprint.HTML(string=page).write_pdf()
    return PdfReader(BytesIO(document)).pages[0].extract_text()


def test_the_margins_say_what_the_page_gives_them():
    text = margins('data-page="Seite" data-of="von" data-concern="Nur die Prüflinge."')
    assert "Seite 1 von 1" in text
    assert "Nur die Prüflinge." in text


def test_a_page_of_a_house_without_words_for_the_margins_is_numbered_in_english():
    text = margins("")
    assert "page 1 of 1" in text
    assert "Results concern only the specimens tested." in text


def test_charts_write_the_decimal_mark_of_the_language():
    def paint(figure):
        (panel,) = figure.row()
        panel.line([0.0, 1.0], [0.0, 1.0], color="#000")
        panel.x.ticks = [(0.5, tick(0.5))]

    def texts():
        drawing = base64.b64decode(draw(paint, "", 2.0).partition(",")[2]).decode()
        return re.findall(r"<text[^>]*>([^<]*)</text>", drawing)

    with speaking("en"):
        assert {"0.5", "0.2"} <= set(texts())
    with speaking("de"):
        assert {"0,5", "0,2"} <= set(texts())
        assert not any("." in text for text in texts())


def test_a_seal_speaks_the_language():
    stamp = Stamp(signer="A. Person", role="checked", day="2026-03-02", issuer="A house")
    with speaking("de"):
        text = " ".join(stamp_lines(stamp))
    assert "Digital signiert als" in text
    assert "Signed" not in text


def german():
    case = sample.case(qual=sample.qualification(language="de"))
    with speaking("de"):
        return case, sample.assessment(case)


def rendered(folder):
    case, assessment = german()
    return sample.pdf(case, assessment, house=read_house(folder))


@pytest.fixture
def house(tmp_path, monkeypatch):
    dot = "data:image/svg+xml;base64," + base64.b64encode(
        b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>'
    ).decode("ascii")
    monkeypatch.setattr("dossier.report.charts.style.now_or_later", lambda _: dot)
    folder = tmp_path / "house"
    folder.mkdir()
    return folder


def test_a_house_is_named_on_page_one_of_a_german_dossier(house):
    (house / "house.toml").write_text('name = "Werke"\ncolour = "blue"\n', encoding="utf-8")
    pdf = PdfReader(BytesIO(rendered(house)))
    assert pdf.root_object["/Lang"] == "de"
    assert "Haus „Werke“" in pdf.pages[0].extract_text()
    assert "ENTWURF, nicht abgezeichnet" in pdf.pages[0].extract_text()


def test_no_sentence_on_paper_names_a_key_or_a_case_file():
    said = [form for _, forms in needed() for form in forms]
    bare = [re.sub(r"\{[^}]*\}", "", form) for form in said]
    assert [each for each in bare if re.search(r"[a-z]_[a-z]|\.toml\b", each)] == []
