"""A sealed file has one form: whoever holds valid keys and writes it otherwise is told.

All signatures here are mathematically right, by identities that are trusted.
"""

import json
import re
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.generic import pdf_name
from pyhanko.sign.timestamps import DummyTimeStamper
from pypdf import PdfReader

from dossier import verify
from dossier.case.attached import NotADossierError, first_end, open_pdf
from dossier.record.dossier_file import dossier_in
from dossier.record.increment import enveloped
from dossier.record.program import constraints_text, plain_versions
from dossier.record.seals import read_seals
from dossier.record.standing import mismatches, sign_offs
from tests.archive import forged, sealed

BEHIND = "stands what is no seal that this program writes"
MORE = "is more than a dossier and its seals"
VALUE = "the signature itself was changed"
PAGES = "the pages are not those that the attached data give"


def told(data, dossier, folder, **how):
    """Return what a verification says against a file; it must not be verified."""
    path = folder / "forged.pdf"
    path.write_bytes(data)
    try:
        found = verify(path, trust=dossier.trust, **how)
    except NotADossierError as error:
        return f"not a dossier: {error}"
    assert not found.verified
    return "; ".join([*found.failures, *found.gaps])


def test_the_forger_s_tools_make_a_sound_file_where_nothing_is_edited(dossier, unchanged, tmp_path):
    path = tmp_path / "sound.pdf"
    for data in (
        forged.last_sealed(dossier, lambda draft: draft),
        forged.last_sealed(dossier, lambda draft: draft.repaired()),
        forged.all_sealed(dossier.unsigned, dossier),
    ):
        path.write_bytes(data)
        assert verify(path, trust=dossier.trust).verified


def rows(number):
    return b"xref\n", b"xref\n%d 1\n0000000100 00000 n \n" % number


def page_of(dossier):
    kids = PdfReader(dossier.pdf).trailer["/Root"]["/Pages"]["/Kids"]
    return kids[0].idnum


def with_page(dossier, row=True):
    """Page one with other content: "Approved", whatever was decided."""
    number = page_of(dossier)
    content = b"BT /F 30 Tf 60 700 Td (Approved by nobody) Tj ET"
    font = b"<</Font <</F <</Type /Font/Subtype /Type1/BaseFont /Helvetica>>>>>>"
    page = (
        b"<</Type /Page/Parent 1 0 R/MediaBox [0 0 595 842]/Contents 9001 0 R/Resources %s>>" % font
    )
    stream = b"<</Length %d>>\nstream\n%s\nendstream" % (len(content), content)
    return lambda draft: draft.object(page, number, listed=row).object(stream, 9001).repaired()


def twice_in_the_table(dossier):
    """Page one stands in the table twice: first as it is not, then as it was."""
    number = page_of(dossier)

    def change(draft):
        draft = with_page(dossier)(draft)
        old = re.search(rb"\n(\d{10}) 00000 n", draft.before[first_table(draft.before, number) :])
        double = b"%d 1\n%s 00000 n \ntrailer\n" % (number, old[1])
        return draft.edit(b"trailer\n", double).covering()

    return change


def first_table(data, number):
    start = int(re.search(rb"startxref\n(\d+)", data)[1])
    return data.index(b"\n", start + 5) + 20 * number


def open_action(draft):
    page = re.search(rb"/Kids \[(\d+) 0 R", draft.before)[1]
    body = re.search(rb"2 0 obj\n(<</Type /Catalog.*?)>>\nendobj", draft.before, re.DOTALL)[1]
    return draft.object(body + b"/OpenAction [%s 0 R /Fit]>>" % page, 2).repaired()


def swapped(draft):
    objects = re.findall(rb"(?s)\d+ 0 obj\n.*?endobj\n", draft.tail)
    return draft.edit(objects[3] + objects[4], objects[4] + objects[3]).repaired()


def time_in(draft):
    return re.search(rb"D:\d{14}Z", draft.head)[0]


