"""A font of a house, so cut down that it can set the house's own words and no others.

Only letters that the fonts of the dossier have are kept, under a family name of ours: whatever
font the layout falls back to for a letter that ours lack, it is never this one.
"""

import io
from typing import Any

from dossier.report.layout.glyphs import letters

FAMILY = "House Words"
TRUE_TYPE = b"\0\1\0\0"
TABLES = ("OS/2", "cmap", "glyf", "head", "hhea", "hmtx", "loca", "maxp", "name", "post")
"""Outlines, widths and names: no programs, layouts, pictures or colours."""
MOST_GLYPHS = 20_000


class FontError(ValueError):
    """A file that is no font that a house may bring; says why."""


def own_font(content: bytes) -> bytes:
    """Return a TrueType font with the letters of ours alone; FontError where it is none.

    The same bytes for the same font and version of fontTools.
    """
    if not content.startswith(TRUE_TYPE):
        raise FontError("is no TrueType font")
    try:
        return _cut(content)
    except FontError:
        raise
    except Exception as error:  # noqa: BLE001  a damaged font fails in any way
        raise FontError(f"cannot be read as a font ({type(error).__name__})") from None


def _cut(content: bytes) -> bytes:
    from fontTools.subset import Options, Subsetter
    from fontTools.ttLib import TTFont

    font: Any = TTFont(io.BytesIO(content), recalcTimestamp=False)
    if "glyf" not in font or font["maxp"].numGlyphs > MOST_GLYPHS:
        raise FontError(f"has no outlines, or more than {MOST_GLYPHS} of them")
    for table in set(font.keys()) - {"GlyphOrder", *TABLES}:
        del font[table]
    cutter = Subsetter(Options(layout_features=[], hinting=False, notdef_outline=True))
    cutter.populate(unicodes=letters("FiraSans-*.ttf"))
    cutter.subset(font)
    if not font.getBestCmap():
        raise FontError("holds none of the letters of the dossier's own fonts")
    names = font["name"]
    names.names = []
    for number, text in ((1, FAMILY), (2, "Regular"), (4, FAMILY), (6, FAMILY.replace(" ", ""))):
        names.setName(text, number, 3, 1, 0x409)
    out = io.BytesIO()
    font.save(out)
    return out.getvalue()
