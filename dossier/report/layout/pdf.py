"""From a page with its pictures to a PDF/A-3a: the part that WeasyPrint does, and nothing else.

Nothing here imports what reads or decides a case: a process of its own can do it in little memory.
"""

import gc
import io
import logging
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import partial
from importlib import import_module
from types import ModuleType
from typing import Any

from dossier.report.assets import fetcher

MISSING_PANGO = (
    "the PDF cannot be made: a system library of WeasyPrint is missing. On Debian or Ubuntu: "
    "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0. On Fedora: "
    "dnf install pango. On macOS: brew install pango libffi. On Windows, in a shell of MSYS2: "
    "pacman -S mingw-w64-ucrt-x86_64-pango"
)


class RenderError(Exception):
    """The PDF cannot be made; the message says what to do."""


class MissingLibraryError(RenderError):
    """A system library is not installed; the message names the packages."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the layout takes: all of it text and bytes."""

    html: str
    style: str
    """The style sheet."""
    attached: tuple[tuple[str, bytes, str, str], ...]
    """Name, content, relationship and description of each file to attach."""
    issued: date
    fonts: Mapping[str, bytes] = field(default_factory=dict)
    """Fonts of a house's own words, by kind."""


@dataclass(frozen=True, slots=True)
class Rendered:
    """A PDF, and what was said while it was made."""

    pdf: bytes
    warnings: tuple[str, ...]
    """Warnings and errors of the layout, such as a refused picture or a rule not understood."""

    def without_fault(self) -> bytes:
        """Return the PDF; RenderError where the layout gave a warning."""
        if self.warnings:
            raise RenderError(f"the layout of the PDF has a fault: {'; '.join(self.warnings)}")
        return self.pdf


def lay_out(sheet: Sheet, picture: Callable[[str], bytes] | None = None) -> Rendered:
    """Return the PDF of a sheet, with the warnings of its layout.

    `picture` returns the chart of an address as SVG, where charts are drawn later.  Raises
    MissingLibraryError.
    """
    weasyprint = load_weasyprint()
    noon = datetime.combine(sheet.issued, time(12))
    attachment = partial(weasyprint.Attachment, created=noon, modified=noon)
    attachments = [
        attachment(string=body, name=name, description=words, relationship=relationship)
        for name, body, relationship, words in sheet.attached
    ]
    form = {"pdf_variant": "pdf/a-3a", "attachments": attachments, "pdf_forms": True}
    with listening() as heard:
        assets, images = fetcher(sheet.style, picture, sheet.fonts), dict[str, Any]()
        page = weasyprint.HTML(string=sheet.html, base_url="asset:", url_fetcher=assets)
        document = page.render(cache=images, **form)
        _forget_styles(images)
        number_pages(document)
        declare_accessible(document)
        quoted = _QUOTED.search(sheet.html)
        pdf = document.write_pdf(finisher=partial(tidy, quoted=quoted), **form)
    return Rendered(pdf, tuple(heard))


def load_weasyprint() -> Any:
    """Return WeasyPrint; what it prints when a library is missing is said once, by us."""
    try:
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()), _by_name(), _spare():
            import weasyprint
    except OSError as error:
        reason = str(error).splitlines()[0].partition(".  ")[0]
        raise MissingLibraryError(f"{MISSING_PANGO} ({reason})") from error
    return weasyprint


@contextmanager
def _by_name() -> Iterator[None]:
    """Have system libraries found by the name of their file, which Linux always has.

    Python would look for other names by running the compiler and the linker, dozens of times.
    """
    import ctypes.util

    original: Any = ctypes.util.find_library
    if sys.platform == "linux":
        ctypes.util.find_library = lambda name: None
    try:
        yield
    finally:
        ctypes.util.find_library = original


class _Spare(ModuleType):
    """Stands for a module that is slow to import and hardly ever needed, until it is."""

    def __init__(self, name: str, *functions: str) -> None:
        """Stand for the module `name`, and for those of its functions that are imported by name."""
        super().__init__(name)
        vars(self).update((each, self._calling(each)) for each in functions)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        return getattr(import_module(self.__name__), name)

    def _calling(self, name: str) -> Callable[..., Any]:
        return lambda *given, **named: self.__getattr__(name)(*given, **named)


@contextmanager
def _spare() -> Iterator[None]:
    """Spare the import of what the layout needs only where HarfBuzz cannot cut a font."""
    cutting = _Spare("fontTools.subset")
    varying = _Spare("fontTools.varLib.instancer", "instantiateVariableFont")
    spare = {each.__name__: each for each in (cutting, varying) if each.__name__ not in sys.modules}
    sys.modules.update(spare)
    try:
        yield
    finally:
        for name, each in spare.items():
            if sys.modules.get(name) is each:
                del sys.modules[name]


def _forget_styles(images: Mapping[str, Any]) -> None:
    """Give back the styles of all elements, a tenth of the memory: laid-out boxes have their own.

    The pictures hold what the layout knew, for their texts, which need the fonts of it alone.
    """
    for image in images.values():
        context: Any = getattr(image, "_context", None)
        if hasattr(context, "style_for"):
            context.style_for = None


NUMBER = "00"
"""Stands for the number of a page until it is known."""


def number_pages(document: Any) -> None:
    """Put the first page of what an element names in `data-to` in the place that its text has.

    The layout can look pages up by itself, and lays a page on which it does out three times.
    """
    last_first = reversed(list(enumerate(document.pages, 1)))
    pages = {name: n for n, page in last_first for name in page.anchors}
    for page in document.pages:
        for box in page._page_box.descendants():
            of = box.element if hasattr(box, "pango_layout") else None
            if of is not None and (named := of.get("data-to")):
                numbered = box.text.replace(NUMBER, f"{pages[named]}")
                box.text = box.pango_layout.text = numbered.rjust(len(box.text))


