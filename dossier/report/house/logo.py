"""The logo of a house: a small picture that can neither run nor fetch anything."""

import base64
import struct
from collections.abc import Iterator
from xml.etree import ElementTree

MOST_BYTES = 256 * 1024
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
    if len(content) > MOST_BYTES:
        return [f"is larger than {MOST_BYTES // 1024} KiB"]
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
