"""Words of a house's own section: few elements, no attributes, written anew by us."""

from collections.abc import Iterator
from xml.etree import ElementTree

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