@contextmanager
def without_collector() -> Iterator[None]:
    """Pause the garbage collector: a layout makes many objects and frees them at its end.

    WeasyPrint leaves its colour profile to the collector to close; that is no news to a user.
    """
    was = gc.isenabled()
    gc.disable()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        try:
            yield
        finally:
            gc.freeze()
            gc.unfreeze()  # into the oldest generation: looked through late, if at all
            if was:
                gc.enable()


@contextmanager
def listening() -> Iterator[list[str]]:
    """Collect what the layout logs at the level of a warning and above."""
    heard: list[str] = []

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            heard.append(record.getMessage()[:300])

    ear = _Ear(level=logging.WARNING)
    loggers = [logging.getLogger(name) for name in ("weasyprint", "fontTools")]
    for logger in loggers:
        logger.addHandler(ear)
    try:
        yield heard
    finally:
        for logger in loggers:
            logger.removeHandler(ear)


PRINTED, LOCKED = 4, 128


def make_signature_fields(pdf: Any) -> None:
    """Turn every form input of `pdf` into an empty, visible signature field.

    The page has boxes to tick there, which need no font.  A signature field has no value and an
    empty appearance (ISO 32000-1:2008, 12.7.4.5).  Its structure element mentions it by one bare
    reference, so that a later signature changes the field alone and not the structure tree.
    """
    form = pdf.catalog.get("AcroForm")
    if form is None:
        return
    for key in ("DR", "NeedAppearances"):
        form.pop(key, None)
    for each in list(pdf.objects):
        if isinstance(each, dict) and each.get("Subtype") == "/Widget":
            _empty_field(pdf, each)
        elif isinstance(each, dict) and each.get("S") == "/Form" and len(each["K"]) == 1:
            each["K"] = each["K"][0]
    form["SigFlags"] = 1


def _empty_field(pdf: Any, field: Any) -> None:
    import pydyf

    x1, y1, x2, y2 = field["Rect"]
    left, right, low, high = min(x1, x2), max(x1, x2), min(y1, y2), max(y1, y2)
    look = field["AP"]["N"]["on"]
    stream = next(each for each in pdf.objects if each.reference == look)
    stream.stream = []
    stream.extra["BBox"] = pydyf.Array((0, 0, right - left, high - low))
    stream.extra.pop("Resources", None)
    for key in ("AS", "V", "MK", "Border"):
        field.pop(key, None)
    field["FT"] = "/Sig"
    field["F"] = PRINTED + LOCKED
    field["Rect"] = pydyf.Array((left, low, right, high))
    field["AP"] = pydyf.Dictionary({"N": look})


def write_plainly(pdf: Any) -> None:
    """Have `pdf` write each object by itself, with a plain table of where they are.

    Signatures are added behind the file as increments.  What an increment changes can be read off
    such a table object by object, by any program.  The identifier is a digest of all objects: each
    is put into bytes once for both.
    """
    import pydyf

    class InBytes(pydyf.Object):  # type: ignore[misc]
        data = b""

        def __init__(self, of: Any) -> None:
            super().__init__()
            self.number, self.generation, self.data = of.number, of.generation, of.data

    write = pdf.write

    def plainly(output: Any, version: Any = b"1.7", identifier: Any = False, _: bool = True) -> Any:
        pdf.objects[1:] = map(InBytes, pdf.objects[1:])
        return write(output, version, identifier, False)

    pdf.write = plainly


_DESCRIPTIONS = b"""
<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<pdfuaid:part>1</pdfuaid:part></rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#"
 xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA Universal Accessibility Schema</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name>
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>Part of ISO 14289 the file conforms to</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property>
</rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>
"""
"""The identifier, and its declaration, which PDF/A-3 wants (ISO 19005-3:2012, 6.6.2.3)."""


def declare_accessible(document: Any) -> None:
    """Add the PDF/UA-1 identifier to the metadata that `document` will write."""
    original = document.metadata.generate_rdf_metadata

    def generate(variant: str, version: int, conformance: str) -> bytes:
        written: bytes = original(variant, version, conformance)
        head, end, tail = written.rpartition(b"</rdf:RDF>")
        return head + _DESCRIPTIONS + end + tail

    document.metadata.generate_rdf_metadata = generate


def _name_files(pdf: Any) -> None:
    """Name attached files as text: of bytes, letters beyond ASCII would read as others."""
    names = pdf.objects[int(pdf.catalog["Names"]["EmbeddedFiles"].split()[0])]["Names"]
    for place in range(0, len(names), 2):
        file = pdf.objects[int(names[place + 1].split()[0])]
        file["F"] = names[place] = file["UF"]


_QUOTED = re.compile(r'<blockquote lang="(\w+)"')
"""Words in another language than the page's: there is one such language at most."""


def tidy(_document: Any, pdf: Any, *, quoted: re.Match[str] | None) -> None:
    """Mention each attached file once; make the fields to sign; write objects one by one.

    What is `quoted` gets its language, which the layout tells for a whole PDF alone.
    """
    for each in pdf.objects if quoted else ():
        if isinstance(each, dict) and each.get("S") == "/BlockQuote":
            each["Lang"] = f"({quoted and quoted[1]})"
    files = pdf.catalog.get("AF")
    if files is not None:
        files[:] = list(dict.fromkeys(files))
        _name_files(pdf)
    make_signature_fields(pdf)
    write_plainly(pdf)
