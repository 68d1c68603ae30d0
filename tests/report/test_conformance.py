"""The dossiers of the demo cases against the reference validator, and on a bare machine."""

import hashlib
import os
import shutil
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

import dossier
from dossier.make.choose import write_choice
from dossier.report.assets import FONT_FOLDER
from tests.archive import sealed
from tests.archive.sealed import run
from tests.verapdf import engine

INPUTS = Path(__file__).parents[2] / "inputs"
CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")
FLAVOURS = ("3a", "ua1")
MUST_RUN = "CONFORMANCE_MUST_RUN"


def build(case, out, *, expect=(0, 1), **environment):
    """Build a dossier in a process of its own and return what it printed; the PDF lies in out."""
    done = subprocess.run(
        [sys.executable, "-m", "dossier", "build", str(INPUTS / case), "--out", str(out)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)} | environment,
        timeout=300,
        check=False,
    )
    assert done.returncode in expect, done.stderr
    return done


def pdf_in(folder):
    (path,) = folder.glob("*.pdf")
    return path


@pytest.fixture(scope="module")
def dossiers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dossiers")
    for case in CASES:
        dossier.build(INPUTS / case, folder / case)
    foreign = in_german(folder)
    sealed.sign_all(foreign)
    made = dossier.build(foreign, folder / foreign.name).pdf
    sealed.seal_all(made, sealed.identities(folder / "ids"))  # what a seal adds conforms too
    return {case: pdf_in(folder / case) for case in (*CASES, foreign.name)}


def in_german(folder):
    """Write a short case in German and in the style of a house."""
    case = sealed.short_case(folder / "cases").rename(folder / "cases" / "german")
    text = (case / "case.toml").read_text()
    (case / "case.toml").write_text(f'language = "de"\nhouse = "../style"\n{text}')
    house = folder / "cases" / "style"
    house.mkdir()
    (house / "house.toml").write_text(
        'name = "Erfundene Werke"\nlogo = "logo.svg"\ncolour = "blue"\nfont = "works.ttf"\n'
        '[[section]]\ntitle = "Arbeitskarte"\nfile = "card.html"\n'
    )
    (house / "card.html").write_text(
        "<h2>Schritte</h2><p>Zwei <em>Personen</em><br/>zeichnen.</p><ol><li>Eins</li></ol>"
        "<dl><dt>Wer</dt><dd>Zwei</dd></dl><table><caption>Karte</caption><thead><tr><th>Nr</th>"
        "<th>Wer</th></tr></thead><tbody><tr><th>1</th><td>Schlosser</td></tr></tbody></table>"
    )
    shutil.copy(FONT_FOLDER / "DejaVuSansMono.ttf", house / "works.ttf")
    (house / "logo.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 20" width="60" height="20">'
        '<circle cx="10" cy="10" r="8" fill="#0072b2"/></svg>'
    )
    return case


ASSUMED = [
    *("--scatter", "4 %", "--margin", "10 %", "--share", "50 %", "--criterion-flow", "1 L/min"),
    *("--scatter", "B2=1 K", "--margin", "B2=3 K", "--yes"),
]


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """A test request, in another language than the dossiers."""
    case = tmp_path_factory.mktemp("requests") / CASES[0]
    case.mkdir()
    shutil.copy(INPUTS / CASES[0] / "application.toml", case)
    done = run("request", case, *ASSUMED, "--language", "de")
    assert done.returncode == 0, done.stderr
    return case / "request" / "test-request.pdf"


@pytest.fixture(scope="module")
def note(dossiers, tmp_path_factory):
    """The note of a verification of the first dossier."""
    path = tmp_path_factory.mktemp("note") / "note.pdf"
    run("verify", dossiers[CASES[0]], "--note", path)
    assert path.exists()
    return path


@pytest.fixture(scope="module")
def choice(tmp_path_factory):
    """Two demo cases side by side."""
    cases = [INPUTS / CASES[0], INPUTS / f"{CASES[0]}-fine"]
    return write_choice(cases, tmp_path_factory.mktemp("choice")).pdf


