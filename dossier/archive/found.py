"""Whether a dossier on the disk is whole, and made from what its case holds now."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from dossier.archive.attached import NotADossierError
from dossier.archive.document import ManifestDocument
from dossier.archive.dossier_file import DossierFile, dossier_of
from dossier.archive.files import NOTES, is_sealed, note_of, stem_of
from dossier.archive.pdf_file import PdfFile, open_pdf, read_bounded
from dossier.case.read import Gathered
from dossier.report.house import House
from dossier.report.signing import Signed, SignOff

__all__ = ["Found", "look"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What lies where a dossier would be written."""

    pdf: Path
    json: Path
    why: str = ""
    """Why it has to be built; empty where it is up to date."""
    sealed: bool = False
    """Whether it carries digital signatures, so that it must not be written over."""
    decision: str = ""
    signoff: SignOff = field(default_factory=SignOff)
    """Decision and sign-offs of one that is up to date."""


def look(out: Path, case: Gathered, issued: date, house: House | None = None) -> Found:
    """Return whether the dossier of `case` in `out` is up to date: never so in doubt.

    It is where the PDF and decision.json are, to the byte, what this very program noted when it
    wrote them, and the manifest in the PDF names the digests of the case's files, sign-offs and
    house, the versions and the date of issue that a build would take now.  In a sealed
    PDF the seals vouch for the bytes in place of the note.  Raises OSError where a file is there
    and cannot be read.
    """
    stem = stem_of(case.qualification)
    pdf, beside = out / f"{stem}.pdf", out / f"{stem}.json"
    if not pdf.exists():
        return Found(pdf=pdf, json=beside, why="missing")
    sealed = is_sealed(pdf)
    try:
        file = open_pdf(read_bounded(pdf))
        document = beside.read_bytes() if beside.exists() else b""
        why = _not_whole(file, document, pdf, sealed=sealed) or _other(file, case, issued, house)
        if not why and document != file.files["decision.json"]:
            why = "decision.json beside it is missing or another one"
    except NotADossierError as error:
        why = f"not readable as a dossier: {error}"
    if why:
        return Found(pdf=pdf, json=beside, why=why, sealed=sealed)
    decided = json.loads(document)
    return Found(
        pdf=pdf, json=beside, sealed=sealed, decision=decided["decision"],
        signoff=_signoff(decided["signoff"]),
    )  # fmt: skip


def _not_whole(file: PdfFile, document: bytes, pdf: Path, *, sealed: bool) -> str:
    """Return why the bytes may not be those that were built; empty where they are."""
    if sealed:
        from dossier.archive.seals import read_seals

        broken = [seal for seal in read_seals(file) if not seal.sound]
        return f"a seal does not hold: {broken[0].problem}" if broken else ""
    try:
        noted = json.loads((pdf.parent / NOTES / f"{pdf.stem}.json").read_bytes())
    except (OSError, ValueError, RecursionError):
        return "no note of how it was built"
    now = note_of(file.data, document)
    if not isinstance(noted, dict) or noted.get("program") != now["program"]:
        return "built by another state of the program or its libraries"
    return "" if noted == now else "changed since it was built"


def _other(file: PdfFile, case: Gathered, issued: date, house: House | None) -> str:
    """Return what the PDF was made from that is not so now; empty where there is nothing."""
    from dossier.archive.record import house_files

    dossier, manifest = _read(file)
    if dossier.faults:
        return dossier.faults[0]
    decision = file.files["decision.json"]
    files = {each.name: each.sha256 for each in case.files} | house_files(house)
    files["decision.json"] = hashlib.sha256(decision).hexdigest()
    if manifest.get("files") != files:
        return _difference(manifest["files"], files)
    if dossier.decision.case.issued != issued:
        return f"issued {dossier.decision.case.issued.isoformat()}, now {issued.isoformat()}"
    then, now = _versions(manifest), _present(house)
    if then != now:
        return f"versions or house differ: {_difference(then, now)}"
    if manifest.get("case") != case.name:
        return f"made from a case folder named {manifest.get('case')}"
    return ""


def _read(file: PdfFile) -> tuple[DossierFile, Mapping[str, Any]]:
    """Return the dossier and its manifest as it stands; NotADossierError for any other file."""
    if "manifest.json" not in file.files:
        raise NotADossierError("no manifest.json is attached")
    try:
        manifest = json.loads(file.files["manifest.json"])
        model = ManifestDocument.model_validate(manifest)
    except (ValueError, RecursionError):
        raise NotADossierError("manifest.json is not of a known form") from None
    return dossier_of(file.files, model.case, manifest=model), manifest


def _versions(manifest: Mapping[str, Any]) -> dict[str, Any]:
    return {part: manifest.get(part) for part in ("schema", "versions", "layout")}


def _present(house: House | None) -> dict[str, Any]:
    from dossier.archive.record import SCHEMA_VERSION, house_entry, layout_versions, versions

    layout = layout_versions() | house_entry(house)
    schema = f"dossier manifest {SCHEMA_VERSION}"
    return {"schema": schema, "versions": versions(), "layout": layout}


def _difference(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return the first name whose content is not the same."""
    name = next(each for each in sorted({*then, *now}) if then.get(each) != now.get(each))
    one, other = then.get(name), now.get(name)
    if isinstance(one, dict) and isinstance(other, dict):
        return _difference(one, other)
    return f"{name} is {'new' if one is None else 'gone' if other is None else 'another'}"


def _signoff(given: Mapping[str, Any]) -> SignOff:
    """Return the state of sign-off as decision.json gives it."""
    signed = tuple(
        Signed(
            role=each["role"], name=each["name"], meaning=each["meaning"],
            date=date.fromisoformat(each["date"]), holds=each["holds"],
            note=each["note"] or "", digest=each["digest"],
        )
        for each in given["signed"]
    )  # fmt: skip
    return SignOff(signed=signed, roles=tuple(given["roles"]), digest=given["digest"])
