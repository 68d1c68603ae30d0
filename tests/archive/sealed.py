"""A signed-off demo dossier, sealed three times by test identities; and hands that forge it."""

import io
import re
import shutil
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from types import SimpleNamespace

from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.generic import pdf_name
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from typer.testing import CliRunner

from dossier import build
from dossier.case.attached import open_pdf
from dossier.command.cli import app
from dossier.make import decide
from dossier.make.api import today
from dossier.make.outcome import explained
from dossier.make.read import read_case
from dossier.record import signoff
from dossier.record.seals import signing_of
from dossier.seal.signature import Ready, load_keys, make_identity, seal_pdf
from dossier.words import speaking
from tests.spelled import INPUTS as SPELLED

INPUTS = Path(__file__).parents[2] / "inputs"
ROLES = ("prepared", "checked", "approved")
NAMES = ("Test Engineer (invented)", "Data Reviewer (invented)", "Head of Pumps (invented)")
SECRET = "a phrase for tests only"
DAY = date(2026, 3, 30)


def sign_all(folder, names=NAMES, day=DAY):
    """Sign as `sign` does role by role, with the case read and assessed once for all of them."""
    (folder / "signoff.toml").unlink(missing_ok=True)
    case = read_case(folder)
    assessment = decide.assess(case, pages=False)
    days = signoff.days_of(case, assessment, decide.issue_date(case), today())
    for role, name in zip(ROLES, names, strict=True):
        state = decide.sign_off(case, assessment)
        with speaking(case.qualification.language):
            entry = signoff.signed_entry({"role": role, "name": name, "date": day}, state.digest)
        case = replace(case, signed=signoff.add_sign_off(case, state, entry, days))
    (folder / "signoff.toml").write_bytes(signoff.signoff_toml(case.signed))
    state = decide.sign_off(case, assessment)
    assert state.complete
    return state


def short_case(target):
    """Copy what one requirement of a demo case needs, a third of its pages, and sign it off."""
    folder = Path(shutil.copytree(SPELLED / "polder-pumps", target / "polder-pumps"))
    leave_out(folder / "case.toml", r'\[\[record\]\]\nid = "(?!PD-C)|\[\[deviation|\[reference')
    leave_out(folder / "application.toml", r'\[\[requirement\]\]\nid = "(?!P1")')
    text = (folder / "application.toml").read_text("utf-8")
    text = re.sub(r"(?m)^(bypass_valve|life_factor) = .*\n", "", text)
    (folder / "application.toml").write_text(text, "utf-8")
    (folder / "requested.toml").unlink()
    sign_all(folder)
    return folder