@pytest.fixture(scope="module")
def letters(dossiers, tmp_path_factory):
    """Letters on a recall that names all dossiers."""
    folder, out = tmp_path_factory.mktemp("recall"), tmp_path_factory.mktemp("letters")
    for name in (CASES[0], CASES[2]):
        shutil.copy(dossiers[name], folder / f"{name}.pdf")
    run("recall", folder, "instrument:FM-04", "--reason", "It was found to read low.", "--out", out)
    return out / "letters.pdf"


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A PDF that claims nothing: the control that must not pass."""
    from weasyprint import HTML

    path = tmp_path_factory.mktemp("plain") / "plain.pdf"
    HTML(string="<p>plain</p>").write_pdf(path)
    return path


@pytest.fixture(scope="module")
def unmarked(note, tmp_path_factory):
    """A note whose PDF/UA mark alone is wrong: the finer control."""
    path = tmp_path_factory.mktemp("unmarked") / "unmarked.pdf"
    command = [
        "qpdf",
        "--stream-data=uncompress",
        "--newline-before-endstream",
        str(note),
        str(path),
    ]
    subprocess.run(command, check=True)
    content = path.read_bytes()
    mark = b"<pdfuaid:part>1</pdfuaid:part>"
    assert content.count(mark) == 1
    path.write_bytes(content.replace(mark, mark.replace(b"1", b"7")))
    return path


@pytest.fixture(scope="module")
def results(dossiers, asked, note, choice, letters, plain, unmarked):
    if engine.class_path() is None and MUST_RUN not in os.environ:
        pytest.skip(f"the veraPDF engine is not installed: {engine.INSTALL}")
    made = [*dossiers.values(), asked, note, choice, letters]
    return engine.validate([*made, plain, unmarked], FLAVOURS)


@pytest.mark.conformance
@pytest.mark.parametrize("flavour", FLAVOURS)
@pytest.mark.parametrize("case", [*CASES, "german"])
def test_every_demo_dossier_and_a_sealed_one_is_archival_and_accessible_at_once(
    results, dossiers, case, flavour
):
    found = results[dossiers[case], flavour]
    assert found.compliant, found.faults
    assert found.assertions > 20_000


@pytest.mark.conformance
@pytest.mark.parametrize("flavour", FLAVOURS)
def test_a_test_request_is_archival_and_accessible(results, asked, flavour):
    found = results[asked, flavour]
    assert found.compliant, found.faults
    assert found.assertions > 10_000


@pytest.mark.conformance
@pytest.mark.parametrize("flavour", FLAVOURS)
@pytest.mark.parametrize("made", ["note", "letters"])
def test_what_is_said_of_dossiers_is_archival_and_accessible(results, request, made, flavour):
    found = results[request.getfixturevalue(made), flavour]
    assert found.compliant, found.faults
    assert found.assertions > 1_000


@pytest.mark.conformance
@pytest.mark.parametrize("flavour", FLAVOURS)
def test_a_choice_is_archival_and_accessible(results, choice, flavour):
    assert results[choice, flavour].compliant, results[choice, flavour].faults
    assert results[choice, flavour].assertions > 10_000


@pytest.mark.conformance
@pytest.mark.parametrize("flavour", FLAVOURS)
def test_a_plain_pdf_is_told_from_a_conforming_one(results, plain, flavour):
    assert not results[plain, flavour].compliant
    assert results[plain, flavour].faults


@pytest.mark.conformance
def test_one_wrong_mark_is_seen_by_the_standard_it_belongs_to(results, unmarked):
    assert results[unmarked, "3a"].compliant
    assert not results[unmarked, "ua1"].compliant
    assert [fault.split(" ")[0] for fault in results[unmarked, "ua1"].faults] == ["5-2"]


def sound(path):
    done = subprocess.run(
        ["qpdf", "--check", str(path)], capture_output=True, text=True, check=False
    )
    return done.returncode == 0 and "No syntax or stream encoding errors found" in done.stdout


@pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf is not installed")
def test_the_structure_of_the_file_is_sound(dossiers, tmp_path):
    for path in dossiers.values():
        assert sound(path), path
    broken = tmp_path / "broken.pdf"
    broken.write_bytes(dossiers[CASES[0]].read_bytes()[:-2000])
    assert not sound(broken)


@pytest.mark.parametrize("case", CASES)
def test_attachments_are_the_input_files_byte_for_byte(dossiers, case):
    reader = PdfReader(BytesIO(dossiers[case].read_bytes()))
    attached = {each.name: each.content for each in reader.attachment_list}
    files = [path for path in (INPUTS / case).rglob("*") if path.is_file()]
    wanted = {path.relative_to(INPUTS).as_posix(): path.read_bytes() for path in files}
    written = dossiers[case].with_suffix(".json").read_bytes()
    assert attached.pop("decision.json") == written
    manifest = attached.pop("manifest.json")
    assert hashlib.sha256(written).hexdigest().encode() in manifest
    assert attached == wanted
    assert len(attached) >= 3


@pytest.mark.parametrize("case", CASES)
def test_demo_cases_come_signed_off_and_recompute_byte_by_byte(dossiers, case):
    found = dossier.verify(dossiers[case], pages=False)
    assert found.failures == ()
    assert found.recomputed.identical
    assert found.standing == found.decision  # of one that is not signed it is a draft
    assert not [a for a in found.answers if a.binding and a.word not in ("yes", "does not apply")]


NO_FONTS = """<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><cachedir>{cache}</cachedir></fontconfig>
"""


def test_a_machine_without_fonts_makes_the_same_bytes(tmp_path):
    case = sealed.short_case(tmp_path / "inputs")
    config = tmp_path / "fonts.conf"
    config.write_text(NO_FONTS.format(cache=tmp_path / "cache"))
    bare = {"FONTCONFIG_FILE": str(config)}
    if shutil.which("fc-list"):
        listed = subprocess.run(
            ["fc-list"], capture_output=True, text=True, env=os.environ | bare, check=False
        )
        assert listed.stdout == ""
    build(case, tmp_path / "out", **bare)
    here = dossier.build(case, tmp_path / "here").pdf
    assert pdf_in(tmp_path / "out").read_bytes() == here.read_bytes()


HIDE_PANGO = '''
"""Run at start-up: Pango cannot be loaded, as on a machine that lacks it."""
import cffi

real = cffi.FFI.dlopen


def dlopen(self, name, *flags):
    if "pango" in str(name):
        raise OSError(f"cannot load library {name!r}: {name}: cannot open shared object file: "
                      "No such file or directory.  Additionally, ctypes.util.find_library() did "
                      f"not manage to locate a library called {name!r}")
    return real(self, name, *flags)


cffi.FFI.dlopen = dlopen
'''


def test_a_machine_without_pango_gets_one_message_with_the_packages(tmp_path):
    (tmp_path / "sitecustomize.py").write_text(HIDE_PANGO)
    path = os.pathsep.join([str(tmp_path), *sys.path])
    case = sealed.short_case(tmp_path / "inputs")
    done = build(case, tmp_path / "out", expect=(2,), PYTHONPATH=path)
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    for package in ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0"):
        assert package in line
    assert "apt-get install" in line
    assert not (tmp_path / "out").exists()
