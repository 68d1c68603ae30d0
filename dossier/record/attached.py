"""The files attached to a PDF, read with bounds: the PDF may come from anyone."""

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dossier.case.bounded import NotReadError, read_regular
from dossier.record.files import MAX_PDF
from dossier.record.increment import first_end

MAX_ATTACHED = 256 * 2**20
MAX_FILES = 4096


class NotADossierError(Exception):
    """Raised for a file that is no dossier, or none that can be read; the message says why."""


def read_pdf(path: Path) -> bytes:
    """Return the bytes of an ordinary file of at most `MAX_PDF` bytes, else NotADossierError."""
    try:
        return read_regular(path, MAX_PDF)
    except NotReadError as error:
        raise NotADossierError(error.what.removeprefix("is ")) from None


def attached_files(content: bytes) -> dict[str, bytes]:
    """Return name and content of every file attached to the first revision of a PDF.

    Raises NotADossierError where there are none, two of one name, or more than the bounds allow.
    """
    if not content.startswith(b"%PDF-"):
        raise NotADossierError("not a PDF")
    try:
        with quiet():
            return _collected(content[: first_end(content) or None])
    except NotADossierError:
        raise
    except Exception as error:  # noqa: BLE001  a damaged PDF fails in any way
        told = _plain(" ".join(str(error).split()))[:200]
        reason = f"the PDF cannot be read ({type(error).__name__}: {told})"
        raise NotADossierError(reason) from None


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


@contextmanager
def quiet() -> Iterator[None]:
    """Keep pypdf from printing what it thinks of a damaged file; we say it ourselves."""
    logger = logging.getLogger("pypdf")
    was = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(was)
