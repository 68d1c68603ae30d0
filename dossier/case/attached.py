"""A PDF as it came: its first revision, what is attached to that, and what stands behind.

Attachments are read with bounds, since the PDF may come from anyone, from the first revision alone,
by a reader that forgives a lot; a dossier is verified only where the same bytes come out when it is
built from them again.
"""

import hashlib
import io
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from dossier.case.bounded import NotReadError, read_regular

MAX_PDF = 256 * 2**20
"""Bytes of a dossier."""
MAX_ATTACHED = 256 * 2**20
MAX_FILES = 4096
_END = re.compile(rb"startxref\n(\d{1,10})\n%%EOF\n")


class NotADossierError(Exception):
    """Raised for a file that is no dossier, or none that can be read; the message says why."""


@dataclass(frozen=True, slots=True)
class PdfFile:
    """The bytes of a PDF, and the files attached to its first revision."""

    data: bytes = field(repr=False)
    first: int
    """Where the first revision ends; behind it stand seals, or what only looks like them.

    Zero where there is none that this program writes.
    """
    files: dict[str, bytes] = field(repr=False)

    @property
    def built(self) -> bytes:
        """Return the first revision: what the program built, before any seal."""
        return self.data[: self.first]

    @property
    def sha256(self) -> str:
        """Return the SHA-256 of all of it."""
        return hashlib.sha256(self.data).hexdigest()


def read_pdf(path: Path) -> bytes:
    """Return the bytes of an ordinary file of at most `MAX_PDF` bytes, else NotADossierError."""
    try:
        return read_regular(path, MAX_PDF)
    except NotReadError as error:
        raise NotADossierError(error.what.removeprefix("is ")) from None


def open_pdf(content: bytes) -> PdfFile:
    """Return a PDF with the files that its first revision carries.

    Raises NotADossierError where it is no PDF, damaged, encrypted, without attachments, or where
    these exceed the bounds or share a name.
    """
    if not content.startswith(b"%PDF-"):
        raise NotADossierError("not a PDF")
    first = first_end(content)
    try:
        with quiet("pypdf"):
            return PdfFile(content, first, _collected(content[: first or None]))
    except NotADossierError:
        raise
    except Exception as error:  # noqa: BLE001  a damaged PDF fails in any way
        told = _plain(" ".join(str(error).split()))[:200]
        raise NotADossierError(f"the PDF cannot be read ({type(error).__name__}: {told})") from None


def _collected(content: bytes) -> dict[str, bytes]:
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(content), strict=True)
    if reader.is_encrypted:
        raise NotADossierError("encrypted")
    files: dict[str, bytes] = {}
    total = 0
    for each in reader.attachment_list:
        name = _plain(str(each.name))
        if name in files:
            raise NotADossierError(f"two attachments have the name {name[:80]!r}")
        files[name] = bytes(each.content)
        total += len(files[name])
        if total > MAX_ATTACHED or len(files) > MAX_FILES:
            raise NotADossierError("more is attached than a dossier may hold")
    if not files:
        raise NotADossierError("nothing is attached to it")
    return files


def _plain(text: str) -> str:
    """Return text that can be written as UTF-8 whatever the PDF held."""
    return text.encode("utf-8", "replace").decode()


def first_end(data: bytes) -> int:
    """Return where the first revision ends: behind the first end that names its own table.

    Zero where there is none: the file is damaged, or not of this program.
    """
    for match in _END.finditer(data):
        table = int(match[1])
        if table < match.start() and data.startswith(b"xref\n0 ", table):
            return match.end()
    return 0


@contextmanager
def quiet(*libraries: str) -> Iterator[None]:
    """Keep libraries from printing what they think of a damaged file; we say it ourselves."""
    levels = {logging.getLogger(name): logging.getLogger(name).level for name in libraries}
    for logger in levels:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in levels.items():
            logger.setLevel(level)
