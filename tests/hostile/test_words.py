"""Script, markup, formulas and escape sequences in every text a person may write: inert."""

import csv
import io
import json
import re
import shutil
import socket
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader

from dossier import build
from dossier.command.cli import main
from dossier.make.outcome import explained
from dossier.register.letters import register_page
from dossier.register.listing import csv_text, json_text
from dossier.register.register import Wanted
from dossier.words.terminal_safe import shown, shown_json
from tests.archive.made import dossier, find, put, update
from tests.archive.sealed import run, short_case, sign_all

INPUTS = Path(__file__).parents[2] / "inputs"
ATTACK = "<script>a()</script><img src=http://x.invalid/ onerror=b()>&lt;{{7*7}}{%x%}$_{$](url)"
FREE = (
    "title", "owner", "notes", "purpose", "description", "maker", "part_number", "accreditation",
    "certificate", "name", "text", "source", "ingression_dust", "replaces",
    "changes",
)  # fmt: skip
HARM = ("/JS", "/JavaScript", "/Launch", "/URI", "/OpenAction", "/AA", "/RichMedia", "/SubmitForm")


def attacked(target):
    """Return a short case with the attack at the end of every text, and signed so."""
    folder = short_case(target / "inputs")
    for name in ("case.toml", "application.toml"):
        path = folder / name
        text = path.read_text()
        text = re.sub(rf'(?m)^({"|".join(FREE)}) = "([^"]*)"', rf'\1 = "\2 {_safe()}"', text)
        text = re.sub(r'(?m)^(equipment|lots) = \["', rf"\g<0>{_safe()} ", text)
        path.write_text(text)
    for path in (folder / "records").iterdir():
        path.write_text(f"# {ATTACK}\n{path.read_text()}")
    names = [f"{role} {ATTACK}" for role in ("One", "Two", "Three")]
    sign_all(folder, names)
    return folder


def _safe():
    return ATTACK.replace("\\", "\\\\")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    target = tmp_path_factory.mktemp("words")
    return build(attacked(target), target / "out")


def test_script_and_markup_are_words_on_the_page(made):
    reader = PdfReader(made.pdf)
    text = "".join(page.extract_text() for page in reader.pages)
    bare = "".join(text.split())
    assert bare.count("<script>a()</script><imgsrc=http://x.invalid/onerror=b()>&lt;{{7*7}}") > 30
    assert "49" not in bare[bare.index("<script>") :][:200]


def test_nothing_in_the_pdf_acts_or_leads_outside(made):
    reader = PdfReader(made.pdf)
    seen = set()
    for number in range(1, reader.trailer["/Size"]):
        each = reader.get_object(number)
        if isinstance(each, dict):
            seen |= set(each) | {str(v) for v in each.values() if str(v).startswith("/")}
    assert not seen & set(HARM)
    assert "/EmbeddedFiles" in reader.trailer["/Root"]["/Names"]


def test_the_dossier_of_an_attacker_verifies_like_any_other(made):
    ran = run("verify", made.pdf, "--quick")
    assert ran.returncode == 3  # not sealed
    assert "decision.json is identical" in ran.stdout
    assert "<script>" in ran.stdout


def test_the_register_shows_the_words_as_words(made):
    folder = made.pdf.parent
    outcome = update(folder)
    hits = find(folder, Wanted(superseded=True))
    page = register_page(outcome, hits, prefix="")
    assert "<script>a()" not in page
    assert "&lt;script&gt;a()" in page
    assert ATTACK in json.loads(json_text(outcome, hits))["dossiers"][0]["title"]


FORMULAS = (
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1",
    "  =1",
    "x;=1+1",
    "x\t=1",
    "＝1+1",
    "|cmd",
    "%0a=1",
)


def test_no_cell_of_the_register_is_a_formula(tmp_path):
    for number, text in enumerate(FORMULAS):
        put(tmp_path, f"{number}.pdf", dossier(f"N-{number}", title=text, candidate=text))
    put(tmp_path, "=1+1.pdf", dossier("N-X", equipment=["=HYPERLINK(1)"]))
    update(tmp_path)
    text = csv_text(find(tmp_path, Wanted()))
    assert "\t" not in text
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            for part in re.split(r"[;\t]", cell):
                assert not part.strip().startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")), (
                    cell
                )


