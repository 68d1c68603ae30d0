"""PDFs from anyone, handed to verify, register and compare: bounded in time and memory."""

import io
import os
import time
import zlib

import pytest
from pypdf import PdfWriter

from dossier import verify
from dossier.case.attached import NotADossierError
from dossier.record.dossier_file import read_dossier
from tests.archive.made import document, dossier, files, pdf
from tests.hostile import bombs

SECONDS = 30


def read_pdf_for_verify(path):
    return verify(path, pages=False)


MEMORY = 1536 * bombs.MIB


def raw(objects, trailer=b"/Root 1 0 R"):
    """Return a PDF written by hand of numbered objects."""
    out, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n" % number + body + b"\nendobj\n"
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    size = b"trailer\n<< /Size %d " % (len(objects) + 1)
    return out + size + trailer + b" >>\nstartxref\n%d\n%%%%EOF\n" % start


def stream(packed, more=b""):
    head = b"<< /Length %d /Filter /FlateDecode %s >>\nstream\n" % (len(packed), more)
    return head + packed + b"\nendstream"


def zlib_zeros(mib):
    """A zlib stream of so many MiB; its checksum is wrong, which is found only at its end."""
    return b"\x78\xda" + bombs.zeros(mib) + b"\0\0\0\0"


NAMES = b"<< /EmbeddedFiles << /Names [(decision.json) 3 0 R] >> >>"
CATALOG = b"<< /Type /Catalog /Pages 2 0 R /Names " + NAMES + b" >>"
PAGES = b"<< /Type /Pages /Kids [] /Count 0 >>"
FILE = b"<< /Type /Filespec /F (decision.json) /UF (decision.json) /EF << /F 4 0 R >> >>"


def attachment_bomb():
    return raw([CATALOG, PAGES, FILE, stream(zlib_zeros(4096), b"/Type /EmbeddedFile")])


def twice_packed_bomb():
    inner = zlib.compress(zlib_zeros(1024))
    two = b"<< /Length %d /Filter [/FlateDecode /FlateDecode] >>\nstream\n" % len(inner)
    return raw([CATALOG, PAGES, FILE, two + inner + b"\nendstream"])


def object_stream_bomb():
    """The catalogue lies in an object stream of four gigabytes; the table says so."""
    packed = zlib_zeros(4096)
    body = b"%PDF-1.7\n"
    place = len(body)
    body += b"1 0 obj\n" + stream(packed, b"/Type /ObjStm /N 1 /First 4") + b"\nendobj\n"
    start = len(body)
    rows = [(0, 0, 255), (1, place, 0), (2, 1, 0), (1, start, 0)]
    table = b"".join(bytes([k]) + a.to_bytes(4, "big") + bytes([b]) for k, a, b in rows)
    more = b"/Type /XRef /W [1 4 1] /Size 4 /Root 2 0 R"
    body += b"3 0 obj\n" + stream(zlib.compress(table), more) + b"\nendobj\n"
    return body + b"startxref\n%d\n%%%%EOF\n" % start


def table_bomb():
    body = b"%PDF-1.7\n"
    more = b"/Type /XRef /W [1 4 1] /Size 900000000 /Root 2 0 R"
    return body + b"3 0 obj\n" + stream(zlib_zeros(4096), more) + b"\nendobj\nstartxref\n9\n%%EOF\n"


def circle_of_pages():
    kids = b"<< /Type /Pages /Kids [2 0 R 2 0 R] /Count 9 /Parent 2 0 R >>"
    tree = b"<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles 3 0 R >> >>"
    return raw([tree, kids, b"<< /Kids [3 0 R 3 0 R 3 0 R 3 0 R] >>"])


def circle_of_references():
    return raw([b"2 0 R", b"1 0 R"])


def circle_of_tables():
    return raw([CATALOG, PAGES, FILE, b"<< >>"], b"/Root 1 0 R /Prev 9")


def nested(depth=20_000):
    return raw([b"[" * depth + b"]" * depth, PAGES])


def wide_tree():
    leaf = b"<< /Kids [" + b"3 0 R " * 4000 + b"] >>"
    tree = b"<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles 3 0 R >> >>"
    return raw([tree, PAGES, leaf])


def many_attachments(count=6000):
    entries = b" ".join(b"(%d) %d 0 R" % (n, 4 + n) for n in range(count))
    tree = CATALOG.replace(b"(decision.json) 3 0 R", entries)
    each = [
        b"<< /Type /Filespec /UF (%d) /F (%d) /EF << /F 3 0 R >> >>" % (n, n) for n in range(count)
    ]
    return raw([tree, PAGES, stream(zlib.compress(b"x")), *each])


