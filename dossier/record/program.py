"""What made a dossier: this program to the byte, and the versions of what it rests on."""

import hashlib
import json
from functools import cache
from pathlib import Path

from dossier.case.attached import NotADossierError, open_pdf, read_pdf
from dossier.record.decision_record import LAYOUT, NUMERICAL, plain_versions


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


def constraints_text(pdf: Path) -> str:
    """Return a constraints file for pip, with what the system has to bring along as remarks.

    What stands in the manifest is stated by whoever built the dossier: plain names and versions
    are taken from it, nothing else.  Raises NotADossierError where it states none.
    """
    try:
        manifest = json.loads(open_pdf(read_pdf(pdf)).files["manifest.json"])
        stated = {
            part: plain_versions(manifest[part]) for part in ("versions", "layout", "libraries")
        }
    except (KeyError, TypeError, ValueError, RecursionError):
        raise NotADossierError("its manifest states no versions of libraries") from None
    own, layout = stated["versions"], stated["layout"]
    if not own or not layout or not stated["libraries"]:
        raise NotADossierError("its manifest states no versions of libraries")
    packages = stated["libraries"] | {
        name: value for name, value in (own | layout).items() if name in (*NUMERICAL, *LAYOUT)
    }
    system = {name: value for name, value in layout.items() if name not in LAYOUT}
    head = [
        f"# dossier {own.get('dossier', 'unknown')}, Python {own.get('python', '?')}",
        f"# of the system: {', '.join(f'{name} {value}' for name, value in system.items())}",
    ]
    return "\n".join([*head, *(f"{name}=={packages[name]}" for name in sorted(packages))]) + "\n"