ESCAPES = (
    "\x1b[2J", "\x1b]0;owned\x07", "\x1b]8;;http://x.invalid\x1b\\x", "\x9b31m", "\x07", "\x08\x08",
    "\r", "\x7f", "\u202eabc", "\u2066", "\x85", "\u2028", "\ud800",
)  # fmt: skip


@pytest.mark.parametrize("text", ESCAPES)
def test_no_word_steers_the_terminal(text):
    line = shown(f"a{text}b\nc\td")
    assert line.replace("\u202f", " ").isprintable()
    assert line.startswith("a")
    assert line.endswith("b c d")
    code, lines = explained(FileNotFoundError(2, "not there", f"x{text}"), debug=False)
    assert code == 2
    assert all(each.isprintable() for each in lines)


@pytest.fixture
def called(monkeypatch, capsys):
    """Run the command line in this process; return its exit code and all that it printed."""

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["dossier", *map(str, arguments)])
        monkeypatch.setenv("DOSSIER_PASSPHRASE", "a phrase for tests only")
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code, said.out + said.err

    return call


def test_names_of_files_and_folders_do_not_steer_the_terminal(tmp_path, called):
    evil = tmp_path / "a\x1b]0;owned\x07\x1b[2Jb\u202e.pdf"
    evil.write_bytes(b"x")
    folder = tmp_path / "case\x1b[2J"
    folder.mkdir()
    for arguments in (
        ("verify", evil), ("compare", evil, evil), ("check", folder), ("build", folder),
        ("build", folder, evil), ("register", tmp_path), ("check", evil),
        ("seal", evil, "--role", "x", "--key", evil),
        ("sign", folder, "--role", "\x1b[2J", "--name", "x"),
    ):  # fmt: skip
        code, said = called(*arguments)
        assert code != 70, said
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", said)


def test_a_foreign_dossier_does_not_steer_the_terminal(tmp_path, called):
    bad = "x\x1b[2J\x1b]0;owned\x07\x9b1m\u202e"
    one = put(tmp_path, "a.pdf", dossier("A", title=bad, candidate=bad, decision="approved"))
    put(tmp_path, "b.pdf", dossier("B", 1, equipment=[bad], reference=bad, replaces=bad))
    for arguments in (
        ("verify", one), ("verify", one, "--json"), ("compare", one, tmp_path / "b.pdf"),
        ("compare", one, tmp_path / "b.pdf", "--json"), ("register", tmp_path),
        ("register", tmp_path, "--csv"), ("register", tmp_path, "--json"),
    ):  # fmt: skip
        code, said = called(*arguments)
        assert code != 70, said
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", said.replace("\r\n", "")), arguments


def test_build_verify_register_and_compare_open_no_connection(
    made, laid_out_anew, tmp_path, monkeypatch
):
    from dossier import verify
    from dossier.record.dossier_file import read_dossier

    def forbidden(*_, **__):
        raise AssertionError("a socket was opened")

    for name in ("socket", "create_connection", "getaddrinfo", "gethostbyname"):
        monkeypatch.setattr(socket, name, forbidden)
    house = tmp_path / "house"
    house.mkdir()
    (house / "house.toml").write_text('name = "Invented works"\n')
    again = build(short_case(tmp_path / "inputs"), tmp_path, house=house)
    assert again.pdf.read_bytes().startswith(b"%PDF-")
    verify(made.pdf, pages=True)
    assert read_dossier(made.pdf).faults == ()
    update(made.pdf.parent)


@pytest.mark.parametrize("text", [*ESCAPES, "\u200b", "\ufeff", "\u00ad", "\U000e0041", "\u2069"])
def test_json_says_the_same_and_holds_nothing_that_turns_or_hides(text):
    document = json.dumps({"title": f"a{text}é\u00a0漢b", "n": 1.5}, indent=2, ensure_ascii=False)
    printed = shown_json(document)
    assert json.loads(printed) == json.loads(document)
    assert "é\u00a0漢b" in printed
    assert all(each.isprintable() or each in "\n\u00a0" for each in printed)


def test_check_prints_json_that_turns_nothing(tmp_path, called):
    folder = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "polder-pumps"))
    text = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(
        text.replace('title = "', 'title = "\u202edevorppa\u2069 ', 1)
    )
    code, said = called("check", folder, "--json")
    assert code == 0
    assert "\\u202edevorppa\\u2069" in said
    assert "\u202e" not in said