def one_stream_many_names(count=3000):
    """Thousands of names for one stream that unpacks to sixty megabytes."""
    entries = b" ".join(b"(%d) %d 0 R" % (n, 4 + n) for n in range(count))
    tree = CATALOG.replace(b"(decision.json) 3 0 R", entries)
    each = [b"<< /UF (%d) /F (%d) /EF << /F 3 0 R >> >>" % (n, n) for n in range(count)]
    return raw([tree, PAGES, stream(zlib.compress(b"0" * 60 * bombs.MIB)), *each])


def encrypted():
    writer = PdfWriter(io.BytesIO(dossier("A")))
    writer.encrypt("secret", algorithm="RC4-128")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def deep_decision():
    content = files(document("A"))
    return pdf({**content, "decision.json": b'{"a":' * 200_000 + b"1" + b"}" * 200_000})


def huge_number():
    content = files(document("A"))
    text = content["decision.json"].decode().replace('"revision": 0', '"revision": ' + "9" * 9999)
    return pdf({**content, "decision.json": text.encode()})


HOSTILE = [
    attachment_bomb, twice_packed_bomb, object_stream_bomb, table_bomb, circle_of_pages,
    circle_of_references, circle_of_tables, nested, wide_tree, many_attachments,
    one_stream_many_names, encrypted, deep_decision, huge_number,
]  # fmt: skip


@pytest.mark.parametrize("make", HOSTILE, ids=lambda make: make.__name__)
@pytest.mark.parametrize("opened", [read_pdf_for_verify, read_dossier], ids=["verify", "others"])
def test_a_hostile_pdf_is_no_dossier(make, opened, tmp_path):
    path = tmp_path / "x.pdf"
    path.write_bytes(make())
    start = time.perf_counter()
    with pytest.raises(NotADossierError) as caught:
        opened(path)
    print(caught.value)
    assert time.perf_counter() - start < SECONDS


def no_file(kind, path):
    if kind == "no PDF":
        path.write_bytes(b"MZ" * 1000)
    elif kind == "1 GB":
        bombs.sparse(path, 2**30, b"%PDF-1.7\n")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to({"zero": "/dev/zero", "environ": "/proc/self/environ"}[kind])


KINDS = ("no PDF", "1 GB", "pipe", "folder", "zero", "environ")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """What each command says of each file, by its folder: one program with bounds for all."""
    calls = {}
    for name in (*(make.__name__ for make in HOSTILE), *KINDS, "all"):
        folder = tmp_path_factory.mktemp(name.replace(" ", "_"))
        for make in HOSTILE:
            if name in {make.__name__, "all"}:
                (folder / f"{make.__name__}.pdf").write_bytes(make())
        if name in KINDS:
            no_file(name, folder / "x.pdf")
        path = folder / ("x.pdf" if name in KINDS else f"{name}.pdf")
        if name != "all":
            calls[name, "verify"], calls[name, "compare"] = [path], [path, path]
        if name in (*KINDS, "all"):
            calls[name, "register"] = [folder]
    told = bombs.each_limited([(key[1], *call) for key, call in calls.items()], MEMORY, SECONDS)
    return dict(zip(calls, told, strict=True))


def refused(told, name, command, code=2):
    """Return what a command said of a file; it must have ended with `code`, within bounds."""
    ended, said, took = told[name, command]
    print(f"{command} {took:.1f} s: {said.strip()[:300]}")
    assert ended == code, said
    assert "Traceback" not in said
    assert took < SECONDS
    return said


@pytest.mark.slow
@pytest.mark.parametrize("command", ["verify", "compare"])
@pytest.mark.parametrize("make", HOSTILE, ids=lambda make: make.__name__)
def test_a_hostile_pdf_is_refused_within_bounds(make, command, told):
    assert f"{make.__name__}.pdf" in refused(told, make.__name__, command)


@pytest.mark.slow
def test_a_register_of_hostile_pdfs_is_made_within_the_bounds_of_one(told):
    said = refused(told, "all", "register", code=0)
    assert all(f"{make.__name__}.pdf" in said for make in HOSTILE)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_no_pdf_file(kind, told):
    for command, code in (("verify", 2), ("compare", 2), ("register", 0)):
        refused(told, kind, command, code)
