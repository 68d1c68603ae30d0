"""Files that appear whole or not at all."""

import os
import tempfile
from pathlib import Path

__all__ = ["write_dossier", "write_whole"]


def write_dossier(out: Path, stem: str, pdf: bytes, document: bytes) -> tuple[Path, Path]:
    """Write `<out>/<stem>.pdf` and `.json`, making the folder where needed; return both paths."""
    out.mkdir(parents=True, exist_ok=True)
    paths = out / f"{stem}.pdf", out / f"{stem}.json"
    for path, content in zip(paths, (pdf, document), strict=True):
        write_whole(path, content)
    return paths


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
