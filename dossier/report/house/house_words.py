"""Words of a house's own section: few elements, no attributes, written anew by us."""

import base64
import io
import struct
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

from dossier.report.layout.glyphs import letters

MOST_BYTES, MOST_ELEMENTS, MOST_CELLS = 64 * 1024, 2000, 12
INLINE = {"strong", "em", "br"}
INSIDE: dict[str, set[str]] = {
    "section": {"h2", "p", "ul", "ol", "dl", "table"},
    "h2": set(), "p": INLINE, "ul": {"li"}, "ol": {"li"}, "li": INLINE,
    "dl": {"dt", "dd"}, "dt": INLINE, "dd": INLINE,
    "table": {"caption", "thead", "tbody"}, "caption": set(), "thead": {"tr"}, "tbody": {"tr"},
    "tr": {"th", "td"}, "th": INLINE, "td": INLINE, "strong": set(), "em": set(), "br": set(),
}  # fmt: skip
"""Which elements may stand in which."""
WORDLESS = {"section", "ul", "ol", "dl", "table", "thead", "tbody", "tr", "br"}
KNOWN = ", ".join(f"<{name}>" for name in INSIDE if name != "section")


class WordsError(ValueError):
    """Words that a section cannot be made of; says what is wrong and what to do."""

    def __init__(self, what: str, hint: str) -> None:
        super().__init__(what)
        self.hint = hint


def set_words(text: str) -> str:
    """Return the words of a section as HTML; WordsError for anything but words in `INSIDE`.

    `text` is well-formed as XML is, its elements closed and without attributes, without templates.
    """
    if len(text.encode()) > MOST_BYTES:
        raise WordsError(f"is larger than {MOST_BYTES // 1024} KiB", "make it shorter")
    if "<!" in text or "<?" in text:
        raise WordsError("holds a comment, a document type or an instruction", "leave it out")
    if "{{" in text or "{%" in text:
        hint = "a section of a house is words: leave out what stands in braces"
        raise WordsError("holds a template, which would not be filled", hint)
    try:
        root = ElementTree.fromstring(f"<section>{text}</section>")
    except (ElementTree.ParseError, ValueError, RecursionError) as error:
        words = " ".join(str(error).split())[:120]
        hint = "close every element, and write & as &amp;"
        raise WordsError(f"is not well-formed ({words})", hint) from None
    if sum(1 for _ in root.iter()) > MOST_ELEMENTS:
        raise WordsError(f"has more than {MOST_ELEMENTS} elements", "make it shorter")
    return "".join(_inner(root, head=False))


def _inner(element: ElementTree.Element, *, head: bool) -> Iterator[str]:
    """Yield what stands in an element; `head` says whether in the head of a table."""
    yield _words(element.tag, element.text)
    if element.tag == "tr" and len(element) > MOST_CELLS:
        raise WordsError(f"a row has {len(element)} cells", f"{MOST_CELLS} are the most")
    for child in element:
        yield from _outer(child, element.tag, head=head or child.tag == "thead")
        yield _words(element.tag, child.tail)


def _outer(child: ElementTree.Element, parent: str, *, head: bool) -> Iterator[str]:
    name = child.tag[:40]
    if name not in INSIDE[parent]:
        place = "" if parent == "section" else f" in <{parent}>"
        raise WordsError(f"<{name}> cannot stand{place} here", f"elements are {KNOWN}")
    if child.attrib:
        what = f"<{name}> has the attribute {next(iter(child.attrib))[:40]!r}"
        raise WordsError(what, "leave it out: our style sheet sets the words of a house")
    if name == "br":
        yield "<br>"
        return
    scope = f' scope="{"col" if head else "row"}"' if name == "th" else ""
    yield f"<{name}{scope}>"
    yield from _inner(child, head=head)
    yield f"</{name}>"


def _words(tag: str, text: str | None) -> str:
    from markupsafe import escape

    from dossier.report.format import clean

    if text and text.strip() and tag in WORDLESS:
        where = "outside any element" if tag == "section" else f"in <{tag}>"
        raise WordsError(f"words stand {where}", "put them into a <p>, <li>, <th> or <td>")
    return str(escape(clean(text or "")))


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


MOST_PICTURE = 256 * 1024
MOST_PIXELS, MOST_ELEMENTS = 2000, 2000
PNG = b"\x89PNG\r\n\x1a\n"
ELEMENTS = frozenset(
    (
        "svg", "g", "defs", "title", "desc", "path", "rect", "circle", "ellipse", "line",
        "polyline", "polygon", "linearGradient", "radialGradient", "stop",
    )
)  # fmt: skip
"""Elements of SVG that only draw, each once; text is left out, since its font would not come
along, and whatever draws another element again, which can double with each line."""


def logo_faults(name: str, content: bytes) -> list[str]:
    """Return what is wrong with a logo, each in words; none for one that may be printed."""
    if len(content) > MOST_PICTURE:
        return [f"is larger than {MOST_PICTURE // 1024} KiB"]
    if name.lower().endswith(".png"):
        return list(_png(content))
    if name.lower().endswith(".svg"):
        return list(dict.fromkeys(_svg(content)))
    return ["is neither SVG nor PNG"]


def _png(content: bytes) -> Iterator[str]:
    if not content.startswith(PNG) or len(content) < 33 or content[12:16] != b"IHDR":
        yield "is not a PNG"
        return
    wide, high = struct.unpack(">II", content[16:24])
    if not (0 < wide <= MOST_PIXELS and 0 < high <= MOST_PIXELS):
        yield f"has {wide} by {high} pixels; {MOST_PIXELS} by {MOST_PIXELS} are the most"


def _svg(content: bytes) -> Iterator[str]:
    if b"\x00" in content:
        yield "is not UTF-8 text"
        return
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        yield "declares a document type, which may pull in other files"
        return
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, ValueError, LookupError):
        yield "is not well-formed SVG"
        return
    if sum(1 for _ in root.iter()) > MOST_ELEMENTS:
        yield f"has more than {MOST_ELEMENTS} elements"
        return
    if _local(root.tag) != "svg":
        yield "is not SVG"
    for element in root.iter():
        if _local(element.tag) not in ELEMENTS:
            yield f"holds <{_local(element.tag)}>; only shapes may be in it, text as outlines"
        for key, value in element.attrib.items():
            yield from _attribute(_local(key), value.strip())


def _attribute(key: str, value: str) -> Iterator[str]:
    if key.lower().startswith("on"):
        yield f"has the event attribute {key}"
    if key == "href" and not value.startswith("#"):
        yield "refers to something outside itself"
    if "url(" in value.replace(" ", "").lower().replace("url(#", ""):
        yield "refers to something outside itself"
    if "\\" in value or "@import" in value.lower():
        yield "holds an escaped or importing style"


def _local(name: object) -> str:
    """Return a name without its namespace; comments and instructions as their kind."""
    return name.rpartition("}")[2] if isinstance(name, str) else "processing instruction"


def logo_uri(name: str, content: bytes) -> str:
    """Return the logo as a data URI."""
    kind = "image/png" if name.lower().endswith(".png") else "image/svg+xml"
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
