"""The form of a seal, read back by a reader of another make: no key, no page, milliseconds."""

import hashlib
import io
import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from pypdf import PdfReader

from dossier.case.attached import first_end
from dossier.record.increment import RESERVED, FormError, Words, _object, increment, read_start
from dossier.report.layout.stamp import Look

ID = b"0123456789abcdef" * 2
MOMENT = datetime(2026, 4, 10, 9, 30, 5, tzinfo=UTC)
LOOK = Look(content=b"BT ET", letters={"A": (600, b"0 0 m"), "é": (500, b"1 1 m")},
            box=(0, -200, 700, 900))  # fmt: skip
WORDS = Words(moment=MOMENT, name="A. One", reason="Prepared ✓", look=LOOK)
BODIES = (
    b"<</Type /Catalog/Pages 2 0 R/AcroForm <</Fields [3 0 R 4 0 R]/SigFlags 1>>>>",
    b"<</Type /Pages/Kids [5 0 R]/Count 1>>",
    b"<</T (seal 1)/FT /Sig/AP <</N 6 0 R>>/F 4>>",
    b"<</T (seal 2)/FT /Sig/AP <</N 6 0 R>>/F 4>>",
    b"<</Type /Page/Parent 2 0 R/MediaBox [0 0 100 100]>>",
    b"<</Type /XObject/Subtype /Form/BBox [0 0 1 1]/Length 0>>\nstream\n\nendstream",
    b"<</Producer (invented)>>",
)


