"""A dossier's PDF as it came: its first revision, what is attached to that, and what stands behind.

Attachments are read from the first revision alone, by a reader that forgives a lot; a dossier is
verified only where the same bytes come out when it is built from them again.
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from dossier.record.attached import NotADossierError, attached_files, read_pdf
from dossier.record.increment import first_end


@dataclass(frozen=True, slots=True)
class PdfFile:
    """The bytes of a PDF, and the files attached to its first revision."""

    data: bytes = field(repr=False)
    first: int
    """Where the first revision ends; behind it stand seals, or what only looks like them."""
    files: dict[str, bytes] = field(repr=False)

    @property
    def built(self) -> bytes:
        """Return the first revision: what the program built, before any seal."""
        return self.data[: self.first]


def read_bounded(path: Path) -> bytes:
    """Return the bytes of a file; NotADossierError if it is larger than a dossier may be."""
    return read_pdf(path)


def open_pdf(data: bytes) -> PdfFile:
    """Return the PDF in `data` with the files that its first revision carries.

    Raises NotADossierError where it is no PDF, damaged, encrypted, without attachments, or where
    attachments exceed the bounds or share a name.
    """
    first = first_end(data)
    if not first or not data.startswith(b"%PDF-"):
        raise NotADossierError("not a PDF, or not one that this program writes, or cut off")
    return PdfFile(data, first, attached_files(data))


@contextmanager
def quiet() -> Iterator[None]:
    """Keep the signature library from printing what it thinks; we say it ourselves."""
    loggers = [logging.getLogger(name) for name in ("pyhanko", "pyhanko_certvalidator")]
    levels = [each.level for each in loggers]
    for each in loggers:
        each.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for each, level in zip(loggers, levels, strict=True):
            each.setLevel(level)
