"""A test authority and test identities, to try out digital signatures; they prove nothing."""

import datetime
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dossier.case.problems import CaseError, CaseProblem
from dossier.record.files import write_whole
from dossier.record.trust import TEST_MARK

AUTHORITY = "test-authority"
YEARS = 5
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
    from cryptography.hazmat.primitives.serialization import (
        BestAvailableEncryption,
        Encoding,
        pkcs12,
    )

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
    packed = pkcs12.serialize_key_and_certificates(
        name.encode(), key, certificate, [issuer], BestAvailableEncryption(secret)
    )
    write_whole(target, packed, OWNER)
    (folder / f"{slug}.pem").write_bytes(certificate.public_bytes(Encoding.PEM))
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
    now = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    authority_key = (issuer_key or key).public_key()
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=365 * YEARS))
        .add_extension(x509.BasicConstraints(issuer is None, None), critical=True)
        .add_extension(_usage(authority=issuer is None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key), critical=False
        )
    )
    return key, builder.sign(issuer_key or key, hashes.SHA256())


def _usage(*, authority: bool) -> Any:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not authority, content_commitment=not authority,
        key_encipherment=False, data_encipherment=False, key_agreement=False,
        key_cert_sign=authority, crl_sign=authority, encipher_only=False, decipher_only=False,
    )  # fmt: skip


def _wrong(place: str, what: str, hint: str) -> CaseError:
    return CaseError([CaseProblem("identity", place, what, hint)])
