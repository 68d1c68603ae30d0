"""A dossier's PDF as it came: opened once, strictly, with what is attached to it, within bounds."""

import io
import logging
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dossier.archive.attached import (
    MAX_ATTACHED,
    MAX_FILES,
    NotADossierError,
    read_pdf,
)

__all__ = ["PdfFile", "entry", "open_pdf", "quiet", "read_bounded"]

MAX_ONE = 64 * 2**20
DEEPEST = 12


@dataclass(frozen=True, slots=True)
class PdfFile:
    """The bytes of a PDF, its reader, and the files attached to its latest revision."""

    data: bytes = field(repr=False)
    reader: Any = field(repr=False)
    files: dict[str, bytes] = field(repr=False)


def read_bounded(path: Path) -> bytes:
    """Return the bytes of a file; NotADossierError if it is larger than a dossier may be."""
    return read_pdf(path)


def open_pdf(data: bytes) -> PdfFile:
    """Return the PDF in `data`, read with the reader that also judges its signatures.

    Raises NotADossierError where it is no PDF, damaged, encrypted, without attachments, or where
    attachments exceed the bounds or share a name.
    """
    if not data.startswith(b"%PDF-"):
        raise NotADossierError("not a PDF")
    try:
        with quiet():
            from pyhanko.pdf_utils.reader import PdfFileReader

            reader = PdfFileReader(io.BytesIO(data), strict=True)
            if reader.encrypted:
                raise NotADossierError("encrypted")
            return PdfFile(data, reader, _files(reader))
    except NotADossierError:
        raise
    except Exception as error:  # noqa: BLE001  a damaged PDF fails in any way
        told = " ".join(str(error).split())[:160].encode("utf-8", "replace").decode()
        reason = f"the PDF cannot be read ({type(error).__name__}: {told})"
        raise NotADossierError(reason) from None


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


def entry(dictionary: Any, key: str, default: Any) -> Any:
    """Return an entry of a PDF dictionary with its reference followed, or the default."""
    return dictionary[key] if key in dictionary else default  # noqa: SIM401  get does not follow


def _files(reader: Any) -> dict[str, bytes]:
    names = entry(reader.root, "/Names", {})
    if "/EmbeddedFiles" not in names:
        raise NotADossierError("nothing is attached to it")
    tree = names["/EmbeddedFiles"]
    files: dict[str, bytes] = {}
    total = 0
    for specification in _specifications(tree, 0):
        name = str(specification["/UF"])
        if name in files:
            raise NotADossierError(f"two attachments have the name {name[:80]!r}")
        files[name] = _content(specification["/EF"]["/F"])
        total += len(files[name])
        if total > MAX_ATTACHED or len(files) > MAX_FILES:
            raise NotADossierError("more is attached than a dossier may hold")
    return files


def _specifications(node: Any, depth: int) -> Iterator[Any]:
    """Yield the file specifications of a name tree."""
    pairs = entry(node, "/Names", ())
    if depth > DEEPEST or len(pairs) > 2 * MAX_FILES:
        raise NotADossierError("its list of attachments is too deep or too long")
    for index in range(1, len(pairs), 2):
        yield pairs[index]
    kids = entry(node, "/Kids", ())
    if len(kids) > MAX_FILES:
        raise NotADossierError("its list of attachments is too long")
    for index in range(len(kids)):
        yield from _specifications(kids[index], depth + 1)


def _content(stream: Any) -> bytes:
    """Return what a stream holds; at most `MAX_ONE` bytes are ever unpacked."""
    raw: bytes = stream.encoded_data
    packing = entry(stream, "/Filter", None)
    if packing is None:
        return raw
    if packing != "/FlateDecode" or "/DecodeParms" in stream:
        raise NotADossierError("an attachment is packed in a way that a dossier does not use")
    unpacker = zlib.decompressobj()
    content = unpacker.decompress(raw, MAX_ONE + 1)
    if len(content) > MAX_ONE:
        raise NotADossierError(f"an attachment is larger than {MAX_ONE // 2**20} MiB")
    if not unpacker.eof:
        raise NotADossierError("an attachment ends too early")
    return content
