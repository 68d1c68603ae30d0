"""What made a dossier: this program to the byte, and the versions of what it rests on."""

import hashlib
import json
from functools import cache
from pathlib import Path


@cache
def program_digest() -> str:
    """Return SHA-256 over the files of this program and the versions of its libraries.

    The version alone does not tell a program from one that was changed in place.
    """
    from dossier.record.decision_record import layout_versions, libraries_of, versions
    from dossier.report.assets import template_folder

    digest = hashlib.sha256()
    for root in (Path(__file__).parents[1], template_folder()):
        for path in sorted(root.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                name = path.relative_to(root).as_posix()
                digest.update(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {name}\n".encode())
    stated = versions() | layout_versions() | libraries_of()
    digest.update(json.dumps(stated, sort_keys=True).encode())
    return digest.hexdigest()
