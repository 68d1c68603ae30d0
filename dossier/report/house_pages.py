"""Fill the templates, a house's among ours, and refuse what a house must not do."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from dossier.case.problems import CaseError, CaseProblem
from dossier.report.content import Content
from dossier.report.house import House
from dossier.report.obligatory import lacking

__all__ = ["filled", "refused", "require"]

_ANCHOR = re.compile(r'\sid="([^"]+)"')
_LINK = re.compile(r'<a href="#([^"]+)">(.*?)</a>', re.DOTALL)

MOST_TEXT = 64 * 2**20


def filled(environment: Any, content: Content, house: House | None) -> str:
    """Return the dossier as HTML; raises CaseError for a fault in a template of the house."""
    from jinja2 import TemplateError

    faults = (TemplateError, TypeError, ValueError, LookupError, OverflowError, MemoryError,
              RecursionError)  # fmt: skip
    try:
        html = _bounded(environment.get_template("dossier.html").generate(page=content))
    except faults as error:
        if house is None:
            raise
        place = f"{getattr(error, 'name', None) or 'a template'}: {error}"
        raise refused(house.folder, [place], "correct the template") from None
    return html if house is None else _without_dead_links(html)


def _bounded(pieces: Iterable[str]) -> str:
    """Return the pieces joined; raises ValueError as soon as they are more than a page may be."""
    kept, size = [], 0
    for piece in pieces:
        size += len(piece)
        if size > MOST_TEXT:
            raise ValueError(f"the templates make more than {MOST_TEXT // 2**20} MiB of text")
        kept.append(piece)
    return "".join(kept)


def _without_dead_links(html: str) -> str:
    """Turn links into plain words where a house has left out the place they lead to."""
    anchors = set(_ANCHOR.findall(html))
    return _LINK.sub(lambda link: link[0] if link[1] in anchors else link[2], html)


def refused(folder: Path | str, faults: Iterable[str], hint: str) -> CaseError:
    """Return the error for faults of a house, each with what to do."""
    return CaseError(CaseProblem(f"house {folder}", "", fault, hint) for fault in faults)


def require(document: Any, content: Content, house: House) -> None:
    """Raise CaseError unless everything obligatory can be read in the laid-out document."""
    faults = lacking(document, content)
    if faults:
        hint = "a house may lay it out in its own way, but must print it where it can be read"
        raise refused(house.folder, faults, hint)
