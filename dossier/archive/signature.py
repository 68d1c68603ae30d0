"""Seal a dossier: a digital signature in the field of a role, appended behind what is there."""

import contextlib
import io
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dossier.archive.attached import NotADossierError
from dossier.archive.identity import TEST_MARK
from dossier.archive.pdf_file import PdfFile, open_pdf, quiet, read_bounded
from dossier.archive.seals import Seal, certificate_name, read_seals
from dossier.archive.signoff import same_person
from dossier.case.problems import CaseError, CaseProblem
from dossier.report.signing import field_name
from dossier.report.stamp import Stamp, stamp_pdf

__all__ = ["Keys", "load_keys", "seal_pdf"]


@dataclass(frozen=True, slots=True)
class Keys:
    """A signer's key and certificate, loaded."""

    signer: Any

    @property
    def certificate(self) -> Any:
        """The signer's certificate."""
        return self.signer.signing_cert


def load_keys(key: Path, certificate: Path | None, passphrase: str) -> Keys:
    """Return key and certificate from a PKCS#12 file, or from a key and a certificate in PEM.

    Raises CaseError where the passphrase is wrong or a file is of another kind.
    """
    from pyhanko.sign.signers import SimpleSigner

    content = key.read_bytes()
    signer = None
    with quiet(), contextlib.suppress(ValueError, TypeError):
        if certificate is None:
            signer = SimpleSigner.load_pkcs12_data(content, [], passphrase=passphrase.encode())
        else:
            signer = _from_pem(key, certificate, passphrase)
    if signer is None or signer.signing_cert is None:
        raise _refused(key.name, "does not open", "check passphrase and kind: PKCS#12, or PEM")
    return Keys(signer)


def _from_pem(key: Path, certificate: Path, passphrase: str) -> Any:
    """Return a signer from PEM files; the certificate's file may hold its issuers behind it."""
    from pyhanko.keys import load_certs_from_pemder
    from pyhanko.sign.signers import SimpleSigner

    first, *others = load_certs_from_pemder([str(certificate)])
    protected = b"ENCRYPTED" in key.read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        alone = Path(folder) / "certificate.der"
        alone.write_bytes(first.dump())
        return SimpleSigner.load(
            str(key), str(alone), other_certs=others,
            key_passphrase=passphrase.encode() if protected else None,
        )  # fmt: skip


def seal_pdf(pdf: Path, role: str, keys: Keys, timestamp: str = "") -> tuple[bytes, Seal]:
    """Return the dossier with one more signature, and that signature as it reads back.

    The first certifies the file and allows further signatures only.  Refused with CaseError: a
    draft, a role out of order or already sealed, a certificate of another name than the sign-off's
    or of the preparer for the approver, a file whose present signatures do not hold.  `timestamp`
    is the address of a time-stamp service (RFC 3161).
    """
    file = open_pdf(read_bounded(pdf))
    document = _decision(file)
    before = read_seals(file)
    if file.reader.xrefs.total_revisions != 1 + len(before):
        raise _refused(pdf.name, "was changed after it was built", "build it again, then seal it")
    given = _allowed(pdf.name, document, before, role, keys)
    sealed = _signed(file.data, role, given, keys, timestamp, first=not before)
    after = read_seals(open_pdf(sealed))
    faults = [seal.problem for seal in after if seal.problem]
    if not sealed.startswith(file.data) or len(after) != len(before) + 1 or faults:
        raise RuntimeError(f"the signature that was made does not hold: {'; '.join(faults)}")
    return sealed, after[-1]


def _decision(file: PdfFile) -> dict[str, Any]:
    try:
        document = json.loads(file.files["decision.json"])
        if isinstance(document["signoff"]["signed"], list):
            return dict(document)
    except (KeyError, TypeError, ValueError, RecursionError):
        pass
    raise NotADossierError("no decision.json with sign-offs is attached")


