"""Letters that the dossier's own fonts lack: printed by their code points, the same everywhere.

A font of the machine would set some of them, and the bytes would be those of this machine alone.
"""

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from dossier.report.assets import FONT_FOLDER

USUAL = frozenset(
    "\n\t–—‘’“”„…\u202f−≤≥→∞√Δ□⁰⁴⁵⁶⁷⁸⁹⁻ⁿ₀₁₂ⱼβνρτΣ\u0304"
    + "".join(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180))))
)
"""Letters of our own sentences and formulas, so that few pages need a look into the fonts."""
_MARKUP = re.compile(r"(<[^>]*>)")


@cache
def letters(pattern: str) -> frozenset[int]:
    """Return the code points that all fonts of a name have, without those that show nothing."""
    have = frozenset.intersection(*map(_codes, sorted(FONT_FOLDER.glob(pattern))))
    return frozenset(code for code in have if not _hides(code))


def _codes(path: Path) -> frozenset[int]:
    with _opened(path) as font:
        return frozenset(font.getBestCmap())


def _opened(path: Path) -> Any:
    """Return a font whose letters are called by their places: their names take longer to read."""
    from fontTools.ttLib import TTFont

    font = TTFont(path, lazy=True)
    font.setGlyphOrder([f"{place}" for place in range(font["maxp"].numGlyphs)])
    return font


def _hides(code: int) -> bool:
    return unicodedata.category(chr(code)) in {"Cf", "Zl", "Zp"} or 0xFE00 <= code <= 0xFE0F


def lacking(text: str, *, chart: bool = False) -> list[str]:
    """Return the letters of a text that our fonts lack; a chart has the sans serif one alone."""
    rare = set(text) - USUAL
    if not rare:
        return []
    have = letters("FiraSans-*.ttf") | (frozenset() if chart else letters("DejaVuSansMono.ttf"))
    return sorted(letter for letter in rare if ord(letter) not in have)


def _code(letter: str) -> str:
    return f"U+{ord(letter):04X}"


def named_letter(letter: str) -> str:
    """Return code point and name of a letter."""
    return f"{_code(letter)} {unicodedata.name(letter, '')}".rstrip()


def spelled(text: str, *, chart: bool = False) -> str:
    """Return plain text with each letter that our fonts lack as its code point in brackets."""
    found = lacking(text, chart=chart)
    return text.translate({ord(letter): f"[{_code(letter)}]" for letter in found})


def boxed(html: str) -> str:
    """Return a page with each letter that our fonts lack as its code point in a box.

    In attributes and in the head, where no box can stand, it is in brackets.
    """
    found = lacking(html)
    if not found:
        return html
    boxes = {ord(each): f'<span class="unset">{_code(each)}</span>' for each in found}
    head, body, rest = html.partition("<body")
    pieces = _MARKUP.split(body + rest)
    pieces[::2] = [piece.translate(boxes) for piece in pieces[::2]]
    pieces[1::2] = [spelled(piece) for piece in pieces[1::2]]
    return spelled(head) + "".join(pieces)


@cache
def _advances(bold: bool) -> Mapping[str, float]:
    """Return how wide each letter is at one point of size [points]."""
    with _opened(FONT_FOLDER / f"FiraSans-{'SemiBold' if bold else 'Regular'}.ttf") as font:
        wide, em = font["hmtx"].metrics, font["head"].unitsPerEm
        return {chr(code): wide[glyph][0] / em for code, glyph in font.getBestCmap().items()}


@cache
def text_width(text: str, bold: bool = False) -> float:
    """Return the width of a text at one point of size [points], without kerning.

    Unknown letters count as wide, those that stand as a code point in a box as wider.
    """
    advances, counts = _advances(bold), Counter(text)
    boxes = 2.5 * sum(counts[letter] for letter in lacking(text))
    return sum(advances.get(letter, 1.1) for letter in text) + boxes
