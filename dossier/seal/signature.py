"""Seal a dossier: a digital signature in the field of a role, appended behind what is there.

To try it out there are a test authority and test identities, which prove nothing.
"""

import contextlib
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dossier.case.attached import PdfFile, open_pdf, quiet, read_pdf
from dossier.case.problems import refusal
from dossier.decision.conditions import APPROVES
from dossier.record.dossier_file import write_whole
from dossier.record.increment import RESERVED, enveloped
from dossier.record.seals import (
    SIGNERS,
    Seal,
    certificate_name,
    increment_of,
    key_digest,
    read_seals,
    signing_of,
)
from dossier.record.signoff import same_name
from dossier.record.trust import TEST_MARK, chain, wrong_use

if TYPE_CHECKING:
    from dossier.record.recall import Recalls
    from dossier.verification.verify import Verification


AUTHORITY = "test-authority"
YEARS = 5
_wrong = partial(refusal, "identity")
OWNER = 0o600
"""Only the owner can read a key."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The files of a test identity."""

    key: Path
    """PKCS#12 file with key and certificate, protected by the passphrase."""
    authority: Path
    """Certificate of the test authority, to be trusted for a trial."""


def make_identity(name: str, folder: Path, passphrase: str) -> Identity:
    """Write a key and a certificate for `name`, issued by a test authority in `folder`.

    The authority is made with its first identity.  Both certificates carry `TEST_MARK` in their
    subject.  Raises CaseError where the identity exists or the authority's key does not open.
    """
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.serialization import pkcs12

    slug = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")
    if not slug or len(name) > 64:
        raise _wrong(name, "is no name for a certificate", "give a name of 1 to 64 characters")
    target = folder / f"{slug}.p12"
    if target.exists():
        raise _wrong(str(target), "exists already", "choose another name or folder")
    folder.mkdir(parents=True, exist_ok=True)
    secret = passphrase.encode()
    issuer_key, issuer = _authority(folder, secret)
    key, certificate = _issued(name, issuer_key, issuer)
    made, locked = (key, certificate, [issuer]), form.BestAvailableEncryption(secret)
    packed = pkcs12.serialize_key_and_certificates(name.encode(), *made, locked)
    write_whole(target, packed, OWNER)
    (folder / f"{slug}.pem").write_bytes(certificate.public_bytes(form.Encoding.PEM))
    return Identity(target, folder / f"{AUTHORITY}.pem")


def _authority(folder: Path, secret: bytes) -> tuple[Any, Any]:
    """Return key and certificate of the folder's test authority; make them the first time."""
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization as form

    key_file, certificate_file = folder / f"{AUTHORITY}.key", folder / f"{AUTHORITY}.pem"
    if key_file.exists():
        try:
            key = form.load_pem_private_key(key_file.read_bytes(), secret)
        except ValueError:
            hint = "use the passphrase it was made with"
            raise _wrong(str(key_file), "does not open", hint) from None
        return key, x509.load_pem_x509_certificate(certificate_file.read_bytes())
    key, certificate = _issued(f"{AUTHORITY} ({TEST_MARK})", None, None)
    sealed = key.private_bytes(
        form.Encoding.PEM, form.PrivateFormat.PKCS8, form.BestAvailableEncryption(secret)
    )
    certificate_file.write_bytes(certificate.public_bytes(form.Encoding.PEM))
    write_whole(key_file, sealed, OWNER)
    return key, certificate


def _issued(name: str, issuer_key: Any, issuer: Any) -> tuple[Any, Any]:
    """Return a new key and its certificate; self-signed authority where no issuer is given."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import rsa

    key = rsa.generate_private_key(public_exponent=65537, key_size=3072)
    kinds = x509.NameOID.COMMON_NAME, x509.NameOID.ORGANIZATIONAL_UNIT_NAME
    subject = x509.Name(map(x509.NameAttribute, kinds, (name, TEST_MARK)))
    now = datetime.now(UTC).replace(microsecond=0)
    public = (issuer_key or key).public_key()
    issued_by = x509.AuthorityKeyIdentifier.from_issuer_public_key(public)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=365 * YEARS))
        .add_extension(x509.BasicConstraints(issuer is None, None), critical=True)
        .add_extension(_usage(authority=issuer is None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(issued_by, critical=False)
    )
    return key, builder.sign(issuer_key or key, hashes.SHA256())


def _usage(*, authority: bool) -> Any:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not authority, content_commitment=not authority,
        key_encipherment=False, data_encipherment=False, key_agreement=False,
        key_cert_sign=authority, crl_sign=authority, encipher_only=False, decipher_only=False,
    )  # fmt: skip


def load_keys(key: Path, certificate: Path | None, passphrase: str) -> Any:
    """Return a signer with key and certificate from a PKCS#12 file, or from two files in PEM.

    Raises CaseError where the passphrase is wrong or a file is of another kind.
    """
    from pyhanko.sign.signers import SimpleSigner

    content = key.read_bytes()
    signer = None
    with quiet(*SIGNERS), contextlib.suppress(ValueError, TypeError):
        if certificate is None:
            signer = SimpleSigner.load_pkcs12_data(content, [], passphrase=passphrase.encode())
        else:
            signer = _from_pem(content, certificate.read_bytes(), passphrase)
    if signer is None or signer.signing_cert is None:
        raise refusal(key.name, "", "does not open", "check passphrase and kind: PKCS#12, or PEM")
    own = signer.signing_cert
    if why := wrong_use(own):
        hint = "seal with a certificate for signatures on documents"
        raise refusal(key.name, "", f"its certificate {why}", hint)
    return _signer(own, signer.signing_key, list(signer.cert_registry))


def _signer(certificate: Any, key: Any, others: Sequence[Any]) -> Any:
    """Return a signer with those certificates alone that lead from its own to an authority."""
    from pyhanko.sign.signers import SimpleSigner
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    store = SimpleCertificateStore()
    store.register_multiple(chain(certificate, others))
    return SimpleSigner(certificate, key, store)


def _from_pem(key: bytes, certificate: bytes, passphrase: str) -> Any:
    """Return a signer from PEM; behind the certificate its issuers may stand."""
    from pyhanko.keys import load_certs_from_pemder_data, load_private_key_from_pemder_data

    secret = passphrase.encode() if b"ENCRYPTED" in key else None
    first, *others = load_certs_from_pemder_data(certificate)
    return _signer(first, load_private_key_from_pemder_data(key, secret), others)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A dossier that was built again and came out the same, and the seal that it waits for."""

    name: str
    file: PdfFile = field(repr=False)
    place: int
    """How many seals it has."""
    role: str
    decision: str
    standing: str
    digest: str
    """What sign-offs, and so the seal, are bound to."""


