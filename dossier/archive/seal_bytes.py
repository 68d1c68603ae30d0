"""That a signature has one form only: no byte of it can be changed without being seen.

A signature covers the file but not itself: padding, upper and lower case of its hexadecimal form,
and parts of its envelope lie outside of what any digest covers.  So the envelope is built a second
time from the parts that are covered, and compared byte by byte.
"""

from typing import Any

__all__ = ["canonical_signature", "gap_is_the_seal"]


def gap_is_the_seal(data: bytes, embedded: Any) -> bool:
    """Return whether the gap in the signed bytes holds this signature, zero padding, no more."""
    start, first, second, rest = (int(part) for part in embedded.byte_range)
    content: bytes = embedded.pkcs7_content
    end = second + rest
    if start != 0 or not 0 < first < second < end <= len(data):
        return False
    if data[first:second] != b"<" + content.hex().upper().encode() + b">":
        return False
    from asn1crypto import cms

    used = len(cms.ContentInfo.load(content).dump())
    return not content[used:].strip(b"\0")


def canonical_signature(embedded: Any) -> bool:
    """Return whether the signature's envelope is exactly what its covered parts lead to."""
    from asn1crypto import cms

    content: bytes = embedded.pkcs7_content
    original = cms.ContentInfo.load(content).dump()
    return _rebuilt(embedded.signed_data, embedded.signer_cert) == original and _stamps_canonical(
        embedded.signer_info
    )


def _rebuilt(signed_data: Any, certificate: Any) -> bytes:
    """Return a new envelope around what is covered: attributes, certificates, signature."""
    from asn1crypto import cms

    (given,) = signed_data["signer_infos"]
    issuer = cms.IssuerAndSerialNumber(
        {"issuer": certificate.issuer, "serial_number": certificate.serial_number}
    )
    signer = {
        "version": "v1",
        "sid": cms.SignerIdentifier({"issuer_and_serial_number": issuer}),
        "digest_algorithm": _plain_digest(given["digest_algorithm"]),
        "signed_attrs": cms.CMSAttributes.load(given["signed_attrs"].untag().dump()),
        "signature_algorithm": _algorithm(given, certificate),
        "signature": given["signature"].native,
    }
    if _stamps(given):
        signer["unsigned_attrs"] = cms.CMSAttributes.load(given["unsigned_attrs"].untag().dump())
    envelope = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [_plain_digest(given["digest_algorithm"])],
            "encap_content_info": cms.ContentInfo({"content_type": "data"}),
            "certificates": cms.CertificateSet(
                [
                    cms.CertificateChoices("certificate", each.chosen.copy())
                    for each in signed_data["certificates"]
                ]
            ),
            "signer_infos": [cms.SignerInfo(signer)],
        }
    )
    whole: bytes = cms.ContentInfo({"content_type": "signed_data", "content": envelope}).dump(True)
    return whole


def _plain_digest(algorithm: Any) -> Any:
    from asn1crypto import algos

    return algos.DigestAlgorithm({"algorithm": algorithm["algorithm"].native})


def _algorithm(given: Any, certificate: Any) -> Any:
    """Return the algorithm that the signer's kind of key and the digest lead to.

    The given one stands outside of what is signed; only that of RSA-PSS is taken as it is, since
    each of its parameters enters into the check of the signature.
    """
    from asn1crypto import algos

    stated = given["signature_algorithm"]
    if stated["algorithm"].native == "rsassa_pss":
        return stated.copy()
    kind = {"rsa": "rsa", "ec": "ecdsa"}[certificate.public_key.algorithm]
    digest = given["digest_algorithm"]["algorithm"].native
    return algos.SignedDigestAlgorithm({"algorithm": f"{digest}_{kind}"})


def _stamps(given: Any) -> list[Any]:
    """Return the time-stamps that stand outside of what the signer signed."""
    attributes = given["unsigned_attrs"]
    if not attributes:
        return []
    return [value for each in attributes for value in each["values"]]


def _stamps_canonical(given: Any) -> bool:
    """Return whether nothing but one time-stamp is attached to the signature."""
    stamps = _stamps(given)
    if not stamps:
        return True
    attributes = given["unsigned_attrs"]
    return len(stamps) == 1 and attributes[0]["type"].native == "signature_time_stamp_token"
