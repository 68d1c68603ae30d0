"""The seals of a dossier as facts: whose, over what, and whether they are all that was added."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from dossier.case.attached import NotADossierError, PdfFile, quiet
from dossier.case.toml_text import parse_toml
from dossier.record.increment import Envelope, Increment, Words, increment, opened, read_start
from dossier.record.trust import TEST_MARK, Trust, chain, marked, vouched
from dossier.report.layout.stamp import Stamp, drawn, stamp_lines
from dossier.report.signing import field_name
from dossier.words import speaking

CHANGED = "what it covers was changed after signing, or is more than a dossier and its seals"
NOT_OURS = "it is not written as this program writes a seal"
SIGNERS = ("pyhanko", "pyhanko_certvalidator")
"""Libraries for signatures."""
CLOCKS = timedelta(minutes=10)
"""How far the clocks of who seals, of a time-stamp service and of this machine may differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """One digital signature."""

    field: str
    """Name of its field in the PDF."""
    signer: str = ""
    """Common name in the signer's certificate."""
    fingerprint: str = ""
    """SHA-256 of the certificate."""
    key: str = ""
    """SHA-256 of its public key."""
    test: bool = False
    """Whether a certificate in it is marked as a test identity."""
    meaning: str = ""
    claimed: str = ""
    """When it says it was made; only a time-stamp proves it."""
    stamped: str = ""
    """When a trusted time-stamp says it existed; empty without."""
    certifies: bool = False
    level: str = "none"
    """What was reached, such as PAdES B-B; B-T only with a time-stamp that is trusted."""
    trusted: bool = False
    """Its certificate leads to an authority that was given as trusted, or is a named person's."""
    distrust: str = "was not judged"
    """Why it is not trusted, in words that go on after "its certificate"."""
    revocation: str = "not consulted"
    """Whether lists of revoked certificates were consulted; "not known" where none covers it."""
    problem: str = ""
    """Why it cannot be relied on, trust aside; empty if it can."""

    @property
    def sound(self) -> bool:
        """Return whether it is whole, whoever made it."""
        return not self.problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Signing:
    """What a dossier says of its sign-offs, which its seals repeat."""

    roles: tuple[str, ...]
    meanings: Mapping[str, str]
    language: str


def signing_of(files: Mapping[str, bytes]) -> Signing:
    """Return roles, meanings and language of a dossier; NotADossierError where it states none."""
    try:
        signoff = json.loads(files["decision.json"])["signoff"]
        name = json.loads(files["manifest.json"])["case"]
        case = parse_toml(files[f"{name}/case.toml"])
        return Signing(
            roles=tuple(str(role) for role in signoff["roles"]),
            meanings={str(each["role"]): str(each["meaning"]) for each in signoff["signed"]},
            language=str(case.get("language", "en")),
        )
    except (KeyError, TypeError, ValueError, RecursionError):
        raise NotADossierError("no decision.json with sign-offs is attached") from None


def read_seals(pdf: PdfFile, trust: Trust | None = None) -> tuple[Seal, ...]:
    """Return the seals of a dossier in the order in which they were made.

    Each is written again and compared; what stands behind the last that can be read is told.
    Without `trust` nobody is trusted.  Raises NotADossierError for a file of another form.
    """
    if not pdf.first:
        raise NotADossierError("not a PDF, or not one that this program writes, or cut off")
    found: list[Seal] = []
    start = pdf.first
    said = signing_of(pdf.files) if start < len(pdf.data) else None
    while said and 0 < start < len(pdf.data):
        head = read_start(pdf.data, start)
        if head is None or len(found) == len(said.roles):
            last = found.pop() if found else Seal(field="the file")
            problem = f"from byte {start} on stands what is no seal that this program writes"
            return (*found, replace(last, problem=last.problem or problem))
        seal, start = _seal(pdf, start, len(found), said, head, trust or Trust())
        found.append(seal)
    return tuple(found)


