"""Templates, style sheets and fonts: where they are, and a fetcher that serves nothing else."""

from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from dossier.report.charts.deferred import CHART

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


def fetcher(
    style: str,
    picture: Callable[[str], bytes] | None = None,
    fonts: Mapping[str, bytes] | None = None,
) -> Any:
    """Return a WeasyPrint fetcher for ``asset:`` names and pictures in the page, nothing else.

    `style` is the style sheet; `picture` returns the chart of an address as SVG; `fonts` are those
    of a house's own words, by kind.
    """
    served = {f"{HOUSE_FONT}{kind}.ttf": content for kind, content in (fonts or {}).items()}
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