STEPS = {
    "comment between objects": lambda d: d.edit(b"endobj\n", b"endobj\n% x\n").repaired(),
    "blank before the first object": lambda d: forged.Draft(
        d.before, b"\n" + d.head, d.tail
    ).repaired(),
    "object outside the table": lambda d: d.object(b"(x)", listed=False).repaired(),
    "object that nothing shows": lambda d: d.object(b"(x)").repaired(),
    "objects in another order": swapped,
    "script in the field": lambda d: d.edit(
        b"/FT /Sig", b"/FT /Sig/AA <</O <</S /JavaScript/JS (x)>>>>"
    ).repaired(),
    "field over the page": lambda d: d.edit(b"/Rect [", b"/Rect [0 0 595 842]/Rekt [").repaired(),
    "field with another text": lambda d: d.edit(b"/TU (", b"/TU (Not the ").repaired(),
    "another look": lambda d: d.edit(b"1 0 0 1 4.25 38.60", b"9 0 0 9 4.25 38.60").repaired(),
    "another letter drawn": lambda d: d.edit(b" d1\n", b" d1\n0 0 9 9 re ").repaired(),
    "catalogue that opens elsewhere": open_action,
    "row of the table twice": lambda d: d.edit(*rows(7)).repaired(),
    "row of an object that is not there": lambda d: d.edit(*rows(9000)).covering(),
    "freed object": lambda d: d.edit(b"xref\n", b"xref\n7 1\n0000000000 65535 f \n").covering(),
    "one more entry of the trailer": lambda d: d.edit(b"/Info", b"/XRefStm 15/Info").covering(),
    "another identifier": lambda d: d.edit(b") (", b") (0").covering(),
    "a larger size": lambda d: d.edit(b"/Size ", b"/Size 1").covering(),
    "a table before that is not the last": lambda d: d.edit(
        re.search(rb"/Prev \d+", d.tail)[0],
        b"/Prev " + re.search(rb"startxref\n(\d+)", d.before)[1],
    ).covering(),
    "start of the table elsewhere": lambda d: d.edit(b"startxref\n", b"startxref\n0").covering(),
    "another end of line": lambda d: d.edit(b"%%EOF\n", b"%%EOF\r\n").covering(),
    "another reason": lambda d: d.edit(b"/Reason <FEFF", b"/Reason <FEFF0041").repaired(),
    "another name": lambda d: d.edit(b"/Name <FEFF", b"/Name <FEFF0041").repaired(),
    "certifies again": lambda d: d.edit(
        b"/Filter",
        b"/Reference [<</Type /SigRef/TransformMethod /DocMDP>>]/Filter",
    ).repaired(),
    "a day that is none": lambda d: d.edit(time_in(d), b"D:20260431120000Z").repaired(),
    "an hour of another zone": lambda d: d.edit(
        time_in(d), time_in(d)[:-1] + b"+02'00'"
    ).repaired(),
    "a note behind the end": lambda d: forged.Draft(d.before, d.head, d.tail + b"%\n").covering(),
}


TIMES = {
    "which has not come": datetime.now(UTC) + timedelta(hours=1),
    "its certificate was not valid": datetime(2020, 1, 1, tzinfo=UTC),
}


@pytest.mark.parametrize("line", TIMES)
def test_a_seal_is_made_when_it_can_have_been(line, dossier):
    keys = forged.keys_of(dossier, "prepared")
    moment = TIMES[line].replace(microsecond=0)
    data = forged.draft(dossier.unsigned, "prepared", keys, moment).signed(keys)
    (seal,) = read_seals(open_pdf(data))
    assert line in seal.problem


def test_a_seal_whose_long_lines_are_cut_as_they_once_were_holds(dossier):
    keys = forged.keys_of(dossier, "prepared")
    now, before = (
        forged.draft(dossier.unsigned, "prepared", keys, broken=broken) for broken in (True, False)
    )
    assert now.tail != before.tail
    for each in (now, before):
        (seal,) = read_seals(open_pdf(each.signed(keys)))
        assert not seal.problem


