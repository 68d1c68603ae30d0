"""No word reaches a page, a chart or a reader's ear beside the catalogue, and no decimal point."""

import re

import pytest

from dossier.evidence.registry import all_quantities
from tests.words.foreign import Cyrillic, pages_of, written_in_greek
from tests.words.messages import WORD

CASES = ["polder-pumps", "chain-ferry"]
UNITS = set("Pa kPa bar mL L min s h g mg kg m mm K C um degC".split())
STANDARDS = set("ISO IEC ILAC JCGM ASTM RFC SAE VG SHA".split())
SYMBOLS = set("U u k a b t Q".split())
SOFTWARE = set("dossier numpy pandas pint python scipy".split())
_NAMED = re.compile(
    r"[\w./-]+\.(?:csv|toml|json|pdf|html|css|svg|png)\b"  # files
    r"|\b[0-9a-f]{32,}\b"  # digests
    r"|\d{4}-\d\d-\d\dT[\d:]+Z"  # times for programs
    r"|\b[A-Z][A-Z0-9]*(?:-[A-Z0-9]+)+\b|\b[A-Z]+\d+\b"  # what a user numbered, and standards
    r"|\bnot installed\b"  # the version of a program that runs from its sources
)
_LATIN = re.compile(r"[A-Za-z]+")


@pytest.fixture(params=CASES)
def pages(request, tmp_path, monkeypatch):
    return pages_of(written_in_greek(request.param, tmp_path), monkeypatch, Cyrillic())


def symbols():
    """Return the letters of the quantities' symbols, and of formulas without a word."""
    texts = [each.symbol for each in all_quantities().values()]
    texts += [each.formula for each in all_quantities().values() if not WORD.search(each.formula)]
    return SYMBOLS | {letters for text in texts for letters in _LATIN.findall(text)}


def escaped(pieces):
    allowed = UNITS | STANDARDS | SOFTWARE | symbols()
    found = {}
    for piece in pieces:
        for word in _LATIN.findall(_NAMED.sub(" ", piece)):
            if word not in allowed:
                found.setdefault(word, piece)
    return found


def listed(found):
    return "\n".join(f"  {word}: {piece[:160]}" for word, piece in found.items())


def test_no_word_escapes_the_catalogue(pages):
    for pieces in (pages.text, pages.spoken, pages.charts, pages.attached):
        assert pieces
    found = escaped([*pages.text, *pages.spoken, *pages.charts, *pages.attached])
    assert not found, f"{len(found)} words:\n{listed(found)}"