def examine(pdf: Path, role: str, signer: Any, recalls: "Recalls | None" = None) -> Ready:
    """Return the dossier, built again and compared, with what its next seal would stand for.

    Refused with CaseError: a file that this program would not have written as it is, a draft, an
    approval that is over, or of which `recalls` leave nothing, a role out of order or already
    sealed, a certificate of another name than the sign-off's, a key that has sealed before.
    """
    from dossier.verification.verify import verify

    file = open_pdf(read_pdf(pdf))
    found = verify(pdf, at=None, recalls=recalls)
    said = found.signoff
    if found.sha256 != file.sha256:
        raise refusal(pdf.name, "", "was written while it was read", "try again")
    if found.fallen and found.decision in APPROVES:
        hint = "test anew what rests on it, or have the same recall decide it again"
        raise refusal(pdf.name, "", f"cannot be sealed: {found.recalled}", hint)
    if found.failures:
        raise refusal(pdf.name, "", found.failures[0], "build it again and seal that")
    if not said.complete:
        hint = "'dossier sign' first, then build it"
        raise refusal(pdf.name, "", "is a draft: not signed off", hint)
    if said.ended:
        what = f"cannot be sealed: the approval ended on {said.ended}"
        raise refusal(pdf.name, "", what, "agree on a new end in case.toml, and decide again")
    if found.recomputed.pages != "identical":
        hint = "seal where it was built, or make that environment: 'dossier constraints'"
        raise refusal(pdf.name, "", f"cannot be built again here: {found.recomputed.pages}", hint)
    place = _place(pdf.name, found, role)
    _right_person(pdf.name, said.signed[place].name, found.seals, signer.signing_cert)
    return Ready(
        name=pdf.name, file=file, place=place, role=role, decision=found.decision,
        standing=found.standing, digest=said.digest,
    )  # fmt: skip


def _place(name: str, found: "Verification", role: str) -> int:
    """Return the number of the role to seal in; CaseError where another comes first."""
    roles, place = found.signoff.roles, len(found.seals)
    if role not in roles:
        raise refusal(name, "", f"has no role {role!r}", f"roles: {', '.join(roles)}")
    if roles[place : place + 1] != (role,):
        sealed = roles.index(role) < place
        what = "is sealed already" if sealed else f"waits for {roles[place]!r} first"
        raise refusal(name, "", f"{role!r}: {what}", f"order: {', '.join(roles)}")
    return place


def seal_pdf(ready: Ready, signer: Any, timestamp: str = "") -> tuple[bytes, Seal]:
    """Return the dossier with one more signature, and that signature as it reads back.

    The first certifies the file and allows further signatures only.  `timestamp` is the address
    of a time-stamp service (RFC 3161).  Raises CaseError where the certificates take more room
    than a seal has.
    """
    before, moment = ready.file.data, datetime.now(UTC).replace(microsecond=0)
    said, own = signing_of(ready.file.files), signer.signing_cert
    made = increment_of(before, ready.file.first, ready.place, said, own, moment)
    value = _value(signer, hashlib.sha256(made.signed(before)).digest(), timestamp)
    if len(value) > RESERVED:
        what = f"needs {len(value)} bytes with its certificates; a seal has {RESERVED}"
        raise refusal(ready.name, "", what, "leave certificates out of the key's file")
    sealed = before + made.filled(value)
    after = read_seals(open_pdf(sealed))
    faults = [seal.problem for seal in after if seal.problem]
    if len(after) != ready.place + 1 or faults:
        what = f"the signature that was made does not hold: {'; '.join(faults)}"
        raise refusal(ready.name, "", what, "give a key and the certificate that belongs to it")
    return sealed, after[-1]


def _value(signer: Any, digest: bytes, timestamp: str) -> bytes:
    """Return the value of a signature; CaseError where the time-stamp service gives none."""
    from pyhanko.sign.timestamps import HTTPTimeStamper, TimestampRequestError

    try:
        with quiet(*SIGNERS):
            stamper = HTTPTimeStamper(timestamp) if timestamp else None
            return bytes(enveloped(signer, digest, stamper).dump())
    except TimestampRequestError as error:
        hint = "check the address and that the service can be reached"
        raise refusal("--timestamp", "", f"gave no time-stamp: {error}", hint) from None


def _right_person(name: str, given: str, before: Sequence[Seal], certificate: Any) -> None:
    own = certificate_name(certificate)
    if not same_name(own, given):
        what = f"the sign-off names {given!r}, the certificate {own!r}"
        raise refusal(name, "", what, "seal with the certificate of the person who signed off")
    if key_digest(certificate) in {seal.key for seal in before}:
        raise refusal(name, "", "this key has sealed it already", "another person has to seal")
