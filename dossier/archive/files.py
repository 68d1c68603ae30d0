"""The files of a dossier on the disk: each written whole, noted, and never over a seal."""

import hashlib
import json
import os
import re
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.case.problems import CaseError, CaseProblem

if TYPE_CHECKING:
    from dossier.case.model import Qualification

__all__ = [
    "NOTES",
    "is_sealed",
    "note_of",
    "refuse_sealed",
    "save_files",
    "stem_of",
    "write_whole",
]

NOTES = ".built"
"""Folder beside the dossiers: for each, digests of what was written last."""
LEFT_OVER = 3600.0
"""Age [s] from which a temporary file belongs to no process any more."""
_TEMPORARY = re.compile(r"\.[A-Za-z0-9][A-Za-z0-9._-]*-r\d+\.(pdf|json)\.[a-z0-9_]{8}")


def stem_of(qualification: "Qualification") -> str:
    """Return the name of a dossier's files: its number and revision."""
    return f"{qualification.number}-r{qualification.revision}"


def save_files(
    stem: str, pdf: bytes, document: bytes, out: Path, *, replace: bool = False, program: str = ""
) -> tuple[Path, Path]:
    """Write `<stem>.pdf` and `<stem>.json` into `out`, each whole; return their paths.

    The note of what was written comes last: whatever happens before, a later run sees that the
    files are not those of the note.  `program` is the digest of the program, where it is known
    already.  Raises CaseError, unless `replace`, where the PDF is sealed.
    """
    paths = out / f"{stem}.pdf", out / f"{stem}.json"
    if not replace:
        refuse_sealed(paths[0])
    (out / NOTES).mkdir(parents=True, exist_ok=True)
    for folder in (out, out / NOTES):
        _clear(folder)
    write_whole(paths[0], pdf)
    write_whole(paths[1], document)
    write_whole(out / NOTES / f"{stem}.json", _text(note_of(pdf, document, program)))
    return paths


def note_of(pdf: bytes, document: bytes, program: str = "") -> dict[str, str]:
    """Return what is noted of a dossier: digests of both files and of the program."""
    if not program:
        from dossier.archive.program import program_digest

        program = program_digest()

    return {
        "json": hashlib.sha256(document).hexdigest(),
        "pdf": hashlib.sha256(pdf).hexdigest(),
        "program": program,
    }


def _text(note: dict[str, str]) -> bytes:
    return (json.dumps(note, indent=2, sort_keys=True) + "\n").encode()


def is_sealed(path: Path) -> bool:
    """Return whether the PDF at `path` carries a digital signature, whole or damaged.

    Raises OSError where there is a file that cannot be read.
    """
    try:
        return b"/ByteRange" in path.read_bytes()
    except FileNotFoundError:
        return False


def refuse_sealed(pdf: Path) -> None:
    """Raise CaseError where the PDF is sealed: to build over it would take its seals away."""
    if is_sealed(pdf):
        what = "is sealed; building it again would take its digital signatures away"
        hint = "raise 'revision' in case.toml, or give --replace to lose the sealed file"
        raise CaseError([CaseProblem(str(pdf), "", what, hint)])


def write_whole(path: Path, content: bytes) -> None:
    """Write to a temporary name beside `path`, then rename: the old file or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _clear(folder: Path) -> None:
    """Remove temporary files of runs that were stopped before they could rename them."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if not _TEMPORARY.fullmatch(entry.name):
                continue
            with suppress(OSError):  # another run may have removed it
                if time.time() - entry.stat(follow_symlinks=False).st_mtime > LEFT_OVER:
                    Path(entry.path).unlink()
