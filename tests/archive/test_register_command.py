"""The register on the command line: what it prints and how it ends."""

import csv
import io
import json

import pytest
from typer.testing import CliRunner

from dossier.command.cli import app
from tests.archive.made import dossier, put


def command(*arguments):
    return CliRunner().invoke(app, ["register", *map(str, arguments)], env={"COLUMNS": "200"})


@pytest.fixture
def folder(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    put(tmp_path, "b.pdf", dossier("B", signed=False))
    put(tmp_path, "n.pdf", b"no")
    return tmp_path


def test_it_lists_prints_the_head_and_names_what_is_no_dossier(folder):
    ran = command(folder)
    assert ran.exit_code == 0
    assert "B r0     draft: would be approved" in ran.stdout
    assert "2 of 2 dossiers" in ran.stdout.splitlines()
    assert "not a dossier: n.pdf: not a PDF" in ran.stderr
    assert len(ran.stdout.split("head: ")[1].split(",")[0]) == 64


def test_a_removed_dossier_ends_with_3(folder):
    command(folder)
    (folder / "a.pdf").unlink()
    ran = command(folder)
    assert ran.exit_code == 3
    assert "missing: A r0" in ran.stderr


def test_a_head_kept_elsewhere_is_found_in_the_chain_or_not(folder):
    head = json.loads(command(folder, "--json").stdout)["head"]
    put(folder, "c.pdf", dossier("C"))
    assert command(folder, "--head", head).exit_code == 0
    ran = command(folder, "--head", "0" * 64)
    assert ran.exit_code == 3
    assert "does not pass through this head" in ran.stderr


def test_what_a_dossier_rests_on_is_said_where_it_is_asked_for(folder):
    words = "A r0: rests on instrument APC-21 (E1)"
    ran = command(folder, "--resting-on", "instrument:APC-21")
    assert words in ran.stdout
    assert "no dossier of this folder" not in ran.stderr
    ran = command(folder, "--resting-on", "instrument:APC-22")
    assert "(did you mean instrument:APC-21?)" in ran.stderr
    assert "rests on" not in command(folder).stdout


def test_csv_and_json_alone_stand_on_standard_output(folder):
    ran = command(folder, "--csv", "--decision", "approved")
    assert [each["number"] for each in csv.DictReader(io.StringIO(ran.stdout))] == ["A"]
    assert "head: " in ran.stderr
    read = json.loads(command(folder, "--json", "--resting-on", "instrument:APC-21").stdout)
    assert [each["number"] for each in read["dossiers"]] == ["A", "B"]
    assert read["not_dossiers"] == [{"file": "n.pdf", "reason": "not a PDF"}]


def test_the_page_holds_the_whole_register_and_leads_to_the_files(folder, tmp_path):
    page = tmp_path / "pages" / "register.html"
    page.parent.mkdir()
    assert command(folder, "--decision", "undecided", "--html", page).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert 'href="./../a.pdf"' in text
    assert 'href="./../b.pdf"' in text


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--resting-on", "APC-21"], "is not KIND:VALUE"),
        (["--issued-from", "soon"], "is no day"),
    ],
)
def test_a_wrong_call_ends_with_2(folder, arguments, told):
    ran = command(folder, *arguments)
    assert ran.exit_code == 2
    assert told in ran.output
    assert command(folder / "nowhere").exit_code == 2
