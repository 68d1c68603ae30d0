"""A verification on one page, to be filed beside the dossier."""

from collections.abc import Iterator
from datetime import date

from dossier.report.format import date_text
from dossier.verify.verification import Verification


def note_pdf(found: Verification, day: date) -> bytes:
    """Return a PDF of one page with the facts and the verdict of a verification."""
    from dossier import __version__
    from dossier.report.render import page_pdf

    return page_pdf(
        "verification.html",
        found=found,
        day=date_text(day),
        version=__version__,
        facts=list(_facts(found)),
        lists=(
            ("What contradicts the dossier", found.failures),
            ("What is not proven", found.gaps),
            ("What a person should know", found.remarks),
        ),
    )


def _facts(found: Verification) -> Iterator[tuple[str, str]]:
    from dossier.verify.verification_text import fact_lines

    for line in list(fact_lines(found))[2:]:
        name, _, text = line.partition(": ")
        if name not in {"failed", "not proven", "remark"}:
            yield name, text
