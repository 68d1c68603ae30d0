"""The value of a signature has one form: the envelope that this program makes around it.

A signature covers the file but not itself: padding, parts of its envelope and further attributes
lie outside of what any digest covers.  So the envelope is made a second time, by the code that
made it, and compared byte by byte; a signature and a time-stamp are all that is taken from it.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dossier.record.increment import RESERVED

DIGEST = "sha256"


@dataclass(frozen=True, slots=True)
class Envelope:
    """A signature's value, taken apart; none of it is judged."""

    content: Any
    """The whole, as it was read."""
    certificate: Any
    """The signer's."""
    others: tuple[Any, ...]
    """Further certificates that it carries."""

    @property
    def signed_data(self) -> Any:
        """The part that names signer, digest and certificates."""
        return self.content["content"]

    @property
    def digest(self) -> bytes:
        """The digest of what it covers, as the signer signed it."""
        from pyhanko.sign.general import find_unique_cms_attribute

        (signer,) = self.signed_data["signer_infos"]
        return bytes(find_unique_cms_attribute(signer["signed_attrs"], "message_digest").native)

    @property
    def stamp_others(self) -> tuple[Any, ...]:
        """Certificates that a time-stamp carries beside its own."""
        from pyhanko.sign.general import extract_certificate_info

        (signer,) = self.signed_data["signer_infos"]
        stamps = signer["unsigned_attrs"] or ()
        tokens = [value["content"] for each in stamps for value in each["values"]]
        return tuple(one for each in tokens for one in extract_certificate_info(each).other_certs)

    def canonical(self, value: bytes, digest: bytes) -> bool:
        """Return whether `value`, padding included, is what this program makes for a digest."""
        (signer,) = self.signed_data["signer_infos"]
        again = make(_fixed(self, signer["signature"].native), digest)
        stamps = signer["unsigned_attrs"]
        if stamps:
            if not _one_stamp(stamps):
                return False
            (made,) = again["content"]["signer_infos"]
            made["unsigned_attrs"] = type(stamps).load(stamps.untag().dump(force=True))
        return bool(again.dump().ljust(RESERVED, b"\0") == value)


def opened(value: bytes) -> Envelope:
    """Return a signature's value taken apart; raises whatever a damaged one causes.

    Certificates are read strictly too: their bytes go into `canonical` as they are.
    """
    from asn1crypto import cms
    from cryptography.x509 import load_der_x509_certificate
    from pyhanko.sign.general import extract_certificate_info

    content = cms.ContentInfo.load(value)
    found = extract_certificate_info(content["content"])
    for each in (found.signer_cert, *found.other_certs):
        load_der_x509_certificate(each.dump())
    return Envelope(content, found.signer_cert, tuple(found.other_certs))


def make(signer: Any, digest: bytes, stamper: Any = None) -> Any:
    """Return the envelope (CMS) of a signature after PAdES over a digest of a file."""
    return asyncio.run(signer.async_sign(digest, DIGEST, use_pades=True, timestamper=stamper))


def _fixed(envelope: Envelope, signature: bytes) -> Any:
    """Return a signer that has signed already."""
    from pyhanko.sign.signers import ExternalSigner
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    store = SimpleCertificateStore()
    store.register_multiple(envelope.others)
    return ExternalSigner(envelope.certificate, store, signature)


def _one_stamp(attributes: Sequence[Any]) -> bool:
    return [(each["type"].native, len(each["values"])) for each in attributes] == [
        ("signature_time_stamp_token", 1)
    ]
