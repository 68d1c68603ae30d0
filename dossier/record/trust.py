"""Whom a verifier trusts, and what a certificate is worth by that: RFC 5280, 6.1, from memory.

An authority is trusted to say who somebody is; a person can be named by the very certificate.
"""

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from dossier.case.problems import CaseProblem, refuse
from dossier.record.increment import Envelope

TEST_MARK = "TEST IDENTITY, proves nothing"
SIGNING = frozenset({"digital_signature", "non_repudiation"})
DOCUMENTS = frozenset(
    {"any_extended_key_usage", "email_protection", "microsoft_document_signing"}
    | {"adobe_authentic_documents_trust", "1.3.6.1.5.5.7.3.36"}
)
"""Purposes of a certificate that include documents; the last is that of RFC 9336."""
LEAST = {"rsa": 2048, "ec": 224}
"""Kinds of keys that a dossier is sealed with, and the fewest bits of each: a security of 112 bits,
as NIST SP 800-131A asks, which bars SHA-1 for signatures too (from memory)."""
ASTRAY = "comes with another that is none of those above it"
REVOKED = "was revoked"
REASONS = {
    "NO_CERTIFICATE_CHAIN_FOUND": "leads to no authority that is trusted here",
    "OUT_OF_BOUNDS_NO_POE": "was not valid on the day of judgement",
    "REVOKED_NO_POE": REVOKED,
    "REVOKED_CA_NO_POE": "was issued by an authority whose own certificate was revoked",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """Certificates and lists that a verifier gave, each of them fit for its purpose."""

    anchors: tuple[Any, ...] = ()
    """Of authorities."""
    persons: Mapping[str, Any] = field(default_factory=dict)
    """By role, the certificate of the person who has it."""
    revoked: tuple[Any, ...] = ()
    """Lists of revoked certificates (CRL)."""
    at: datetime | None = None
    """When certificates are judged; now if not given."""

    @property
    def moment(self) -> datetime:
        """When certificates are judged."""
        return self.at or datetime.now(UTC)

    @property
    def given(self) -> bool:
        """Return whether anybody is trusted."""
        return bool(self.anchors or self.persons)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vouched:
    """What a signature and its certificate are worth."""

    holds: bool
    """It was made with the key of its certificate, over this file."""
    trusted: bool
    distrust: str = ""
    """Why not, in words that go on after "its certificate"."""
    revocation: str = "not consulted"
    """"not consulted", "consulted", "not known", or "not listed": not in a list for its issuer,
    which is all that can be told of a person named by the certificate."""
    stamped: datetime | None = None
    """When its time-stamp says that it existed, whoever made that."""
    stamp: str = "none"
    """"none", "broken", "not trusted" or "trusted"."""


def trust_of(
    anchors: Sequence[bytes] = (),
    persons: Mapping[str, bytes] | None = None,
    revoked: Sequence[bytes] = (),
    at: datetime | None = None,
) -> Trust:
    """Return what a verifier trusts, of files in PEM or DER; CaseError for all that are unfit."""
    from asn1crypto import crl, x509

    problems: list[CaseProblem] = []
    trust = Trust(
        anchors=tuple(_each(x509.Certificate, anchors, "--trust", problems)),
        persons=dict(_persons(persons or {}, problems)),
        revoked=tuple(_each(crl.CertificateList, revoked, "--crl", problems)),
        at=at,
    )
    problems += [_unfit(each, why) for each in trust.anchors if (why := _no_anchor(each, trust))]
    refuse(problems)
    return trust


def _persons(given: Mapping[str, bytes], problems: list[CaseProblem]) -> Iterator[tuple[str, Any]]:
    from asn1crypto import x509

    for role, content in given.items():
        place = f"--trust-person {role}"
        found = _each(x509.Certificate, [content], place, problems)
        if len(found) > 1:
            what = f"holds {len(found)} certificates"
            problems.append(CaseProblem(place, "", what, "give the person's own alone"))
        yield from ((role, each) for each in found)


def _each(
    kind: Any, contents: Sequence[bytes], place: str, problems: list[CaseProblem]
) -> list[Any]:
    """Return what files in PEM or DER hold, each of that kind and read to its end."""
    from asn1crypto import pem

    found: list[Any] = []
    for content in contents:
        try:
            ders = [content]
            if pem.detect(content):
                ders = [der for _, _, der in pem.unarmor(content, multiple=True)]
            read = [kind.load(der, strict=True) for der in ders]
            _ = [each.native for each in read]
        except (ValueError, TypeError):
            name = "certificate" if place != "--crl" else "list of revoked certificates (CRL)"
            hint = f"give a {name} in PEM or DER"
            problems.append(CaseProblem(place, "", f"is no {name} that can be read", hint))
            continue
        found += read
    return found


def _no_anchor(certificate: Any, trust: Trust) -> str:
    """Return why a certificate is not one of an authority; empty where it is."""
    uses, why = certificate.key_usage_value, _weak(certificate)
    if why:
        return why
    if not certificate.ca:
        return "is not of an authority (basicConstraints)"
    if uses is not None and "key_cert_sign" not in uses.native:
        return "is not meant to sign certificates (keyUsage)"
    first, last = certificate.not_valid_before, certificate.not_valid_after
    inside = first <= trust.moment <= last
    return "" if inside else f"is valid to {last:%Y-%m-%d} only, from {first:%Y-%m-%d}"


def _unfit(certificate: Any, why: str) -> CaseProblem:
    name = certificate.subject.human_friendly
    hint = "trust the authority that issued it; a person is named by --trust-person ROLE=CERT"
    if why.startswith("is valid"):
        hint = "judge as of a day within, by --at, or give the authority's present certificate"
    return CaseProblem("--trust", "", f"{name[:120]!r} {why}", hint)


def wrong_use(certificate: Any) -> str:
    """Return why a certificate is not meant to sign documents; empty where it is."""
    uses = certificate.key_usage_value
    if uses is not None and not SIGNING & set(uses.native):
        return "is not meant for signatures"
    return _other_uses(certificate) or _weak(certificate)


def _other_uses(certificate: Any) -> str:
    purposes = certificate.extended_key_usage_value
    if purposes is not None and not DOCUMENTS & set(purposes.native):
        return f"is for other uses only ({', '.join(purposes.native)})"
    return ""


def _weak(certificate: Any) -> str:
    """Return why others could sign with its key, or as its issuer; empty where none can."""
    key, signed = certificate.public_key, certificate["signature_algorithm"]["algorithm"].native
    kind, hashed = key.algorithm, signed.partition("_")[0]
    if kind not in LEAST:
        return f"has a key of kind {kind}; a dossier is sealed with RSA or EC"
    try:
        bits = key.bit_size
    except ValueError:
        return "has an EC key on a curve that is not known"
    if bits < LEAST[kind]:
        return f"has a key of {bits} bits; of {kind.upper()}, {LEAST[kind]} are the fewest"
    if hashed in {"md2", "md5", "sha1"} and not certificate.self_issued:
        return f"is signed with {hashed.upper()}, which can be forged"
    return ""


def marked(*certificates: Any) -> bool:
    """Return whether one of them, or what issued it, is marked as a test identity."""
    names = (name for each in certificates for name in (each.subject, each.issuer))
    return any(TEST_MARK in str(name.native.values()) for name in names)


def chain(certificate: Any, others: Sequence[Any]) -> list[Any]:
    """Return those of `others` that issued the certificate, and one another, from it upwards."""
    found: list[Any] = []
    waiting, below = list(others), certificate
    while issuer := next((each for each in waiting if _issued(below, each)), None):
        found.append(issuer)
        waiting.remove(issuer)
        below = issuer
    if found and below.self_issued and not _issued(below, below):
        found.pop()
    return found


def _issued(one: Any, issuer: Any) -> bool:
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.x509 import load_der_x509_certificate

    try:
        upper = load_der_x509_certificate(issuer.dump())
        load_der_x509_certificate(one.dump()).verify_directly_issued_by(upper)
    except (ValueError, TypeError, InvalidSignature, UnsupportedAlgorithm):
        return False
    return True


def vouched(envelope: Envelope, signed: bytes, trust: Trust, role: str) -> Vouched:
    """Return what a signature over `signed` and its certificate are worth, made in a role."""
    status = _status(envelope, signed, trust, lists=bool(trust.revoked))
    revocation = "consulted" if trust.revoked else "not consulted"
    why = _distrust(envelope, status, trust)
    if trust.revoked and why and "revoked" not in why:
        status = _status(envelope, signed, trust, lists=False)
        why, revocation = _distrust(envelope, status, trust), "not known"
    if role in trust.persons:
        why = _not_the_person(envelope, trust, role)
        revocation = "not listed" if trust.revoked else "not consulted"
    stamp = status.timestamp_validity
    whole = stamp is not None and stamp.intact and stamp.valid
    proves = whole and stamp.trusted and not _astray(envelope.stamp_others, stamp, trust)
    holds, time = bool(status.intact and status.valid), stamp.timestamp if whole else None
    word = "trusted" if proves else "not trusted" if whole else "broken" if stamp else "none"
    return Vouched(
        holds=holds, trusted=not why, distrust=why, revocation=revocation, stamped=time, stamp=word
    )


def _status(envelope: Envelope, signed: bytes, trust: Trust, *, lists: bool) -> Any:
    from pyhanko.sign.validation.generic_cms import async_validate_detached_cms
    from pyhanko.sign.validation.settings import KeyUsageConstraints
    from pyhanko_certvalidator import ValidationContext
    from pyhanko_certvalidator.policy_decl import (
        CertRevTrustPolicy,
        RevocationCheckingPolicy,
        RevocationCheckingRule,
    )

    rule = RevocationCheckingRule.CRL_REQUIRED if lists else RevocationCheckingRule.NO_CHECK
    context = ValidationContext(
        trust_roots=[_anchor(each) for each in trust.anchors], allow_fetching=False,
        moment=trust.moment, other_certs=[], crls=list(trust.revoked),
        revinfo_policy=CertRevTrustPolicy(
            RevocationCheckingPolicy(rule, rule), retroactive_revinfo=True
        ),
    )  # fmt: skip
    # What a certificate is for is judged by `wrong_use`.
    uses = KeyUsageConstraints(key_usage=set())
    return asyncio.run(
        async_validate_detached_cms(signed, envelope.signed_data, context, key_usage_settings=uses)
    )


def _anchor(certificate: Any) -> Any:
    """Return an authority to trust, within its own validity, path length and names."""
    from pyhanko_certvalidator.authority import CertTrustAnchor, derive_quals_from_cert

    own = derive_quals_from_cert(certificate)
    # The validator counts down a length for attribute certificates too, if there is one.
    own = replace(own, max_aa_path_length=own.max_path_length)
    if (names := own.standard_parameters) is not None:
        free = frozenset(["any_policy"])
        names = replace(names, user_initial_policy_set=free, initial_explicit_policy=False)
        own = replace(own, standard_parameters=names)
    return CertTrustAnchor(certificate, own)


def _astray(others: Sequence[Any], status: Any, trust: Trust) -> bool:
    """Return whether certificates come along by which trust was not traced: nothing proves them."""
    known = {each.sha256 for each in trust.anchors}
    if status.validation_path is not None:
        known |= {each.sha256 for each in status.validation_path.iter_certs(include_root=True)}
    return any(each.sha256 not in known for each in others)


def _distrust(envelope: Envelope, status: Any, trust: Trust) -> str:
    if why := wrong_use(envelope.certificate):
        return why
    if not status.trusted:
        name = getattr(status.trust_problem_indic, "name", "")
        return REASONS.get(name, "leads to no authority by a way that its certificates allow")
    if status.validation_path.pkix_len == 0:
        return "is an authority's own"
    if _astray(envelope.others, status, trust):
        return ASTRAY
    above = map(_other_uses, status.validation_path.iter_certs(include_root=True))
    return next((f"leads to an authority that {why}" for why in above if why), "")


def _not_the_person(envelope: Envelope, trust: Trust, role: str) -> str:
    certificate = envelope.certificate
    if envelope.others and not chain(certificate, envelope.others)[-1].self_issued:
        return ASTRAY
    if certificate.sha256 != trust.persons[role].sha256:
        return "is not the one that was named for this role"
    if not certificate.not_valid_before <= trust.moment <= certificate.not_valid_after:
        return REASONS["OUT_OF_BOUNDS_NO_POE"]
    return REVOKED if _listed(certificate, trust.revoked) else wrong_use(certificate)


def _listed(certificate: Any, lists: Sequence[Any]) -> bool:
    """Return whether a list in the name of its issuer, whoever signed that, has a certificate."""
    mine = (each["tbs_cert_list"] for each in lists if each.issuer == certificate.issuer)
    rows = (row for each in mine for row in each["revoked_certificates"])
    return certificate.serial_number in (row["user_certificate"].native for row in rows)
