"""The request speaks the language of the case; what is read back is the same in every language."""

import shutil
import subprocess
from functools import cache
from io import BytesIO
from pathlib import Path

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from dossier.case.problems import CaseError
from dossier.make.request_files import asked_of, make_request, write_request
from tests.request.test_plan import GENERAL, assumed

POLDER = Path(__file__).parents[2] / "inputs" / "polder-pumps"


@pytest.fixture(scope="module")
def german(tmp_path_factory):
    folder = tmp_path_factory.mktemp("german") / "polder-pumps"
    shutil.copytree(POLDER, folder)
    case = folder / "case.toml"
    case.write_text('language = "de"\n' + case.read_text("utf-8"), "utf-8")
    return folder


@pytest.fixture(scope="module")
def written(german, tmp_path_factory):
    return {
        language: made(folder, tmp_path_factory.mktemp(language))
        for language, folder in (("en", POLDER), ("de", german))
    }


def made(folder, out, language=""):
    asked, demands = asked_of(folder, language)
    given = assumed(demands, scatter="4.5 %", margin="12 %")
    write_request(make_request(asked, demands, given, GENERAL), out)
    return out


def document(out):
    return PdfReader(BytesIO((out / "test-request.pdf").read_bytes()))


@cache
def text(out):
    told = subprocess.run(  # reads in a hundredth of the time of pypdf
        ["pdftotext", "-raw", out / "test-request.pdf", "-"], capture_output=True, check=True
    )
    return " ".join(told.stdout.decode().split())


def test_the_pages_say_which_language_they_are_in(written):
    for language, out in written.items():
        assert document(out).trailer["/Root"]["/Lang"] == language


def test_the_numbers_of_the_page_have_the_decimal_mark_of_the_language(written):
    assert "4.5 %" in text(written["en"])
    assert "4,5 %" in text(written["de"])
    assert "4.5 %" not in text(written["de"])
    assert "12,9 mm²/s" in text(written["de"])


def test_the_sheets_that_are_read_back_are_the_same_in_every_language(written):
    ours, theirs = (cells(written[language]) for language in ("en", "de"))
    assert ours.pop("How to fill") != theirs.pop("How to fill")
    assert ours == theirs


def cells(out):
    book = load_workbook(out / "laboratory.xlsx")
    return {
        page.title: (
            list(page.iter_rows(values_only=True)),
            [each.formula1 for each in page.data_validations.dataValidation],
        )
        for page in book.worksheets
    }


def test_without_a_case_file_the_call_says_the_language(german, tmp_path):
    folder = tmp_path / "asked"
    folder.mkdir()
    shutil.copy(german / "application.toml", folder)
    assert asked_of(folder, "")[0].language == "en"
    out = made(folder, tmp_path / "de", "de")
    assert document(out).trailer["/Root"]["/Lang"] == "de"
    assert "4,5 %" in text(out)


def test_the_call_cannot_contradict_the_case(german):
    with pytest.raises(CaseError, match="--language"):
        asked_of(german, "en")
    with pytest.raises(CaseError, match="no language here"):
        asked_of(german, "xx")
    assert asked_of(german, "de")[0].language == "de"
