"""A PDF from anyone: names that would leave the folder, bombs, bad JSON, another case's files."""

import json
import zlib
from types import SimpleNamespace

import pytest
from pydantic import TypeAdapter, ValidationError

from dossier import verify
from dossier.case.attached import (
    MAX_ATTACHED,
    MAX_FILES,
    MAX_PDF,
    NotADossierError,
    open_pdf,
    read_pdf,
)
from dossier.make.decide import MOST_MOVED, differences, what_moved
from dossier.make.recompute import _made_with, words_differ
from dossier.record.document import ManifestDocument, Real
from dossier.record.dossier_file import safe_name, unpack
from tests.archive import sealed
from tests.hostile.bombs import sparse


@pytest.mark.parametrize(
    "name",
    [
        "../evil", "/etc/evil", "a/../../evil", "a//b", "a/./b", "C:\\evil", "a\\b", "a/b\0c",
        "a/" + "x" * 300, "", ".", "a", "a/b/c/d/e/f/g/h/i", "a/ b", "a/b\n", "a/\u202ecba",
        "a/b:c",
    ],
)  # fmt: skip
def test_names_that_are_no_plain_path_are_refused(name, tmp_path):
    assert not safe_name(name)
    with pytest.raises(NotADossierError, match="no plain path"):
        unpack({name: b"x"}, tmp_path / "in")
    assert not list(tmp_path.rglob("*evil*"))


@pytest.mark.parametrize(("parts", "safe"), [(1, False), (2, True), (8, True), (9, False)])
def test_a_name_has_two_to_eight_parts(parts, safe):
    assert safe_name("/".join("abcdefghi"[:parts])) is safe


def test_plain_names_are_unpacked_each_once(tmp_path):
    unpack({"case/records/µ 1.csv": b"x", "decision.json": b"y"}, tmp_path)
    assert (tmp_path / "case/records/µ 1.csv").read_bytes() == b"x"
    assert not (tmp_path / "decision.json").exists()
    with pytest.raises(NotADossierError, match="cannot be unpacked"):
        unpack({"case/a": b"x", "case/a/b": b"y"}, tmp_path)


def decided(data, content):
    """Return an unsealed dossier with another decision.json, packed."""
    body = zlib.compress(content, 9)
    return sealed.attached_anew(data, {"decision.json": body}, b"/Filter /FlateDecode")


