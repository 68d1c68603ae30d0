"""The one form of a seal: an increment that anybody can write again from the file before it.

A dossier is the bytes that the program builds; each seal adds one increment behind them.  All of
the increment follows from the bytes before, from the signer's certificate and from the time that
the seal states.  Who verifies writes it again with `increment` and compares every byte but the
signature's value.  Nothing else may stand in a sealed file, so nothing has to be looked for.

The value has one form too: the envelope that this program makes around a signature.  A signature
covers the file but not itself: padding, parts of its envelope and further attributes lie outside of
what any digest covers.  So the envelope is made a second time, by the code that made it, and
compared byte by byte; a signature and a time-stamp are all that is taken from it.
"""

import asyncio
import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from typing import Any

from dossier.report.layout.stamp import HEIGHT, WIDTH, Look

RESERVED = 16 * 1024
"""Bytes kept for the signature's value; as hexadecimal digits twice as many."""
FLAGS = b"/SigFlags 1>>", b"/SigFlags 3>>"
"""Of the form, before and after the first seal: it has fields; it only grows."""

_TRAILER = re.compile(
    rb"trailer\n<<\n/Size (\d{1,7})\n/Root (\d{1,7}) 0 R\n/Info (\d{1,7}) 0 R\n"
    rb"/ID \[\(([0-9a-f]{32})\) \([0-9a-f]{32}\)\]\n(?:/Prev \d{1,10}\n)?>>\n"
    rb"startxref\n(\d{1,10})\n%%EOF\n"
)
_START = re.compile(
    rb"\d{1,7} 0 obj\n<</Type /Sig/M \(D:(\d{14})Z\)/Contents <([0-9A-F]{%d})>" % (2 * RESERVED)
)
_TIME = "%Y%m%d%H%M%S"


class FormError(ValueError):
    """Raised for a file whose first revision is not of the form that the program writes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What a seal says, in the file and to people."""

    moment: datetime
    """When it states to be made, in UTC and whole seconds."""
    name: str
    reason: str
    look: Look


@dataclass(frozen=True, slots=True)
class Increment:
    """An increment without its signature's value, which stands between its two parts."""

    head: bytes
    tail: bytes

    def signed(self, before: bytes) -> bytes:
        """Return what the signature covers: all of the file but its own value."""
        return before + self.head + self.tail

    def covered(self, start: int) -> bytes:
        """Return which bytes the signature covers, where the increment begins at `start`."""
        value = start + len(self.head)
        past = value + 2 * RESERVED + 2
        return b"[0 %d %d %d]" % (value, past, len(self.tail))

    def filled(self, value: bytes) -> bytes:
        """Return the increment with a signature's value of at most `RESERVED` bytes."""
        digits = value.ljust(RESERVED, b"\0").hex().upper().encode()
        return b"%s<%s>%s" % (self.head, digits, self.tail)


def read_start(data: bytes, start: int) -> tuple[datetime, bytes] | None:
    """Return time and signature's value of the seal that starts there; None if none does."""
    match = _START.match(data, start)
    if match is None:
        return None
    try:
        moment = datetime.strptime(match[1].decode(), _TIME).replace(tzinfo=UTC)
    except ValueError:
        return None
    return moment, bytes.fromhex(match[2].decode())


def increment(before: bytes, first: int, place: int, words: Words) -> Increment:
    """Return the increment of the seal in field number `place`, written behind `before`.

    `first` is where the first revision ends.  Raises FormError where that is not of our form.
    """
    trailer = _trailer(before, len(before))
    catalog = _object(before, first, trailer.root)
    field, kept = _field(before, first, catalog, place)
    objects = dict(enumerate(_drawn(words.look, trailer.size + 1), start=trailer.size + 1))
    new = len(objects) + 1
    objects[field] = kept + b"/V %d 0 R/AP <</N %d 0 R>>>>" % (trailer.size, trailer.size + 1)
    if place == 0:
        objects[trailer.root] = _certified(catalog, trailer.size)
    made = Increment(b"", b"")
    for _ in range(2):  # the second time with what it covers, which takes the same room
        opening, closing = _signature(
            trailer.size, words, made.covered(len(before)), certifies=place == 0
        )
        start = len(before) + len(opening) + len(closing) + 2 * RESERVED + 2
        rest = _written(before, start, trailer, new, objects)
        made = Increment(opening, closing + rest)
    return made


