"""What a seal looks like in its field: lines of text, drawn from outlines of our own font.

The outlines are written as they stand in the font file, unpacked and unhinted, so that the same
lines give the same bytes on every machine, whatever libraries it has: who verifies a seal draws
its look again and compares.
"""

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from dossier.report.assets import HERE
from dossier.report.format import clean
from dossier.report.layout.glyphs import spelled
from dossier.words import say

WIDTH, HEIGHT = 127.56, 45.36
"""Of the field [pt]: 45 mm by 16 mm."""
LEFT, FIRST = 4.25, 35.6
"""Left edge, and baseline of the first line [pt]."""
LARGE, SMALL = (7.5, 8.2), (6.2, 7.5)
"""Size of the first line and of the others, each with the step to the next line [pt]."""
UNITS = 1000
"""Units of the font to its size."""
ROOM = (WIDTH - 2 * LEFT) * UNITS
"""Width of a line [units of the font, at a size of one point]."""
MOST, HIGHER, CLOSE = 6, 38.6, (6.2, 7.1)
"""Most lines, the first baseline where there are so many [pt], and size and step of the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """The lines of a seal's look."""

    signer: str
    role: str
    day: str
    issuer: str
    """Who vouches for the certificate."""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """The operators that write the lines, and the letters that they use, in order of code."""

    content: bytes
    letters: Mapping[str, tuple[int, bytes]]
    """By character: its advance [1/1000 of the size] and the operators that draw it."""
    box: tuple[int, int, int, int]
    """What all letters of the font lie in."""


def stamp_lines(stamp: Stamp) -> list[str]:
    """Return who signed, as what, when, vouched for by whom."""
    lines = [
        stamp.signer,
        say("Signed digitally as: {role}", role=say(stamp.role)),
        say("{day} (stated, UTC)", day=stamp.day),
        say("Certificate by {issuer}", issuer=stamp.issuer),
        *([say(stamp.remark)] if stamp.remark else []),
    ]
    return [spelled(clean(unicodedata.normalize("NFC", line))) for line in lines]


def drawn(lines: list[str], *, broken: bool = True) -> Look:
    """Return the look of the lines; what does not fit into the field's width is cut, with "…".

    Lines that are too long are `broken` first while six have room; those of earlier seals were not.
    """
    letters: dict[str, tuple[int, bytes]] = {}
    lines = _broken(lines) if broken else lines
    operators, base = ["BT"], HIGHER if len(lines) == MOST else FIRST
    for number, line in enumerate(lines):
        size, step = LARGE if number == 0 else SMALL if len(lines) < MOST else CLOSE
        fitting = _fitting(line, ROOM / size)
        for each in fitting:
            letters.setdefault(each, _letter(each))
        codes = list(letters)
        text = bytes(codes.index(each) for each in fitting).hex().upper()
        operators.append(f"/F {size:g} Tf 1 0 0 1 {LEFT:g} {base:.2f} Tm <{text}> Tj")
        base -= step
    return Look("\n".join([*operators, "ET"]).encode(), letters, _font().box)


def _broken(lines: list[str]) -> list[str]:
    """Return the lines, those that are too long broken once at a space while there is room."""
    told, spare = list[str](), MOST - len(lines)
    for number, line in enumerate(lines):
        fits = _fitting(line, ROOM / (LARGE if number == 0 else SMALL)[0])
        head = line if fits == line or spare < 1 else line[: len(fits)].rpartition(" ")[0]
        rest = line[len(head) + 1 :] if head else ""
        told += [head, rest] if rest else [line]
        spare -= bool(rest)
    return told


def _fitting(line: str, room: float) -> str:
    """Return as much of a line as `room` [units of the font] holds."""
    width = _font().width
    if sum(map(width, line)) <= room:
        return line
    while line and sum(map(width, line)) + width("…") > room:
        line = line[:-1]
    return line + "…"


@dataclass(frozen=True, slots=True)
class _Font:
    file: Any
    glyphs: Any
    names: Mapping[int, str]

    @property
    def box(self) -> tuple[int, int, int, int]:
        head = self.file["head"]
        return head.xMin, head.yMin, head.xMax, head.yMax

    def width(self, letter: str) -> int:
        return int(self.glyphs[self.name(letter)].width)

    def name(self, letter: str) -> str:
        return self.names.get(ord(letter), ".notdef")


@cache
def _font() -> _Font:
    from fontTools.ttLib import TTFont

    file = TTFont(HERE / "fonts" / "FiraSans-Regular.ttf", lazy=True)
    if file["head"].unitsPerEm != UNITS:
        raise ValueError("the font of the seals has other units")
    return _Font(file, file.getGlyphSet(), file.getBestCmap())


@cache
def _letter(letter: str) -> tuple[int, bytes]:
    """Return advance and outline of a letter; one that the font lacks is an empty box."""
    font = _font()
    pen, operators = _pen(font.glyphs)
    font.glyphs[font.name(letter)].draw(pen)
    return font.width(letter), " ".join(operators).encode()


def _pen(glyphs: Any) -> tuple[Any, list[str]]:
    """Return a pen, and the operators of PDF that it notes, to whole units of the font."""
    from fontTools.pens.basePen import BasePen

    operators: list[str] = []

    class _Pen(BasePen):  # type: ignore[misc]  # fontTools carries no types
        def _note(self, sign: str, *points: tuple[float, float]) -> None:
            numbers = [str(round(value)) for point in points for value in point]
            operators.append(" ".join([*numbers, sign]))

        def _moveTo(self, pt: Any) -> None:  # noqa: N802
            self._note("m", pt)

        def _lineTo(self, pt: Any) -> None:  # noqa: N802
            self._note("l", pt)

        def _curveToOne(self, pt1: Any, pt2: Any, pt3: Any) -> None:  # noqa: N802
            self._note("c", pt1, pt2, pt3)

        def _closePath(self) -> None:  # noqa: N802
            self._note("h")

    return _Pen(glyphs), operators