def test_a_time_stamp_that_names_another_time_is_told(dossier):
    keys = forged.keys_of(dossier, "prepared")
    service = DummyTimeStamper(
        keys.signing_cert, keys.signing_key, fixed_dt=datetime.now(UTC) - timedelta(days=1)
    )
    made = forged.draft(dossier.unsigned, "prepared", keys)
    data = made.signed(keys, lambda signer, digest: enveloped(signer, digest, service).dump())
    (seal,) = read_seals(open_pdf(data))
    assert "its time-stamp at" in seal.problem


def test_days_and_keys_of_seals_are_held_against_the_sign_offs(dossier):
    seals = read_seals(open_pdf(dossier.data))
    state = sign_offs(dossier_in(open_pdf(dossier.data)))
    assert not list(mismatches(seals, state))
    day = date.fromisoformat(seals[0].claimed[:10])
    later = tuple(replace(each, date=day + timedelta(2)) for each in state.signed)
    cases = {
        "before the sign-off of": (seals, replace(state, signed=later)),
        "the approval ended on": (seals, replace(state, until=day - timedelta(2))),
        "one key has sealed": (tuple(replace(each, key="k") for each in seals), state),
    }
    for line, (found, judged) in cases.items():
        assert any(line in told for told in mismatches(found, judged)), line


@pytest.mark.parametrize("step", STEPS)
def test_an_increment_of_another_form_is_told(step, dossier, unchanged, tmp_path):
    data = forged.last_sealed(dossier, STEPS[step])
    line = told(data, dossier, tmp_path)
    assert MORE in line or BEHIND in line, line


def test_what_a_signature_does_not_cover_may_not_be_left_out(dossier, unchanged, tmp_path):
    """The range that it states leaves the last lines out; the value fits that range."""

    def cut(draft):
        at = len(draft.before) + len(draft.head)
        stated = re.search(rb"\[0 \d+ \d+ \d+\] *", draft.tail)[0]
        less = b"[0 %d %d %d]" % (at, at + forged.ROOM, len(draft.tail) - 8)
        return draft.edit(stated, less.ljust(len(stated)))

    assert MORE in told(forged.last_sealed(dossier, cut), dossier, tmp_path)


FIRST = {
    "comment between objects": lambda d: grown(d, b"endobj\n", b"endobj\n% x\n"),
    "object outside the table": lambda d: grown(d, b"xref\n0 ", b"9 0 obj\n(x)\nendobj\nxref\n0 "),
    "bytes before the header": lambda d: b"\n" + d,
    "another header": lambda d: d.replace(b"%PDF-1.7", b"%PDF-1.6", 1),
    "one more entry of the trailer": lambda d: grown(d, b"/Info", b"/XX 1\n/Info"),
    "a blank behind the end": lambda d: d + b"\n",
    "a comment behind the end": lambda d: d + b"% x\n",
    "the last lines twice": lambda d: d + d[d.rfind(b"startxref") :],
    "the table twice": lambda d: d + d[d.rfind(b"xref\n0 ") :],
    "an increment that changes nothing": lambda d: sealed.appended(d, lambda w: w.update_root()),
    "the document twice": lambda d: d + d,
    "an annotation": lambda d: sealed.appended(d, sealed.add_annotation),
    "no last line": lambda d: d[:-6],
}


def grown(data, old, new):
    """Return a first revision with other bytes, its places put right."""
    data = data.replace(old, new, 1) if old != b"/Info" else new.join(data.rsplit(old, 1))
    table = data.rfind(b"xref\n0 ", 0, data.rfind(b"startxref"))
    return re.sub(rb"startxref\n\d+", b"startxref\n%d" % table, data)


@pytest.mark.parametrize("kind", FIRST)
def test_a_first_revision_of_another_form_is_told(kind, dossier, unchanged, tmp_path):
    data = FIRST[kind](dossier.unsigned)
    assert data != dossier.unsigned
    assert told(data, dossier, tmp_path, pages=False)  # unsealed: the pages are compared below
    try:
        whole = forged.all_sealed(data, dossier)
    except (ValueError, NotADossierError):  # not even a forger's pen finds where to go on
        return
    line = told(whole, dossier, tmp_path)
    assert PAGES in line or BEHIND in line or MORE in line or "not a dossier" in line, line