def _certified(catalog: bytes, seal: int) -> bytes:
    """Return the catalogue of a dossier whose first seal is object number `seal`."""
    if catalog.count(FLAGS[0]) != 1:
        raise FormError("its form is not of this program")
    return catalog.replace(*FLAGS).removesuffix(b">>") + b"/Perms <</DocMDP %d 0 R>>>>" % seal


def _written(
    before: bytes, start: int, trailer: "_Trailer", new: int, objects: Mapping[int, bytes]
) -> bytes:
    """Return the objects of an increment behind its first, the signature, and its last lines."""
    places, blobs, at = {trailer.size: len(before)}, [], start
    for number, body in objects.items():
        blobs.append(b"%d 0 obj\n%s\nendobj\n" % (number, body))
        places[number] = at
        at += len(blobs[-1])
    return b"".join([*blobs, *_table(places), *_last_lines(before, trailer, new, at)])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trailer:
    """The last lines of a revision."""

    size: int
    root: int
    info: int
    identifier: bytes
    table: int
    """Where its table stands."""


def _trailer(data: bytes, end: int) -> _Trailer:
    match = _TRAILER.fullmatch(data, max(data.rfind(b"trailer\n", 0, end), 0), end)
    if match is None:
        raise FormError("its last lines are not of this program")
    size, root, info, table = (int(match[place]) for place in (1, 2, 3, 5))
    return _Trailer(size=size, root=root, info=info, identifier=match[4], table=table)


def _table(places: Mapping[int, int]) -> Iterator[bytes]:
    """Yield the rows of the table that says which object stands where."""
    yield b"xref\n"
    numbers = sorted(places)
    for number in numbers:
        if number - 1 not in places:
            run = next(n for n in count(number) if n + 1 not in places)
            yield b"%d %d\n" % (number, run - number + 1)
        yield b"%010d 00000 n \n" % places[number]


def _last_lines(before: bytes, trailer: _Trailer, new: int, table: int) -> Iterator[bytes]:
    yield b"trailer\n<<\n/Size %d\n" % (trailer.size + new)
    yield b"/Root %d 0 R\n/Info %d 0 R\n" % (trailer.root, trailer.info)
    again = hashlib.sha256(before).hexdigest()[:32].encode()
    yield b"/ID [(%s) (%s)]\n/Prev %d\n>>\n" % (trailer.identifier, again, trailer.table)
    yield b"startxref\n%d\n%%%%EOF\n" % table


def _object(data: bytes, first: int, number: int) -> bytes:
    """Return the dictionary of an object of the first revision, found by its one table."""
    trailer = _trailer(data, first)
    head = b"xref\n0 %d\n" % trailer.size
    place = trailer.table + len(head) + 20 * number
    row = data[place : place + 20]
    if not data.startswith(head, trailer.table) or not re.fullmatch(rb"\d{10} 00000 n \n", row):
        raise FormError("its table is not of this program")
    start = int(row[:10])
    opening = b"%d 0 obj\n" % number
    end = data.find(b"\nendobj\n", start, first)
    if not data.startswith(opening, start) or end < 0 or not data.endswith(b">>", start, end):
        raise FormError(f"object {number} is not where its table says")
    return data[start + len(opening) : end]


def _field(data: bytes, first: int, catalog: bytes, place: int) -> tuple[int, bytes]:
    """Return number and dictionary, without its look and its end, of a field to be sealed."""
    form = re.search(rb"/AcroForm <</Fields \[((?:\d{1,7} 0 R ?)+)\]/SigFlags 1>>", catalog)
    numbers = [int(n) for n in re.findall(rb"(\d+) 0 R", form[1])] if form else []
    if place >= len(numbers):
        raise FormError("it has no such field to seal")
    body = _object(data, first, numbers[place])
    match = re.fullmatch(rb"(.*/FT /Sig)/AP <</N \d+ 0 R>>(.*)>>", body, re.DOTALL)
    if match is None:
        raise FormError("its field is not of this program")
    return numbers[place], match[1] + match[2]