def _seal(
    pdf: PdfFile, start: int, place: int, said: Signing, head: tuple[datetime, bytes], trust: Trust
) -> tuple[Seal, int]:
    """Return one seal, and where it ends; zero where that cannot be told."""
    role, (moment, value) = said.roles[place], head
    seal, end, before = Seal(field=field_name(role)), 0, pdf.data[:start]
    try:
        with quiet(*SIGNERS):
            envelope = opened(value)
            asked = (before, pdf.first, place, said, envelope.certificate, moment)
            made = increment_of(*asked)
            if not (same := pdf.data.startswith(made.filled(value), start)):
                old = increment_of(*asked, broken=False)
                same = pdf.data.startswith(old.filled(value), start)
                made = old if same else made
            end = start + len(made.filled(value))
            problem = _problem(envelope, value, made.signed(before), same=same)
            if not problem:
                return _judged(envelope, made.signed(before), trust, place, said, moment), end
    except Exception as error:  # noqa: BLE001  a damaged signature fails in any way
        told = " ".join(str(error).split())[:120].encode("utf-8", "replace").decode()
        problem = f"the signature cannot be read ({type(error).__name__}: {told})"
    return replace(seal, problem=problem), end


def increment_of(
    before: bytes, first: int, place: int, said: Signing, certificate: Any, moment: datetime,
    *, broken: bool = True,
) -> Increment:  # fmt: skip
    """Return the increment of a seal in the role number `place`, without its value.

    Everything in it follows from the file before it, the certificate, the moment and whether long
    lines of its look are `broken`.
    """
    role, issuer = said.roles[place], certificate.issuer.native
    with speaking(said.language):
        day, remark = moment.date().isoformat(), TEST_MARK if marked(certificate) else ""
        above = str(issuer.get("common_name") or issuer.get("organization_name") or "unnamed")
        name = certificate_name(certificate)
        lines = stamp_lines(Stamp(signer=name, role=role, day=day, issuer=above, remark=remark))
    look = drawn(lines, broken=broken)
    words = Words(moment=moment, name=name, reason=said.meanings[role], look=look)
    return increment(before, first, place, words)


def certificate_name(certificate: Any) -> str:
    """Return the common name of a certificate's subject, or all of it where there is none."""
    return str(certificate.subject.native.get("common_name") or certificate.subject.human_friendly)


def key_digest(certificate: Any) -> str:
    """Return the SHA-256 of a certificate's public key, in hexadecimal."""
    return hashlib.sha256(certificate.public_key.dump()).hexdigest()


def _problem(envelope: Envelope, value: bytes, covered: bytes, *, same: bool) -> str:
    """Return why a seal is not, byte for byte, what `seal` would have written here."""
    digest = hashlib.sha256(covered).digest()
    if envelope.digest != digest:
        return CHANGED
    if not same:
        return NOT_OURS
    if not envelope.canonical(value, digest):
        return "the signature itself was changed"
    if len(chain(envelope.certificate, envelope.others)) != len(envelope.others):
        return "it carries a certificate that did not issue the signer's"
    return ""


def _judged(
    envelope: Envelope, covered: bytes, trust: Trust, place: int, said: Signing, moment: datetime
) -> Seal:
    """Return a seal that is of our form, with what its signature and certificate are worth."""
    role, certificate = said.roles[place], envelope.certificate
    worth = vouched(envelope, covered, trust, role)
    problem = "" if worth.holds else "the signature does not fit its certificate"
    if worth.stamp == "broken":
        problem = problem or "its time-stamp does not hold"
    problem = problem or _untimely(certificate, moment, worth.stamped)
    proven = worth.stamped if worth.stamp == "trusted" else None
    remark = ", time-stamp of an authority not trusted here" if worth.stamp == "not trusted" else ""
    return Seal(
        field=field_name(role),
        signer=certificate_name(certificate),
        fingerprint=certificate.sha256.hex(),
        key=key_digest(certificate),
        test=marked(certificate, *envelope.others),
        meaning=said.meanings[role],
        claimed=moment.isoformat(),
        stamped=proven.isoformat() if proven else "",
        certifies=place == 0,
        level="none" if problem else f"PAdES {'B-T' if proven else 'B-B'}{remark}",
        trusted=worth.trusted and not problem,
        distrust=worth.distrust,
        revocation=worth.revocation,
        problem=problem,
    )


def _untimely(certificate: Any, moment: datetime, stamped: datetime | None) -> str:
    """Return why a seal cannot have been made when it says; empty where it can."""
    says = f"it says that it was made at {moment.isoformat()}, "
    if moment > datetime.now(UTC) + CLOCKS:
        return says + "which has not come"
    if not certificate.not_valid_before <= moment <= certificate.not_valid_after:
        return says + "when its certificate was not valid"
    if stamped is not None and abs(stamped - moment) > CLOCKS:
        return says + f"its time-stamp at {stamped.isoformat()}"
    return ""