def with_time(signer, digest):
    import asyncio

    from pyhanko.sign.signers.pdf_cms import PdfCMSSignedAttributes

    settings = PdfCMSSignedAttributes(signing_time=datetime.now(UTC))
    signed = signer.async_sign(digest, "sha256", use_pades=False, signed_attr_settings=settings)
    return asyncio.run(signed).dump()


def unsigned_attribute(signer, digest):
    from asn1crypto import cms, core

    made = enveloped(signer, digest)
    (info,) = made["content"]["signer_infos"]
    extra = cms.CMSAttribute({"type": "2.16.840.1.113730.3.1.1", "values": [core.UTF8String("x")]})
    info["unsigned_attrs"] = cms.CMSAttributes([extra])
    return made.dump(force=True)


def more_certificates(signer, digest):
    from asn1crypto import cms, x509

    made, other = enveloped(signer, digest), x509.Certificate.load(signer.signing_cert.dump())
    other["tbs_certificate"]["serial_number"] = 77
    made["content"]["certificates"].append(cms.CertificateChoices("certificate", other))
    return made.dump(force=True)


def long_length(signer, digest):
    """Return the envelope with its outermost length written longer than need be."""
    plain = enveloped(signer, digest).dump()
    assert plain[1] == 0x82
    return plain[:1] + b"\x83\x00" + plain[2:]


@pytest.mark.parametrize(
    ("value", "line"),
    [
        (with_time, VALUE),
        (unsigned_attribute, VALUE),
        (long_length, VALUE),
        (lambda signer, digest: enveloped(signer, digest).dump() + b"x", VALUE),
        (lambda signer, digest: enveloped(signer, b"\0" * 32).dump(), MORE),
        (more_certificates, "it carries a certificate that did not issue the signer's"),
    ],
)
def test_a_value_of_another_form_is_told(value, line, dossier, unchanged, tmp_path):
    data = forged.last_sealed(dossier, lambda draft: draft, value)
    assert line in told(data, dossier, tmp_path)


@pytest.mark.parametrize("kind", ["small letters", "blank in it", "shorter"])
def test_the_digits_of_a_value_have_one_form(kind, dossier, unchanged, tmp_path):
    data, start = dossier.data, dossier.data.rfind(b"/Contents <") + 11
    if kind == "small letters":
        data = data[:start] + data[start : start + 300].lower() + data[start + 300 :]
    elif kind == "blank in it":
        data = data[: start + 40000 - 10000] + b" " + data[start + 30001 :]
    else:
        data = data[: start + 32766] + data[start + 32768 :]
    assert BEHIND in told(data, dossier, tmp_path)


def test_seals_in_another_order_or_twice_are_told(dossier, unchanged, tmp_path):
    one, two, three = (
        after[len(before) :]
        for before, after in zip(dossier.versions, dossier.versions[1:], strict=False)
    )
    plain = dossier.unsigned
    for parts in ((two, one, three), (one, one, two), (one, three), (two,), (one, two, three, one)):
        assert told(plain + b"".join(parts), dossier, tmp_path)


def as_seen(data, folder):
    """Return the words of page one as three programs of Debian show them."""
    path = folder / "seen.pdf"
    path.write_bytes(data)
    commands = (
        ("pdftotext", "-l", "1", path, "-"),
        ("mutool", "draw", "-q", "-F", "txt", path, "1"),
        ("gs", "-q", "-sDEVICE=txtwrite", "-dLastPage=1", "-o", "-", path),
    )
    words = []
    for command in commands:
        try:
            done = subprocess.run(command, capture_output=True, check=False, timeout=120)
        except FileNotFoundError:
            continue
        words.append(" ".join(done.stdout.decode("utf-8", "replace").split()))
    return words


def test_a_page_listed_twice_shows_something_else_and_is_told(dossier, unchanged, tmp_path):
    data = forged.last_sealed(dossier, twice_in_the_table(dossier))
    assert all("Approved by nobody" in words for words in as_seen(data, tmp_path))
    assert MORE in told(data, dossier, tmp_path)


