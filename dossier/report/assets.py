"""What a page may fetch: style sheet, fonts, pictures, and charts that are drawn later.

Charts are drawn when the layout asks for them: who only wants the words draws none.
"""

import base64
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from dossier.words import held

HERE = Path(__file__).parent
FONTS = (
    "FiraSans-Regular.ttf",
    "FiraSans-Italic.ttf",
    "FiraSans-SemiBold.ttf",
    "DejaVuSansMono.ttf",
)
FONT_FOLDER = HERE / "fonts"
SCHEME = "asset:"
STYLE = "dossier.css"
HOUSE_FONT = "house-"
"""What the names of the fonts of a house's own words begin with."""
PICTURES = ("data:image/svg+xml;base64,", "data:image/png;base64,")
"""Data that may stand in a page: charts and a logo, never a font, which could hide words."""


def template_folder() -> Path:
    """Return where templates lie: installed, in the package; in a checkout, in templates/."""
    packaged = Path(str(resources.files("dossier.report"))) / "templates"
    checkout = HERE.parent.parent / "templates"
    return packaged if packaged.is_dir() else checkout


def templates(form: Callable[[str], str]) -> Any:
    """Return what fills templates; `form` makes each text that they print fit to be printed.

    Templates are compiled once, and kept beside them as Python keeps its own byte code.
    """
    from jinja2 import Environment, FileSystemBytecodeCache, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(template_folder()), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
        finalize=lambda value: form(value) if type(value) is str else value,
        bytecode_cache=FileSystemBytecodeCache(str(kept)) if (kept := _kept_compiled()) else None,
    )  # fmt: skip


def _kept_compiled() -> Path | None:
    """Return the folder of compiled templates; None where nothing is to be written there."""
    folder = template_folder() / "__pycache__"
    if sys.dont_write_bytecode:
        return None
    with suppress(OSError):
        folder.mkdir(exist_ok=True)
    return folder if os.access(folder, os.W_OK) else None


def source_of(environment: Any, name: str) -> str:
    """Return a file that lies beside the templates, as it is."""
    return str(environment.loader.get_source(environment, name)[0])


def fetcher(style: str, picture: Callable[[str], bytes] | None, fonts: Mapping[str, bytes]) -> Any:
    """Return a WeasyPrint fetcher for ``asset:`` names and pictures in the page, nothing else.

    `style` is the style sheet; `picture` returns the chart of an address as SVG; `fonts` are those
    of a house's own words, by kind.
    """
    served = {f"{HOUSE_FONT}{kind}.ttf": content for kind, content in fonts.items()}
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class _Assets(URLFetcher):  # type: ignore[misc]  # WeasyPrint carries no types
        def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
            if url.startswith(PICTURES):
                return super().fetch(url, headers)
            if picture is not None and url.startswith(CHART):
                return URLFetcherResponse(url, picture(url), {"Content-Type": "image/svg+xml"})
            name = url.removeprefix(SCHEME)
            if url.startswith(SCHEME) and (name in FONTS or name in served):
                body = served.get(name) or (FONT_FOLDER / name).read_bytes()
                return URLFetcherResponse(url, body, {"Content-Type": "font/ttf"})
            if url == f"{SCHEME}{STYLE}":
                return URLFetcherResponse(url, style, {"Content-Type": "text/css"})
            raise ValueError(f"{url[:80]!r} is not part of the dossier: nothing else is fetched")

    return _Assets(allowed_protocols=["data"], allow_redirects=False)


Draw = Callable[[], bytes]
CHART = "asset:chart-"
"""Beginning of the address of a chart that is drawn later; its number follows."""


@dataclass(slots=True)
class Later:
    """Charts that are asked for now and drawn later; until then each is an address."""

    wanted: list[Draw] = field(default_factory=list)

    def address(self, draw: Draw) -> str:
        """Note one chart and return the address under which `picture` has it."""
        self.wanted.append(draw)
        return f"{CHART}{len(self.wanted) - 1}"

    def picture(self, address: str) -> bytes:
        """Return the chart of an address as SVG; ValueError where there is none."""
        number = address.removeprefix(CHART)
        if not number.isdecimal() or int(number) >= len(self.wanted):
            raise ValueError(f"{address[:80]!r} is not a chart of this dossier")
        return self.wanted[int(number)]()


_later: ContextVar[Later | None] = ContextVar("_later", default=None)


@contextmanager
def drawn_later() -> Iterator[Later]:
    """Collect the charts asked for inside, instead of drawing each at once."""
    later = Later()
    with held(_later, later):
        yield later


def now_or_later(draw: Draw) -> str:
    """Return the picture as a data URI, or its address inside `drawn_later`."""
    later = _later.get()
    return data_uri(draw()) if later is None else later.address(draw)


def svg_sheet(wide: float, high: float, body: str, more: str = "", left: float = 0.0) -> bytes:
    """Return a picture of `wide` by `high` points; `more` are attributes, `left` its left edge."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}pt" height="{high:g}pt" '
        f'viewBox="{left:g} 0 {wide:g} {high:g}"{more}>{body}</svg>'
    ).encode()


def data_uri(picture: bytes) -> str:
    """Return an SVG picture as an address that holds it."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture).decode("ascii")