def _allowed(
    name: str, document: dict[str, Any], before: Sequence[Seal], role: str, keys: Keys
) -> dict[str, Any]:
    """Return the sign-off that the seal stands for; CaseError where it may not be given."""
    broken = [seal for seal in before if seal.problem]
    if broken:
        raise _refused(name, f"{broken[0].field}: {broken[0].problem}", "seal an unchanged dossier")
    if document.get("standing") == "draft":
        raise _refused(name, "is a draft: not signed off", "'dossier sign' first, then build it")
    roles = [str(each) for each in document["signoff"]["roles"]]
    sealed = {seal.field for seal in before}
    waiting = [each for each in roles if field_name(each) not in sealed]
    if role not in roles:
        raise _refused(name, f"has no role {role!r}", f"roles: {', '.join(roles)}")
    if not waiting or role != waiting[0]:
        what = "is sealed already" if role not in waiting else f"waits for {waiting[0]!r} first"
        raise _refused(name, f"{role!r}: {what}", f"order: {', '.join(roles)}")
    given = next(dict(each) for each in document["signoff"]["signed"] if each["role"] == role)
    _right_person(name, given, before, keys)
    return given


def _right_person(name: str, given: dict[str, Any], before: Sequence[Seal], keys: Keys) -> None:
    own = certificate_name(keys.certificate)
    if not same_person(own, str(given["name"])):
        raise _refused(
            name, f"the sign-off names {given['name']!r}, the certificate {own!r}",
            "seal with the certificate of the person who signed off",
        )  # fmt: skip
    used = {seal.fingerprint for seal in before}
    if keys.certificate.sha256.hex() in used:
        raise _refused(name, "this certificate has sealed it already", "another person has to seal")


def _signed(
    data: bytes, role: str, given: dict[str, Any], keys: Keys, timestamp: str, *, first: bool
) -> bytes:
    from pyhanko.pdf_utils.layout import AxisAlignment, Margins, SimpleBoxLayoutRule
    from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
    from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner
    from pyhanko.stamp import StaticStampStyle

    about = PdfSignatureMetadata(
        field_name=field_name(role),
        certify=first,
        docmdp_permissions=MDPPerm.FILL_FORMS,
        reason=str(given["meaning"]),
        name=certificate_name(keys.certificate),
        subfilter=SigSeedSubFilter.PADES,
        md_algorithm="sha256",
    )
    out = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, quiet():
        look = Path(folder) / "stamp.pdf"
        look.write_bytes(stamp_pdf(_stamp(role, keys)))
        whole = SimpleBoxLayoutRule(AxisAlignment.ALIGN_MID, AxisAlignment.ALIGN_MID, Margins())
        style = StaticStampStyle.from_pdf_file(
            str(look), border_width=0, background_layout=whole, background_opacity=1.0
        )
        signer = PdfSigner(about, keys.signer, timestamper=_stamper(timestamp), stamp_style=style)
        signer.sign_pdf(_appending(data), output=out)
    return out.getvalue()


def _stamp(role: str, keys: Keys) -> Stamp:
    certificate = keys.certificate
    issuer = certificate.issuer.native
    return Stamp(
        signer=certificate_name(certificate),
        role=role,
        day=datetime.now(UTC).date().isoformat(),
        issuer=str(issuer.get("common_name") or issuer.get("organization_name") or "unnamed"),
        remark=TEST_MARK if TEST_MARK in str(certificate.subject.native.values()) else "",
    )


def _stamper(address: str) -> Any:
    if not address:
        return None
    from pyhanko.sign.timestamps import HTTPTimeStamper

    return HTTPTimeStamper(address)


def _appending(data: bytes) -> Any:
    """Return a writer that appends the signature alone, leaving title and metadata as they are."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    class _Appending(IncrementalPdfFileWriter):
        def _update_meta(self) -> None:
            """Change nothing: what is sealed is the file as it was built."""

    return _Appending(io.BytesIO(data))


def _refused(place: str, what: str, hint: str) -> CaseError:
    return CaseError([CaseProblem(place, "", what, hint)])
