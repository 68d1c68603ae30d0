"""What made a dossier: this program to the byte, and the versions of what it rests on."""

import hashlib
import json
import platform
import re
import zlib
from collections.abc import Mapping
from email.message import Message
from email.parser import HeaderParser
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from dossier.case.attached import NotADossierError
from dossier.record.dossier_file import read_dossier

NUMERICAL = ("numpy", "scipy", "pandas", "pint")
ABSENT = "not installed"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+!-]*")
SYSTEM = (
    ("harfbuzz", "libharfbuzz.so.0", "hb_version_string"),
    ("pango", "libpango-1.0.so.0", "pango_version_string"),
)
"""Libraries of the system, by name, file and the function that tells the version."""
_ASKED = re.compile(
    r"([A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[([^\]]*)\])?(?:.*extra == ['\"]([^'\"]*)['\"])?"
)
"""A requirement of a package: what it asks for, with which extras, and under which of its own."""
LAYOUT = ("weasyprint", "pydyf", "fonttools", "tinycss2", "jinja2", "pillow")


def versions() -> dict[str, str]:
    """Return the versions of this program and of the libraries that numbers depend on."""
    found = {"dossier": _version("dossier"), "python": platform.python_version()}
    return found | {name: _version(name) for name in NUMERICAL}


def layout_versions() -> dict[str, str]:
    """Return the versions of what the look of the pages depends on, in its bytes."""
    found = {name: _version(name) for name in LAYOUT} | {"zlib": zlib.ZLIB_RUNTIME_VERSION}
    system = {name: _told(library, function) for name, library, function in SYSTEM}
    return found | {name: told for name, told in system.items() if told is not None}


def _told(library: str, function: str) -> str | None:
    """Return the version that a library of the system tells; None where it is missing.

    Asked of the library itself where its usual name is found: the layout engine, which takes half
    a second to load, can then be loaded while the charts are drawn.
    """
    import ctypes

    try:
        ask = getattr(ctypes.CDLL(library), function)
    except (OSError, AttributeError):
        return _told_pango() if function == "pango_version_string" else None
    ask.restype = ctypes.c_char_p
    return bytes(ask()).decode()


def _told_pango() -> str | None:
    """Return Pango's version where its library has an unusual name, as on other systems."""
    from dossier.report.layout.pdf import RenderError, load_weasyprint

    try:
        load_weasyprint()
    except RenderError:
        return None
    from weasyprint.text.ffi import pango

    number = int(pango.pango_version())
    return f"{number // 10000}.{number // 100 % 100}.{number % 100}"


@cache
def libraries_of(name: str = "dossier") -> dict[str, str]:
    """Return the versions of all libraries that a package asks for, and that those ask for.

    Empty in a bare checkout, which asks for none.
    """
    found, seen, waiting = dict[str, str](), {(name, "")}, [(name, "")]
    while waiting:
        for each in _asked(*waiting.pop()):
            stated = _version(each[0])
            if stated != ABSENT and each not in seen:
                found[each[0]] = stated
                seen.add(each)
                waiting.append(each)
    return dict(sorted(found.items()))


def _asked(name: str, extras: str) -> list[tuple[str, str]]:
    """Return the names, normalised, with their extras, of what an installed package asks for."""
    asked = [_ASKED.match(each) for each in _installed(name).get_all("Requires-Dist", ())]
    wanted = {"", *(each.strip() for each in extras.split(","))}
    return [
        (re.sub("[-_.]+", "-", match[1]).lower(), match[2] or "")
        for match in asked
        if match and (match[3] or "") in wanted
    ]


def other_versions(
    then: Mapping[str, str], now: Mapping[str, str], absent: str = "none"
) -> list[str]:
    """Return each version that is another now, such as "numpy 1.2, here 1.3"."""
    names = [name for name in sorted({*then, *now}) if then.get(name) != now.get(name)]
    return [f"{name} {then.get(name, absent)}, here {now.get(name, 'none')}" for name in names]


def plain_versions(stated: object) -> dict[str, str]:
    """Return the versions of libraries that a manifest states; empty where they are not plain."""
    if not isinstance(stated, dict) or len(stated) > 500:
        return {}
    plain = all(
        isinstance(part, str) and len(part) <= 80 and _NAME.fullmatch(part)
        for pair in stated.items()
        for part in pair
    )
    return dict(stated) if plain else {}


@cache
def _version(name: str) -> str:
    return str(_installed(name).get("Version", ABSENT))


@cache
def _installed(name: str) -> Message:
    """Return what an installed package says of itself in fields; its text is long, and not read."""
    try:
        found = distribution(name)
    except PackageNotFoundError:
        return Message()
    said = found.read_text("METADATA") or found.read_text("PKG-INFO") or ""
    return HeaderParser().parsestr(said.partition("\n\n")[0])


@cache
def program_digest() -> str:
    """Return SHA-256 over the files of this program and the versions of its libraries.

    The version alone does not tell a program from one that was changed in place.
    """
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
    manifest = read_dossier(pdf).manifest
    told = manifest.versions, manifest.layout, manifest.libraries
    own, layout, libraries = map(plain_versions, told)
    if not own or not layout or not libraries:
        raise NotADossierError("its manifest states no versions of libraries")
    named = {name: each for name, each in (own | layout).items() if name in (*NUMERICAL, *LAYOUT)}
    system = ", ".join(f"{name} {each}" for name, each in layout.items() if name not in LAYOUT)
    head = f"# dossier {own.get('dossier', 'unknown')}, Python {own.get('python', '?')}"
    packages = (f"{name}=={each}" for name, each in sorted((libraries | named).items()))
    return "\n".join([head, f"# of the system: {system}", *packages]) + "\n"
