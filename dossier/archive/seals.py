"""The digital signatures of a dossier as facts: whose, over what, and whether they hold."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dossier.archive.attached import NotADossierError
from dossier.archive.identity import TEST_MARK
from dossier.archive.pdf_file import PdfFile, entry, quiet
from dossier.archive.seal_bytes import canonical_signature, gap_is_the_seal
from dossier.report.signing import field_name

__all__ = ["Seal", "certificate_name", "read_seals", "sealed_fields"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """One digital signature."""

    field: str
    """Name of its field in the PDF."""
    signer: str = ""
    """Common name in the signer's certificate."""
    fingerprint: str = ""
    """SHA-256 of the certificate."""
    test: bool = False
    """Whether the certificate is marked as a test identity."""
    meaning: str = ""
    claimed: str = ""
    """When it says it was made; only a time-stamp proves it."""
    stamped: str = ""
    """When a trusted time-stamp says it existed; empty without."""
    certifies: bool = False
    level: str = "none"
    """What was reached, such as PAdES B-B; B-T only with a time-stamp that is trusted."""
    intact: bool = False
    """Nothing that it covers was changed."""
    valid: bool = False
    """It was made with the key of its certificate."""
    trusted: bool = False
    """Its certificate leads to an authority that was given as trusted."""
    covers: str = ""
    later: str = ""
    """What was added behind it: nothing, further seals, or other."""
    problem: str = ""
    """Why it cannot be relied on, trust aside; empty if it can."""

    @property
    def sound(self) -> bool:
        """Return whether it is whole, whoever made it."""
        return self.intact and self.valid and not self.problem


def sealed_fields(pdf: PdfFile) -> list[str]:
    """Return the names of the signature fields that are filled, in the form's order."""
    fields = entry(entry(pdf.reader.root, "/AcroForm", {}), "/Fields", ())
    each = (fields[index] for index in range(len(fields)))
    return [str(entry(field, "/T", "")) for field in each if "/V" in field]


def read_seals(
    pdf: PdfFile, trusted: Sequence[bytes] = (), at: datetime | None = None
) -> tuple[Seal, ...]:
    """Return the seals of a dossier in the order in which they were made.

    `trusted` holds certificates of authorities (PEM or DER), `at` is the moment at which
    certificates are judged, now if not given.  Digests of what is signed come first: a file that
    was changed is told by them without any further work.  Raises NotADossierError where the form
    that holds them cannot be read.
    """
    with quiet():
        try:
            names = sealed_fields(pdf)
        except Exception as error:  # noqa: BLE001  a damaged form fails in any way
            raise NotADossierError(f"its form is damaged: {_unreadable(error)}") from None
        try:
            embedded = list(pdf.reader.embedded_signatures)
        except Exception as error:  # noqa: BLE001  a damaged signature fails in any way
            return tuple(Seal(field=name, problem=_unreadable(error)) for name in names)
        seals = [_broken(pdf, each) for each in embedded]
        if not any(seal.problem for seal in seals):
            roots = _certificates(trusted)
            seals = [_judged(pdf, each, roots, at) for each in embedded]
    return tuple(_whole(pdf, names, seals))


def _unreadable(error: Exception) -> str:
    told = " ".join(str(error).split())[:120].encode("utf-8", "replace").decode()
    return f"the signature cannot be read ({type(error).__name__}: {told})"


def _broken(pdf: PdfFile, embedded: Any) -> Seal:
    """Return a seal with its problem if the bytes it covers, or its own, were changed."""
    name = str(embedded.field_name)
    try:
        if not gap_is_the_seal(pdf.data, embedded):
            return Seal(field=name, problem="the signature does not fill the gap left for it")
        stated = _attribute(embedded, "message_digest")
        if stated != embedded.compute_digest():
            return Seal(field=name, problem="what it covers was changed after signing")
        if not canonical_signature(embedded):
            return Seal(field=name, problem="the signature itself was changed")
    except Exception as error:  # noqa: BLE001  a damaged signature fails in any way
        return Seal(field=name, problem=_unreadable(error))
    return Seal(field=name)


def _attribute(embedded: Any, name: str) -> Any:
    from pyhanko.sign.general import find_unique_cms_attribute

    return find_unique_cms_attribute(embedded.signer_info["signed_attrs"], name).native


def _certificates(given: Sequence[bytes]) -> list[Any]:
    from asn1crypto import pem, x509

    found = []
    for content in given:
        if pem.detect(content):
            found += [x509.Certificate.load(der) for _, _, der in pem.unarmor(content, True)]
        else:
            found.append(x509.Certificate.load(content, strict=True))
    return found


