"""Verify a dossier from its PDF alone: gather the facts, what fails fastest first."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from dossier.record.attached import NotADossierError, PdfFile, open_pdf, read_pdf
from dossier.record.dossier_file import DossierFile, dossier_in
from dossier.record.seals import Seal, read_seals
from dossier.record.standing import sign_offs
from dossier.record.trust import trust_of
from dossier.report.layout.pdf import MissingLibraryError
from dossier.report.signing import SignOff
from dossier.system.confined import FAMILIAR, StoppedError, confined
from dossier.verification.questions import answers
from dossier.verification.recompute import Recomputed, recompute
from dossier.verification.verification import Verification

CHANGED = "the file was changed after signing, so nothing more was tried"


def verify(
    path: Path | str,
    *,
    trust: Sequence[bytes] = (),
    persons: Mapping[str, bytes] | None = None,
    revoked: Sequence[bytes] = (),
    at: datetime | None = None,
    pages: bool = True,
    trust_house: Sequence[str] = (),
) -> Verification:
    """Return what can be found out about the dossier at `path` from its PDF alone.

    `trust` holds certificates of authorities (PEM or DER) that signatures may lead to, `persons`
    by role that of the very person who has it, `revoked` lists of revoked certificates; `at` is
    the moment at which certificates, concessions and review dates are judged, now if not given.
    With `pages` the PDF is built a second time from what is attached and compared byte by byte;
    without it no dossier is verified.  `trust_house` are digests of houses (SHA-256) whose files
    may be read, and only once the signatures hold.  Raises NotADossierError for any other file,
    CaseError for a certificate or list that is unfit, OSError where the file cannot be read.
    """
    target = Path(path)
    trusted = trust_of(trust, persons, revoked, at)
    pdf = open_pdf(read_pdf(target))
    dossier = dossier_in(pdf)
    seals = read_seals(pdf, trusted)
    vouched = bool(seals) and trusted.given and all(s.sound and s.trusted for s in seals)
    taken = [each.strip().lower() for each in trust_house]
    again = _again(pdf, dossier, seals, pages, lambda digest: vouched and digest in taken)
    today = (at or datetime.now(UTC)).date()
    return Verification(
        file=target.name, sha256=dossier.sha256,
        number=dossier.decision.case.number, revision=dossier.decision.case.revision,
        decision=dossier.decision.decision, standing=str(dossier.decision.standing),
        seals=seals, trust_given=trusted.given, named=tuple(trusted.persons),
        trust_house=tuple(taken), signoff=_sign_offs(dossier, today), attached=len(pdf.files),
        faults=dossier.faults, recomputed=again,
        answers=answers(again.case, again.assessment, today)
        if again.case and again.assessment else (),
    )  # fmt: skip


def verify_confined(path: Path, **how: Any) -> Verification:
    """Return what `verify` does, found out within the limits for a stranger's file.

    A file that meets one of them is given more only if all its seals hold and are trusted.  The
    case that was read is left behind.  Raises StoppedError beside what `verify` raises.
    """
    trusted = trust_of(
        how.get("trust", ()), how.get("persons"), how.get("revoked", ()), how.get("at")
    )

    def work() -> Verification:
        found = verify(path, **how)
        bare = replace(found.recomputed, case=None, assessment=None)
        return replace(found, recomputed=bare)

    def known() -> bool:
        seals = read_seals(open_pdf(read_pdf(path)), trusted)
        return bool(seals) and all(seal.sound and seal.trusted for seal in seals)

    try:
        return confined(work)
    except StoppedError:
        if not trusted.given or not confined(known):
            raise
    return confined(work, FAMILIAR)


def _again(
    pdf: PdfFile,
    dossier: DossierFile,
    seals: Sequence[Seal],
    pages: bool,
    house_taken: Callable[[str], bool],
) -> Recomputed:
    """Return the second decision; none where a signature already tells that the file changed."""
    if any(not seal.sound for seal in seals):
        return Recomputed(why_not=CHANGED)
    try:
        return recompute(
            pdf.built, pdf.files, dossier.case_name, pages=pages, house_taken=house_taken
        )
    except (NotADossierError, MissingLibraryError, MemoryError):
        raise
    except Exception as error:  # noqa: BLE001  what is attached may come from anyone
        return Recomputed(why_not=f"{type(error).__name__}: {error}"[:300])


def _sign_offs(dossier: DossierFile, today: date) -> SignOff:
    """Return the sign-offs as the attached files carry them, judged again; none if unreadable."""
    try:
        return sign_offs(dossier, today)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return SignOff()
