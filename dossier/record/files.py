"""The files of a dossier on the disk: each written whole, and never over a seal."""

import os
import re
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.case.attached import MAX_PDF, NotADossierError, open_pdf
from dossier.case.bounded import NotReadError, read_regular
from dossier.case.problems import CaseError, CaseProblem

if TYPE_CHECKING:
    from dossier.case.model import Qualification

BUILT, UP_TO_DATE, SEALED = "built", "up to date", "sealed, up to date"
"""What became of a dossier on the disk."""
LEFT_OVER = 3600.0
"""Age [s] from which a temporary file belongs to no process any more."""
_TEMPORARY = re.compile(r"\.[A-Za-z0-9][A-Za-z0-9._-]*-r\d+\.(pdf|json)\.[a-z0-9_]{8}")


@dataclass(frozen=True, slots=True)
class Saved:
    """The files of a dossier, and what became of them."""

    pdf: Path
    json: Path
    done: str
    """BUILT, UP_TO_DATE or SEALED."""


def stem_of(qualification: "Qualification") -> str:
    """Return the name of a dossier's files: its number and revision."""
    return f"{qualification.number}-r{qualification.revision}"


def save_files(
    stem: str,
    pdf: bytes,
    document: bytes,
    out: Path,
    *,
    replace: bool = False,
    only_stale: bool = False,
) -> Saved:
    """Write `<stem>.pdf` and `<stem>.json` into `out`, each whole.

    With `only_stale`, a file is not touched that holds to the byte what is to be written, nor a
    PDF that begins with it and adds whole seals alone, in the names of those who signed off:
    nothing else that lies there is believed.  Raises CaseError, unless `replace`, where any other
    sealed PDF lies there.
    """
    paths = out / f"{stem}.pdf", out / f"{stem}.json"
    there = _there(paths[0], pdf) if only_stale else BUILT
    if there == BUILT and not replace:
        refuse_sealed(paths[0], ", and it is not what the case gives now" if only_stale else "")
    out.mkdir(parents=True, exist_ok=True)
    _clear(out)
    if there == BUILT:
        write_whole(paths[0], pdf)
    if not only_stale or _read(paths[1]) != document:
        write_whole(paths[1], document)
        there = BUILT if there == UP_TO_DATE else there
    return Saved(*paths, there)


def _there(path: Path, pdf: bytes) -> str:
    """Return UP_TO_DATE where a file holds `pdf`, SEALED where seals alone follow, or BUILT."""
    data = _read(path)
    if data == pdf or not data.startswith(pdf):
        return UP_TO_DATE if data == pdf else BUILT
    from dossier.record.dossier_file import dossier_in
    from dossier.record.standing import seals_of

    try:
        return BUILT if seals_of(dossier_in(open_pdf(data))).faults else SEALED
    except NotADossierError:
        return BUILT


def _read(path: Path) -> bytes:
    """Return what a file holds, nothing where there is none; CaseError for what is no file."""
    try:
        return read_regular(path, MAX_PDF)
    except FileNotFoundError:
        return b""
    except NotReadError as error:
        raise CaseError([CaseProblem(str(path), "", error.what, error.hint)]) from None


def is_sealed(path: Path) -> bool:
    """Return whether the PDF at `path` carries a digital signature, whole or damaged.

    Raises OSError where there is a file that cannot be read, CaseError where it is none.
    """
    return b"/ByteRange" in _read(path)


def refuse_sealed(pdf: Path, why: str = "") -> None:
    """Raise CaseError where the PDF is sealed: to build over it would take its seals away."""
    if is_sealed(pdf):
        what = f"is sealed{why}; building it again would take its digital signatures away"
        hint = "raise 'revision' in case.toml, or give --replace to lose the sealed file"
        raise CaseError([CaseProblem(str(pdf), "", what, hint)])


def write_whole(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write to a temporary name beside `path`, then rename: the old file or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(mode)
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
