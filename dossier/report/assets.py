"""Templates, style sheets and fonts: where they are, and a fetcher that serves nothing else."""

from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

from dossier.report.drawn import CHART

__all__ = ["FONTS", "fetcher", "template_folders"]

HERE = Path(__file__).parent
FONTS = (
    "FiraSans-Regular.ttf",
    "FiraSans-Italic.ttf",
    "FiraSans-SemiBold.ttf",
    "DejaVuSansMono.ttf",
)
SCHEME = "asset:"
STYLES = ("dossier.css", "house.css")
PICTURES = ("data:image/svg+xml;base64,", "data:image/png;base64,")
"""Data that may stand in a page: charts and a logo, never a font, which could hide words."""


def template_folders(own: Path | None = None) -> list[Path]:
    """Return where templates are looked for: a folder of one's own first, then what comes along.

    Installed, they lie in the package; in a checkout, in the repository's templates folder.
    """
    packaged = Path(str(resources.files("dossier.report"))) / "templates"
    checkout = HERE.parent.parent / "templates"
    shipped = packaged if packaged.is_dir() else checkout
    return ([own] if own is not None else []) + [shipped]


def fetcher(read: Callable[[str], str], picture: Callable[[str], bytes] | None = None) -> Any:
    """Return a WeasyPrint fetcher for ``asset:`` names and pictures in the page, nothing else.

    `read` returns the text of a template file, such as the style sheet, by its name; `picture`
    returns the chart of an address as SVG.
    """
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class _Assets(URLFetcher):  # type: ignore[misc]  # WeasyPrint carries no types
        def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
            if url.startswith(PICTURES):
                return super().fetch(url, headers)
            if picture is not None and url.startswith(CHART):
                return URLFetcherResponse(url, picture(url), {"Content-Type": "image/svg+xml"})
            name = url.removeprefix(SCHEME)
            if url.startswith(SCHEME) and name in FONTS:
                body = (HERE / "fonts" / name).read_bytes()
                return URLFetcherResponse(url, body, {"Content-Type": "font/ttf"})
            if url.startswith(SCHEME) and name in STYLES:
                return URLFetcherResponse(url, read(name), {"Content-Type": "text/css"})
            raise ValueError(f"{url[:80]!r} is not part of the dossier: nothing else is fetched")

    return _Assets(allowed_protocols=["data"], allow_redirects=False)
