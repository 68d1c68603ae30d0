"""No word reaches a page, a chart or a reader's ear beside the catalogue; decimals follow it."""

import re

import pytest

from dossier.evidence.quantities import all_quantities
from tests.words.foreign import Cyrillic, pages_of, written_in_greek
from tests.words.messages import WORD

# The fonts of the charts have neither Greek nor Cyrillic: what stands in for a letter is broader.
pytestmark = [
    pytest.mark.filterwarnings("ignore:constrained_layout not applied"),
    pytest.mark.usefixtures("few_draws"),
]

CASES = ["polder-pumps", "chain-ferry"]
UNITS = {"Pa", "kPa", "bar", "mL", "min", "mg", "kg", "mm", "um", "degC"}
STANDARDS = {"ISO", "IEC", "ILAC", "JCGM", "ASTM", "RFC", "SAE", "VG", "SHA"}
OURS = {"dossier"}
_NAMED = re.compile(
    r"[\w./-]+\.(?:csv|xlsx|xml|toml|json|pdf|html|css|svg|png)\b|[\w-]+/records/"  # files
    r"|\b[0-9a-f]{32,}\b"  # digests
    r"|\d{4}-\d\d-\d\dT[\d:]+Z"  # times for programs
    r"|\b[A-Z][A-Z0-9]*(?:-[A-Z0-9]+)+\b|\b[A-Z]+\d+\b"  # what a user numbered, and standards
    r"|“[^”]*”"  # remarks of the laboratory in a workbook
    r"|\b(?:numpy|pandas|pint|python|scipy|dossier) (?:[\d.]+|not installed)"  # versions
)
_LATIN = re.compile(r"[A-Za-z]+")


_STANDARD = re.compile(r"\b(?:ISO|IEC|ILAC|JCGM|ASTM|SAE)\b[^;()]*")
_DATE = re.compile(r"\b\d{2}\.\d{2}\.\d{4}\b")
_POINT = re.compile(r"\d\.\d")


@pytest.fixture(params=CASES)
def pages(request, tmp_path, monkeypatch):
    return pages_of(written_in_greek(request.param, tmp_path), monkeypatch, Cyrillic())


def symbols():
    """Return the letters of symbols and formulas of the quantities that have no word in them."""
    texts = [text for each in all_quantities().values() for text in (each.symbol, each.formula)]
    wordless = [text for text in texts if not WORD.search(text)]
    return {letters for text in wordless for letters in _LATIN.findall(text)}


def escaped(pieces):
    allowed = UNITS | STANDARDS | OURS | symbols()
    found = {}
    for piece in pieces:
        for word in _LATIN.findall(_NAMED.sub(" ", piece)):
            if len(word) > 1 and word not in allowed:
                found.setdefault(word, piece)
    return found


def listed(found):
    return "\n".join(f"  {word}: {piece[:160]}" for word, piece in found.items())


def test_no_word_escapes_the_catalogue(pages):
    for pieces in (pages.text, pages.spoken, pages.charts, pages.attached):
        assert pieces
    found = escaped([*pages.text, *pages.spoken, *pages.charts, *pages.attached])
    assert not found, f"{len(found)} words:\n{listed(found)}"


@pytest.mark.parametrize("name", CASES)
def test_german_pages_have_no_decimal_point(name, tmp_path, monkeypatch):
    folder = written_in_greek(name, tmp_path)
    cells = re.compile("|".join([*map(re.escape, _inspected(folder)), "(?!)"]))
    pages = pages_of(folder, monkeypatch)
    faults = []
    for piece in (*pages.text, *pages.spoken, *pages.charts, *pages.attached):
        left = piece
        for known in (_NAMED, _STANDARD, _DATE, cells):
            left = known.sub(" ", left)
        if _POINT.search(left):
            faults.append(left[:160])
    assert not faults, "\n".join(faults)
    assert any(re.search(r"\d,\d", piece) for piece in pages.charts)


def _inspected(folder):
    """Return the numbers that an inspector wrote: the page shows them as they were written."""
    for path in folder.glob("records/in-*.csv"):
        yield from re.findall(r"(?<=,)\d+\.\d+(?=,)", path.read_text("utf-8"))
