"""Files read whole and once, and a PDF as it came: its first revision, and what is attached to it.

No pipe is read, no device, no link put in a file's place, nothing too large.
Attachments are read with bounds, since the PDF may come from anyone, from the first revision alone,
by a reader that forgives a lot; a dossier is verified only where the same bytes come out when it is
built from them again.
"""

import errno
import hashlib
import io
import logging
import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

NO_LINK = getattr(os, "O_NOFOLLOW", 0)
HOW = (
    os.O_RDONLY
    | getattr(os, "O_NONBLOCK", 0)  # a pipe without a writer must not stop us
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
MOST_AT_ONCE = 2**30
"""Bytes asked for in one call: what systems give at once, without a copy of the whole."""


class NotReadError(OSError):
    """A file that is not read; carries what is wrong with it and what to do."""

    def __init__(self, what: str, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(errno.EINVAL, what)


def read_regular(path: Path, most: int) -> bytes:
    """Return the content of the ordinary file at `path`, at most `most` bytes.

    A link is followed: the user named this path.  Raises NotReadError for a folder, a pipe, a
    device or a file that is larger, OSError where it cannot be opened.
    """
    try:
        return _content(os.open(path, HOW), most)
    except NotReadError as error:
        error.filename = str(path)
        raise


def ordinary(path: str, flags: int) -> int:
    """Return a handle of the ordinary file at `path`: an opener for `open`, as in its manual.

    Raises NotReadError for anything else, without waiting for the other end of a pipe.
    """
    handle = os.open(path, flags | HOW)
    try:
        _size_of(handle)
    except NotReadError:
        os.close(handle)
        raise
    return handle


def read_below(root: Path, target: Path, most: int) -> bytes:
    """Return the content of the ordinary file `target` below the folder `root`.

    Both are resolved paths.  Each step from `root` is taken from the folder reached so far and
    none follows a link, so what is exchanged after the check leads nowhere.  Raises NotReadError
    for anything but a file of at most `most` bytes, OSError where it cannot be opened.
    """
    steps = target.relative_to(root).parts
    if not steps:
        raise NotReadError("is a folder, not a file", "name the file in it")
    if os.open not in os.supports_dir_fd:
        return _content(os.open(target, HOW | NO_LINK), most)
    here = os.open(root, HOW)
    try:
        for step in steps[:-1]:
            inner = os.open(step, HOW | NO_LINK | os.O_DIRECTORY, dir_fd=here)
            os.close(here)
            here = inner
        return _content(os.open(steps[-1], HOW | NO_LINK, dir_fd=here), most)
    finally:
        os.close(here)


def _content(handle: int, most: int) -> bytes:
    """Return what an open file holds, and close it."""
    try:
        size = _size_of(handle)
        if size > most:
            hint = "split it, or leave out what is not needed"
            raise NotReadError(f"is larger than {_size(most)}", hint)
        parts, left = [], size + 1
        while left > 0 and (part := os.read(handle, min(left, MOST_AT_ONCE))):
            parts.append(part)
            left -= len(part)
    finally:
        os.close(handle)
    if left != 1:
        raise NotReadError("changed while it was read, or is no stored file", "copy it, try again")
    return b"".join(parts)


def _size_of(handle: int) -> int:
    found = os.fstat(handle)
    if stat.S_ISDIR(found.st_mode):
        raise NotReadError("is a folder, not a file", "name the file in it")
    if not stat.S_ISREG(found.st_mode):
        raise NotReadError("is a pipe or a device, not a file", "put the file itself there")
    return found.st_size


def _size(most: int) -> str:
    return f"{most // 2**20} MiB" if most >= 2**20 else f"{most // 2**10} KiB"


MAX_PDF = 256 * 2**20
"""Bytes of a dossier."""
MAX_ATTACHED = 256 * 2**20
"""Bytes of all attachments, and of any one: the reader's own bound is lower."""
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
    from pypdf import apply_configuration

    if not content.startswith(b"%PDF-"):
        raise NotADossierError("not a PDF")
    first = first_end(content)
    bounds = apply_configuration(
        zlib_maximum_output_length=MAX_ATTACHED, maximum_declared_stream_length=MAX_ATTACHED
    )
    try:
        with quiet("pypdf"), bounds:
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