def test_a_page_replaced_beside_a_seal_shows_something_else_and_is_told(
    dossier, unchanged, tmp_path
):
    data = forged.last_sealed(dossier, with_page(dossier))
    assert all("Approved by nobody" in words for words in as_seen(data, tmp_path))
    assert MORE in told(data, dossier, tmp_path)


def other_words(writer):
    page = writer.root["/Pages"]["/Kids"][0]
    stream = generic.StreamObject(stream_data=b"")
    page[pdf_name("/Contents")] = writer.add_object(stream)
    writer.update_container(page)


def test_a_second_document_behind_the_honest_bytes_is_told(dossier, unchanged, tmp_path):
    """It stands behind the first whole, with a table of its own; viewers show it alone."""
    other = sealed.appended(dossier.unsigned, other_words)
    second = dossier.unsigned + shifted(other, len(dossier.unsigned))
    assert first_end(second) == len(dossier.unsigned)
    assert any(words == "" for words in as_seen(second, tmp_path))
    line = told(second, dossier, tmp_path)
    assert BEHIND in line, line
    try:
        whole = forged.all_sealed(second, dossier)
    except ValueError:
        return
    assert told(whole, dossier, tmp_path)


def shifted(data, by):
    """Return a document as it stands `by` bytes further on, its places put right."""

    def row(match):
        return b"%010d 00000 n" % (int(match[1]) + by)

    data = re.sub(rb"(?m)^(\d{10}) 00000 n", row, data)
    data = re.sub(rb"/Prev (\d+)", lambda m: b"/Prev %d" % (int(m[1]) + by), data)
    return re.sub(rb"startxref\n(\d+)", lambda m: b"startxref\n%d" % (int(m[1]) + by), data)


def test_an_end_hidden_in_an_attachment_gains_nothing(dossier, unchanged, tmp_path):
    """Bytes that look like the end of a first revision, in front of the real one."""
    place = dossier.unsigned.index(b"endobj\n") + 7
    table = dossier.unsigned.index(b"xref\n0 ")
    decoy = b"startxref\n%d\n%%%%EOF\n" % table
    data = dossier.unsigned[:place] + decoy + dossier.unsigned[place:]
    assert told(data, dossier, tmp_path)
    assert "not a dossier" in told(
        b"%PDF-1.7\nxref\n0 1\n" + b"startxref\n9\n%%EOF\n", dossier, tmp_path
    )


def test_other_versions_that_are_stated_keep_no_page_from_being_compared(
    dossier, unchanged, tmp_path
):
    """Page one says something else; the manifest says that another library laid it out."""
    manifest = json.loads(open_pdf(dossier.unsigned).files["manifest.json"])
    manifest["layout"]["pango"] = "9.9"
    stated = json.dumps(manifest, sort_keys=True, indent=2).encode() + b"\n"
    data = sealed.attached_anew(dossier.unsigned, {"manifest.json": stated})
    page = PdfReader(dossier.pdf).trailer["/Root"]["/Pages"]["/Kids"][0]
    words = b"<</Length 0>>\nstream\n\nendstream"
    data = sealed.rewritten(data, {page.raw_get("/Contents").idnum: words})
    line = told(forged.all_sealed(data, dossier), dossier, tmp_path)
    assert "the pages did not come out the same to the byte (made with" in line
    assert "pango 9.9, here" in line
    assert "words differ on page 1 of" in line


def test_libraries_that_are_stated_serve_the_next_build_alone(dossier, tmp_path):
    """Another version of one that no page follows from: the same bytes come out all the same."""
    manifest = json.loads(open_pdf(dossier.unsigned).files["manifest.json"])
    assert {"typer", "pyphen", "cssselect2"} <= set(manifest["libraries"])
    assert plain_versions({"a": "1 --index-url=x"}) == plain_versions({"a @ x": "1"}) == {}
    text = constraints_text(dossier.pdf)
    assert f"\nnumpy=={manifest['versions']['numpy']}\n" in text
    assert f"Python {manifest['versions']['python']}\n" in text
    assert "pango==" not in text
    assert re.fullmatch(r"(?:# .*\n){2}(?:[a-z0-9-]+==[\w.+!-]+\n)+", text)