def another_case(target):
    """Copy the short case under another number, and ask for what its filter fails; sign it off."""
    folder = short_case(target)
    for name, old, new in (
        ("case.toml", '"LFQ-0412"', '"LFQ-0413"'),
        ("application.toml", '"32 kPa"', '"3 kPa"'),
    ):
        text = (folder / name).read_text("utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new), "utf-8")
    sign_all(folder)
    return folder


def leave_out(path, unwanted):
    """Leave out the tables of a TOML file that begin with what is not wanted."""
    first, *blocks = re.split(r"(?m)^(?=\[\[|\[\w+\]$)", path.read_text("utf-8"))
    kept = (block for block in blocks if not re.match(unwanted, block))
    path.write_text(first + "".join(kept), "utf-8")


def identities(folder, names=NAMES):
    return {
        role: make_identity(n, folder, SECRET).key for role, n in zip(ROLES, names, strict=True)
    }


@cache
def keys_in(path):
    """Return what a file of a test identity holds, opened once: its phrase is slow to try."""
    return load_keys(path, None, SECRET)


def ready(data, role):
    """Return a dossier to seal that nobody has built again, as a forger would."""
    file = open_pdf(data)
    place = signing_of(file.files).roles.index(role)
    told = {"decision": "", "standing": "", "digest": ""}
    return Ready(name="dossier.pdf", file=file, place=place, role=role, **told)


def seal_all(pdf, keys, roles=ROLES):
    """Seal a dossier in place by the roles given; return the versions on the way."""
    versions = [pdf.read_bytes()]
    for role in roles:
        content, _ = seal_pdf(ready(versions[-1], role), keys_in(keys[role]))
        pdf.write_bytes(content)
        versions.append(content)
    return versions


def run(*arguments, **environment):
    """Run a command in this process; return its exit code and what it printed."""
    given = {"DOSSIER_PASSPHRASE": SECRET, **environment}
    done = CliRunner().invoke(app, [*map(str, arguments)], env=given)
    code, lines = done.exit_code, []
    if done.exception and not isinstance(done.exception, SystemExit):
        code, lines = explained(done.exception, debug=False)
    errors = done.stderr + "\n".join(lines)
    return SimpleNamespace(returncode=code, stdout=done.stdout, stderr=errors)


def made(target):
    """Build and seal a short dossier in `target`; return its path and the authority's."""
    folder = short_case(target)
    built = build(folder, target / "out")
    keys = identities(target / "ids")
    versions = seal_all(built.pdf, keys)
    return built.pdf, target / "ids" / "test-authority.pem", keys, versions


def flipped(data, place, bit=0):
    changed = bytearray(data)
    changed[place] ^= 1 << bit
    return bytes(changed)


def place_of(data, encoded):
    """Return where an encoded stream stands in the file."""
    place = data.find(encoded)
    assert place > 0
    assert data.count(encoded) == 1
    return place


def page_stream(data):
    contents = PdfFileReader(io.BytesIO(data)).root["/Pages"]["/Kids"][0]["/Contents"]
    return contents.encoded_data


def specification(reader, ending):
    pairs = reader.root["/Names"]["/EmbeddedFiles"]["/Names"]
    return next(pairs[i + 1] for i in range(0, len(pairs), 2) if str(pairs[i]).endswith(ending))


def attachment_stream(data, ending):
    return specification(PdfFileReader(io.BytesIO(data)), ending)["/EF"]["/F"].encoded_data


def appended(data, change):
    """Return the file with an increment behind it that `change` writes."""
    writer = IncrementalPdfFileWriter(io.BytesIO(data))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    assert out.getvalue().startswith(data)
    return out.getvalue()


def rewritten(data, objects):
    """Return an unsealed dossier with other bodies of some objects: one revision, places right."""
    table = data.rfind(b"xref\n0 ", 0, data.rfind(b"startxref"))
    end = data.index(b"trailer\n", table)
    head, *rows = data[table:end].splitlines(keepends=True)[1:]
    starts = [int(row[:10]) for row in rows] + [table]
    out = bytearray(data[: starts[1]])
    for number in range(1, len(rows)):
        rows[number] = b"%010d" % len(out) + rows[number][10:]
        body = data[starts[number] : starts[number + 1]]
        if number in objects:
            body = b"%d 0 obj\n%s\nendobj\n" % (number, objects[number])
        out += body
    last = re.sub(rb"startxref\n\d+", b"startxref\n%d" % len(out), data[end:])
    return bytes(out + b"xref\n" + head + b"".join(rows) + last)


def attached_anew(data, contents, packing=b""):
    """Return an unsealed dossier with other attachments, by the end of their names."""
    reader = PdfFileReader(io.BytesIO(data))
    objects = {}
    for ending, content in contents.items():
        number = specification(reader, ending)["/EF"].raw_get("/F").idnum
        entries = b"/Type /EmbeddedFile%s/Length %d" % (packing, len(content))
        objects[number] = b"<<%s>>\nstream\n%s\nendstream" % (entries, content)
    return rewritten(data, objects)


def add_annotation(writer):
    note = generic.DictionaryObject(
        {
            pdf_name("/Type"): pdf_name("/Annot"),
            pdf_name("/Subtype"): pdf_name("/FreeText"),
            pdf_name("/Rect"): generic.ArrayObject(map(generic.NumberObject, (60, 60, 300, 120))),
            pdf_name("/Contents"): generic.pdf_string("Approved"),
        }
    )
    page = writer.root["/Pages"]["/Kids"][0]
    if "/Annots" not in page:
        page[pdf_name("/Annots")] = generic.ArrayObject()
    page["/Annots"].append(writer.add_object(note))
    writer.update_container(page)


def remove_page(writer):
    pages = writer.root["/Pages"]
    del pages["/Kids"][1]
    pages[pdf_name("/Count")] = generic.NumberObject(int(pages["/Count"]) - 1)
    writer.update_container(pages)


def replacing(contents):
    """Return a change that replaces attachments by the end of their names."""

    def change(writer):
        for ending, content in contents.items():
            entry = specification(writer, ending)["/EF"]
            stream = generic.StreamObject(
                {pdf_name("/Type"): pdf_name("/EmbeddedFile")}, stream_data=content
            )
            entry[pdf_name("/F")] = writer.add_object(stream)
            writer.update_container(entry)

    return change