def _signature(
    number: int, words: Words, covered: bytes, *, certifies: bool
) -> tuple[bytes, bytes]:
    """Return the object of the signature, up to its value and from there on."""
    moment = words.moment.strftime(_TIME).encode()
    head = b"%d 0 obj\n<</Type /Sig/M (D:%sZ)/Contents " % (number, moment)
    rule = (
        b"/Reference [<</Type /SigRef/TransformMethod /DocMDP"
        b"/TransformParams <</Type /TransformParams/P 2/V /1.2>>>>]"
    )
    tail = (
        b"/ByteRange %s/Filter /Adobe.PPKLite/SubFilter /ETSI.CAdES.detached/Name %s/Reason %s%s>>"
        % (covered.ljust(38), _text(words.name), _text(words.reason), rule if certifies else b"")
    )
    return head, tail + b"\nendobj\n"


def _drawn(look: Look, number: int) -> Iterator[bytes]:
    """Yield the objects of a look from `number` on: form, font, its text, its letters."""
    box = b"/BBox [0 0 %.2f %.2f]" % (WIDTH, HEIGHT)
    fonts = b"/Resources <</Font <</F %d 0 R>>>>" % (number + 1)
    yield _stream(b"/Type /XObject/Subtype /Form" + box + fonts, look.content)
    codes = range(len(look.letters))
    widths = b" ".join(b"%d" % width for width, _ in look.letters.values())
    names = b" ".join(b"/g%d" % code for code in codes)
    letters = b"".join(b"/g%d %d 0 R" % (code, number + 3 + code) for code in codes)
    bounds = b" ".join(b"%d" % edge for edge in look.box)
    yield (
        b"<</Type /Font/Subtype /Type3/FontBBox [%s]/FontMatrix [0.001 0 0 0.001 0 0]/FirstChar 0"
        b"/LastChar %d/Widths [%s]/Encoding <</Type /Encoding/Differences [0 %s]>>"
        b"/CharProcs <<%s>>/Resources <<>>/ToUnicode %d 0 R>>"
    ) % (bounds, len(codes) - 1, widths, names, letters, number + 2)
    yield _stream(b"", _unicode(list(look.letters)))
    for width, outline in look.letters.values():
        yield _stream(b"", b"%d 0 %s d1\n%s f" % (width, bounds, outline))


def _unicode(letters: Sequence[str]) -> bytes:
    """Return the map from codes to characters, for programs that read the look out."""
    head = (
        b"/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n/CMapName /Seal def\n"
        b"/CMapType 2 def\n1 begincodespacerange\n<00> <FF>\nendcodespacerange\n"
    )
    pairs = (b"<%02X> <%s>" % (code, _hex(each)) for code, each in enumerate(letters))
    rows = b"".join(b"1 beginbfchar\n%s\nendbfchar\n" % pair for pair in pairs)
    return head + rows + b"endcmap\nCMapName currentdict /CMap defineresource pop\nend\nend"


def _stream(entries: bytes, content: bytes) -> bytes:
    return b"<<%s/Length %d>>\nstream\n%s\nendstream" % (entries, len(content), content)


def _text(value: str) -> bytes:
    return b"<FEFF%s>" % _hex(value)


def _hex(value: str) -> bytes:
    return value.encode("utf-16-be", "replace").hex().upper().encode()


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
        again = enveloped(_fixed(self, signer["signature"].native), digest)
        stamps = signer["unsigned_attrs"]
        if stamps:
            found = [(each["type"].native, len(each["values"])) for each in stamps]
            if found != [("signature_time_stamp_token", 1)]:
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


def enveloped(signer: Any, digest: bytes, stamper: Any = None) -> Any:
    """Return the envelope (CMS) of a signature after PAdES over a digest of a file."""
    return asyncio.run(signer.async_sign(digest, DIGEST, use_pades=True, timestamper=stamper))


def _fixed(envelope: Envelope, signature: bytes) -> Any:
    """Return a signer that has signed already."""
    from pyhanko.sign.signers import ExternalSigner
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    store = SimpleCertificateStore()
    store.register_multiple(envelope.others)
    return ExternalSigner(envelope.certificate, store, signature)