def test_an_attachment_that_unpacks_to_more_than_it_may_is_refused(dossier):
    with pytest.raises(NotADossierError, match="cannot be read"):
        open_pdf(decided(dossier.unsigned, b"0" * (MAX_ATTACHED + 1)))
    inside = decided(dossier.unsigned, b"0" * 2**20)
    assert len(open_pdf(inside).files["decision.json"]) == 2**20


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{", b'{"schema": "dossier decision 1.0"}', b"[" * 100_000, b"\xff\xfe", b"NaN"],
)
def test_a_decision_that_is_none_makes_no_dossier(body, dossier, tmp_path):
    path = tmp_path / "x.pdf"
    path.write_bytes(decided(dossier.unsigned, body))
    with pytest.raises(NotADossierError):
        verify(path)


@pytest.mark.parametrize("content", [b"", b"%PDF-1.7", b"%PDF-1.7\n%%EOF", b"hello" * 1000])
def test_other_files_are_no_dossier(content, tmp_path):
    path = tmp_path / "x.pdf"
    path.write_bytes(content)
    with pytest.raises(NotADossierError):
        verify(path)


def test_a_cut_off_dossier_is_none(dossier, tmp_path):
    path = tmp_path / "x.pdf"
    for size in range(1000, len(dossier.data), len(dossier.data) // 7):
        path.write_bytes(dossier.data[:size])
        try:
            found = verify(path, trust=dossier.trust, pages=False)
        except NotADossierError:
            continue
        assert not found.verified


def test_differences_name_the_place_and_leave_versions_out():
    then = {"versions": {"a": 1}, "findings": [{"requirement": "E1", "value": 1.0}], "seed": 1}
    now = {"versions": {"a": 2}, "findings": [{"requirement": "E1", "value": 1.5}], "seed": 1}
    assert differences(then, now) == ("findings.E1.value: 1.0 became 1.5",)
    assert differences(then, {**then, "versions": {}}) == ()
    assert differences({"x": [1]}, {"x": [1, 2]}) == ("x: [1] became [1, 2]",)
    assert len(differences({str(k): 0 for k in range(99)}, {})) == 13


def test_what_moved_is_told_by_kind_and_what_weighs_most_is_not_cut_off():
    many = [{"text": f"caution {k}", "name": str(k)} for k in range(20)]
    then = {"cautions": many, "standing": "approved", "findings": [{"verdict": "pass", "u": 1}]}
    other = [{**each, "text": "x"} for each in many]
    worse = [{"verdict": "fail", "u": 2}]
    moved = differences(then, {**then, "cautions": other, "findings": worse})
    assert moved[0].startswith("findings.0.u: ")
    assert moved[-1] == "and more"
    assert what_moved(moved) == "numbers, verdicts, cautions moved"
    assert what_moved(moved[2:]) == "cautions moved, no number"
    fewer = {**then, "cautions": many[1:], "standing": "draft"}
    assert what_moved(differences(then, fewer)) == "cautions, sign-offs moved, no number"
    assert what_moved(()) == "no number moved"


@pytest.mark.parametrize(("number", "more"), [(1, ""), (20, ""), (21, " and more")])
def test_twenty_of_the_pages_that_differ_are_named(number, more, monkeypatch):
    monkeypatch.setattr("dossier.make.recompute._texts", lambda pages: [*pages])
    then, now = b"a" * 30, b"b" * number + b"a" * (30 - number)
    named = ", ".join(map(str, range(1, min(number, 20) + 1)))
    s = "s" if number > 1 else ""
    assert words_differ(then, now) == f"words differ on page{s} {named}{more} of 30"
    assert words_differ(then, then).endswith("the same on every page")
    assert words_differ(then, then[:-1]) == "words differ on page 30 of 30"


@pytest.mark.parametrize(("number", "more"), [(4, ""), (5, " and 1 more"), (9, " and 5 more")])
def test_four_of_the_versions_that_differ_are_named(number, more):
    from dossier.record.program import layout_versions, versions

    here = {**versions(), **layout_versions()}
    other = dict.fromkeys(sorted(here)[:number], "0.0")
    stated = ManifestDocument.model_construct(schema_="", case="x", files={}, versions=here | other)
    told = _made_with(stated, {}, None)
    assert told == "made with " + "; ".join(f"{k} 0.0, here {here[k]}" for k in [*other][:4]) + more
    assert _made_with(stated.model_copy(update={"versions": here}), {}, None) == ""


def test_another_version_is_told_and_moved_numbers_keep_it_from_being_verified(dossier, tmp_path):
    decision = json.loads(open_pdf(dossier.unsigned).files["decision.json"])
    decision["versions"]["dossier"] = "0.0.9"
    path = tmp_path / "older.pdf"
    body = (json.dumps(decision, sort_keys=True, indent=2, ensure_ascii=False) + "\n").encode()
    path.write_bytes(decided(dossier.unsigned, body))
    found = verify(path, pages=False)
    assert not found.recomputed.same_version
    assert any("made with another version (dossier 0.0.9" in line for line in found.remarks)
    assert any("no number moved" in line for line in found.remarks)
    decision["findings"][0]["value"] += 1
    body = (json.dumps(decision, sort_keys=True, indent=2, ensure_ascii=False) + "\n").encode()
    path.write_bytes(decided(dossier.unsigned, body))
    found = verify(path, pages=False)
    assert any("numbers moved: findings." in line for line in found.gaps)


@pytest.mark.parametrize(
    ("sizes", "held"),
    [
        ((MAX_PDF - 1, 1), True),
        ((MAX_PDF, 1), False),
        ((1,) * MAX_FILES, True),
        ((1,) * (MAX_FILES + 1), False),
    ],
)
def test_no_more_is_attached_than_a_dossier_may_hold(sizes, held, monkeypatch):
    """Zeros, which take no room until somebody looks at them."""
    attached = [SimpleNamespace(name=str(k), content=bytes(n)) for k, n in enumerate(sizes)]
    reader = SimpleNamespace(is_encrypted=False, attachment_list=attached)
    monkeypatch.setattr("pypdf.PdfReader", lambda *_, **__: reader)
    if held:
        assert len(open_pdf(b"%PDF-").files) == len(sizes)
    else:
        with pytest.raises(NotADossierError, match="more is attached than a dossier may hold"):
            open_pdf(b"%PDF-")


def test_differences_are_told_by_type_place_and_up_to_sixty_characters():
    assert differences({"a": {"versions": 1}}, {"a": {"versions": 2}}) == (
        "a.versions: 1 became 2",
    )
    assert differences({"a": 1, "b": 1, "c": None}, {"a": 1.0, "b": True}) == (
        "a: 1 became 1.0", "b: 1 became true",
    )  # fmt: skip
    assert differences({"a": [{"x": 1}, 2, [3]]}, {"a": [{"x": 0}, 1, [4]]}) == (
        "a.0.x: 1 became 0", "a.1: 2 became 1", "a.2.0: 3 became 4",
    )  # fmt: skip
    for one, other in (({}, 1), ([1], "x"), ([1], {"b": 1})):
        for then, now in ((one, other), (other, one)):
            (line,) = differences({"a": then}, {"a": now})
            assert line == f"a: {json.dumps(then)} became {json.dumps(now)}"
    assert differences({"a": "µ" * 58}, {"a": "x" * 59}) == (
        f'a: "{"µ" * 58}" became "{"x" * 59}…',
    )
    for number, more in ((MOST_MOVED, ()), (MOST_MOVED + 1, ("and more",))):
        lines = differences({f"{k:02}": 0 for k in range(number)}, {})
        assert lines[MOST_MOVED:] == more
        assert lines[MOST_MOVED - 1] == f"{MOST_MOVED - 1:02}: 0 became null"


def test_a_file_above_the_bound_of_a_dossier_is_not_read(tmp_path):
    """It takes no room on the disk, and none in memory."""
    with pytest.raises(NotADossierError, match="256 MiB"):
        read_pdf(sparse(tmp_path / "large.pdf", 2**28 + 1))


@pytest.mark.parametrize("text", ["1e999", "-1e999", "NaN", "Infinity", "-Infinity"])
def test_a_number_of_a_record_is_finite(text):
    """JSON has no others (RFC 8259, 6); 1e999 is one that no double holds."""
    with pytest.raises(ValidationError, match="finite number"):
        TypeAdapter(Real).validate_python(json.loads(text))
