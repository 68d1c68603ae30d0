"""What made a dossier: this program to the byte, and the versions of what it rests on."""

import hashlib
import json
from functools import cache
from importlib import metadata
from pathlib import Path

__all__ = ["program_digest"]


@cache
def program_digest() -> str:
    """Return SHA-256 over the files of this program and the versions of its libraries.

    The version alone does not tell a program from one that was changed in place.
    """
    from dossier.archive.record import layout_versions, versions
    from dossier.report.assets import template_folder

    digest = hashlib.sha256()
    for root in (Path(__file__).parents[1], template_folder()):
        for path in sorted(root.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                name = path.relative_to(root).as_posix()
                digest.update(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {name}\n".encode())
    stated = versions() | layout_versions() | _libraries()
    digest.update(json.dumps(stated, sort_keys=True).encode())
    return digest.hexdigest()


def _libraries() -> dict[str, str]:
    """Return the versions of all libraries that this program asks for; none in a bare checkout."""
    found: dict[str, str] = {}
    try:
        asked = metadata.requires("dossier") or ()
    except metadata.PackageNotFoundError:
        return found
    for each in asked:
        if "extra ==" in each:
            continue
        name = "".join(c if c.isalnum() or c in "._-" else " " for c in each).split()[0]
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found