def first(bodies=BODIES, *, kind=b"n"):
    """A first revision as the program writes it: objects, one table, the last lines."""
    out, places = b"%PDF-1.7\n", []
    for number, body in enumerate(bodies, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table, size = len(out), len(bodies) + 1
    out += b"xref\n0 %d\n0000000000 65535 f \n" % size
    out += b"".join(b"%010d 00000 %s \n" % (place, kind) for place in places)
    out += b"trailer\n<<\n/Size %d\n/Root 1 0 R\n/Info 7 0 R\n/ID [(%s) (%s)]\n>>\n" % (
        size,
        ID,
        ID,
    )
    return out + b"startxref\n%d\n%%%%EOF\n" % table


BEFORE = first()
VALUE = b"\x30\x03abc"


def sealed(before=BEFORE, place=0, words=WORDS):
    made = increment(before, len(BEFORE), place, words)
    return made, before + made.filled(VALUE)


def test_another_reader_finds_each_object_where_the_table_says():
    _, data = sealed()
    reader = PdfReader(io.BytesIO(data), strict=True)
    form = reader.trailer["/Root"]["/AcroForm"]
    assert form["/SigFlags"] == 3
    field = form["/Fields"][0].get_object()
    assert (field["/T"], field["/F"]) == ("seal 1", 4)
    value = field["/V"]
    assert (value["/Name"], value["/Reason"], value["/M"]) == (
        "A. One", "Prepared ✓", "D:20260410093005Z",
    )  # fmt: skip
    assert bytes(value["/Contents"])[: len(VALUE)] == VALUE
    look = field["/AP"]["/N"]
    assert look.get_data() == b"BT ET"
    font = look["/Resources"]["/Font"]["/F"]
    assert font["/Widths"] == [600, 500]
    assert font["/CharProcs"]["/g1"].get_data().endswith(b"1 1 m f")
    assert b"<01> <00E9>" in font["/ToUnicode"].get_data()
    assert "/V" not in form["/Fields"][1].get_object()


def test_all_but_the_value_is_covered():
    made, data = sealed()
    a, b, c, d = map(int, re.search(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", data).groups())
    assert data[:a] + data[a : a + b] + data[c : c + d] == made.signed(BEFORE)
    assert (a, c + d) == (0, len(data))
    assert (data[b : b + 1], data[c - 1 : c]) == (b"<", b">")
    assert c - b == 2 * RESERVED + 2


def test_the_last_lines_bind_what_was_before():
    _, data = sealed()
    trailer = PdfReader(io.BytesIO(data)).trailer
    assert [each.encode() for each in trailer["/ID"]] == [  # type: ignore[attr-defined]
        ID, hashlib.sha256(BEFORE).hexdigest()[:32].encode(),
    ]  # fmt: skip
    assert trailer["/Prev"] == BEFORE.index(b"xref\n0 ")
    assert trailer["/Info"]["/Producer"] == "invented"
    numbers = [int(n) for n in re.findall(rb"(?m)^(\d+) 0 obj", data)]
    assert trailer["/Size"] == max(numbers) + 1


def test_the_first_seal_certifies_and_the_second_does_not():
    _, once = sealed()
    assert once.count(b"/TransformMethod /DocMDP") == 1
    root = PdfReader(io.BytesIO(once)).trailer["/Root"]
    assert root["/Perms"]["/DocMDP"] == root["/AcroForm"]["/Fields"][0].get_object()["/V"]
    second, twice = sealed(once, 1, replace(WORDS, name="B. Two"))
    assert twice.startswith(once)
    assert b"DocMDP" not in second.head + second.tail
    reader = PdfReader(io.BytesIO(twice), strict=True)
    fields = reader.trailer["/Root"]["/AcroForm"]["/Fields"]
    assert [each.get_object()["/V"]["/Name"] for each in fields] == ["A. One", "B. Two"]
    assert reader.trailer["/Prev"] == once.rindex(b"xref\n", 0, once.rindex(b"startxref"))


def test_time_and_value_are_read_back():
    _, data = sealed()
    moment, value = read_start(data, len(BEFORE))
    assert moment == MOMENT
    assert value == VALUE.ljust(RESERVED, b"\0")
    assert read_start(data, len(BEFORE) + 1) is None
    assert read_start(data.replace(b"D:20260410", b"D:20261310"), len(BEFORE)) is None


def test_the_first_revision_ends_where_its_own_table_is_named():
    _, data = sealed()
    assert first_end(BEFORE) == first_end(data) == len(BEFORE)
    inside = first((*BODIES, b"<<>>\nstream\nstartxref\n9\n%%EOF\nendstream"))
    assert first_end(inside + b"more") == len(inside)
    assert first_end(b"nothing") == 0
    assert first_end(BEFORE.replace(b"xref\n0 ", b"xref\n1 ")) == 0


FORM = BODIES[0]


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (first(kind=b"f"), "table"),  # objects that are freed
        (BEFORE.replace(b"/Info 7 0 R\n", b""), "last lines"),
        (BEFORE.replace(ID + b")]", b"x)]"), "last lines"),
        (BEFORE.replace(b"/Size 8\n", b"/Size 9\n"), "table"),
        (BEFORE.replace(b"1 0 obj\n", b"1 1 obj\n"), "not where"),
        (first((FORM + b" ", *BODIES[1:])), "not where"),  # something behind its dictionary
        (first((FORM.replace(b"/SigFlags 1", b"/SigFlags 3"), *BODIES[1:])), "no such field"),
        (first((FORM.replace(b"[3 0 R 4 0 R]", b"[]"), *BODIES[1:])), "no such field"),
        (first((*BODIES[:2], BODIES[2].replace(b"/FT /Sig", b"/FT /Tx"), *BODIES[3:])), "field"),
        (first((FORM[:-2] + b"/X <<" + b"/SigFlags 1>>>>", *BODIES[1:])), "form"),
    ],
)
def test_what_this_program_did_not_write_is_not_sealed(before, said):
    with pytest.raises(FormError, match=said):
        increment(before, len(before), 0, WORDS)


def test_an_object_ends_within_the_first_revision():
    """The last one has no end, and what came behind looks like one."""
    cut = BEFORE.replace(b"(invented)>>\nendobj", b"(invented)>>\nendobJ")
    assert _object(BEFORE, len(BEFORE), 7) == BODIES[6]
    for behind in (b">>x", b">>\nendobj\n"):
        with pytest.raises(FormError, match="object 7 is not where"):
            _object(cut + behind, len(cut), 7)


def test_there_is_no_third_field():
    with pytest.raises(FormError, match="no such field"):
        increment(BEFORE, len(BEFORE), 2, WORDS)