def _judged(pdf: PdfFile, embedded: Any, roots: list[Any], at: datetime | None) -> Seal:
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko_certvalidator import ValidationContext

    from dossier.archive.revisions import OnlySeals

    try:
        context = ValidationContext(
            trust_roots=roots, allow_fetching=False, moment=at, other_certs=[]
        )
        status = validate_pdf_signature(embedded, context, diff_policy=OnlySeals())
        return _seal_of(pdf, embedded, status, roots)
    except Exception as error:  # noqa: BLE001  a damaged signature fails in any way
        return Seal(field=str(embedded.field_name), problem=_unreadable(error))


def _seal_of(pdf: PdfFile, embedded: Any, status: Any, roots: list[Any]) -> Seal:
    certificate = embedded.signer_cert
    stamp = status.timestamp_validity
    whole = stamp is not None and stamp.intact and stamp.valid
    stamped = whole and stamp.trusted
    claimed = status.signer_reported_dt
    trusted = bool(status.trusted) and _all_on_the_path(embedded, status, roots)
    return Seal(
        field=str(embedded.field_name),
        signer=certificate_name(certificate),
        fingerprint=certificate.sha256.hex(),
        test=TEST_MARK in str(certificate.subject.native.values()),
        meaning=str(entry(embedded.sig_object, "/Reason", "")),
        claimed=claimed.isoformat() if claimed else "",
        stamped=stamp.timestamp.isoformat() if stamped else "",
        certifies=embedded.docmdp_level is not None,
        level=_level(embedded, status, stamped=stamped, whole=whole),
        intact=bool(status.intact),
        valid=bool(status.valid),
        trusted=trusted,
        covers=status.coverage.name.lower().replace("_", " "),
        later=_later(status),
        problem=_problem(embedded, status),
    )


def certificate_name(certificate: Any) -> str:
    """Return the common name of a certificate's subject, or all of it where there is none."""
    native = certificate.subject.native
    return str(native.get("common_name") or certificate.subject.human_friendly)


def _all_on_the_path(embedded: Any, status: Any, roots: list[Any]) -> bool:
    """Return whether every certificate in the signature is one that trust was traced through."""
    path = status.validation_path
    if path is None:
        return False
    known = {each.sha256 for each in path.iter_certs(include_root=True)}
    known |= {each.sha256 for each in roots}
    return all(each.sha256 in known for each in embedded.other_embedded_certs)


def _level(embedded: Any, status: Any, *, stamped: bool, whole: bool) -> str:
    """Return the baseline level of ETSI EN 319 142-1 whose marks are there."""
    names = {each["type"].native for each in embedded.signer_info["signed_attrs"]}
    marks = (
        embedded.sig_object.get("/SubFilter") == "/ETSI.CAdES.detached",
        "/M" in embedded.sig_object,
        "signing_certificate_v2" in names and "signing_time" not in names,
        status.intact and status.valid,
    )
    if not all(marks):
        return "none"
    if stamped:
        return "PAdES B-T"
    return "PAdES B-B" + (", time-stamp of an authority not trusted here" if whole else "")


def _later(status: Any) -> str:
    word = {"NONE": "nothing", "FORM_FILLING": "further seals"}
    return word.get(status.modification_level.name, "other") if status.diff_result else "other"


def _problem(embedded: Any, status: Any) -> str:
    from pyhanko.sign.diff_analysis import SuspiciousModification

    if isinstance(status.diff_result, SuspiciousModification):
        return f"something was added after signing: {status.diff_result}"
    if not (status.intact and status.valid):
        return "the signature does not fit its certificate"
    stamp = status.timestamp_validity
    if stamp is not None and not (stamp.intact and stamp.valid):
        return "its time-stamp does not hold"
    if _later(status) == "other" or status.docmdp_ok is False:
        return "something was added after signing that it does not allow"
    if embedded.md_algorithm not in {"sha256", "sha384", "sha512"}:
        return f"its digest, {embedded.md_algorithm}, is too weak"
    return ""


def _whole(pdf: PdfFile, names: list[str], seals: list[Seal]) -> list[Seal]:
    """Return the seals, with those that were not read, and what all of them leave uncovered."""
    from dataclasses import replace

    read = {seal.field for seal in seals}
    seals += [Seal(field=n, problem="the signature cannot be read") for n in names if n not in read]
    if not seals or any(seal.problem for seal in seals):
        return seals
    last = seals[-1]
    if last.covers != "entire file":
        seals[-1] = replace(last, problem="bytes stand behind the last signature")
    elif pdf.reader.xrefs.total_revisions != 1 + len(seals):
        seals[0] = replace(seals[0], problem="the file was changed before it was first signed")
    elif not seals[0].certifies or any(seal.certifies for seal in seals[1:]):
        seals[0] = replace(seals[0], problem="the first signature must certify, and only the first")
    elif len(read) != len(seals) or any(not s.field.startswith(field_name("")) for s in seals):
        seals[0] = replace(
            seals[0], problem="signatures stand in fields that are not the dossier's"
        )
    return seals
