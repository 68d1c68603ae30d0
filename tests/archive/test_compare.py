"""What differs between two dossiers: known edits, one at a time, and what is made of them."""

import hashlib
import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dossier.case.attached import open_pdf
from dossier.command.cli import app
from dossier.record.dossier_file import dossier_in, dossier_of, read_dossier
from dossier.register.compare import Resulted, _value, comparison_json, comparison_of
from dossier.register.listing import _value_cells
from tests.archive.made import case_toml, document, dossier, files, finding, put

WIDE = {"COLUMNS": "200"}


def side(doc=None, *, signed=True, name="case", inputs=None):
    return dossier_of(files(doc or document(), signed=signed, name=name, inputs=inputs), name)


def changes(items):
    return {each.what: (each.before, each.after) for each in items}


def test_the_same_is_the_same_whatever_its_folder_is_called():
    comparison = comparison_of(side(), side(name="copy"))
    assert comparison.same
    parts = (comparison.verdicts, comparison.requirements, comparison.values, comparison.inputs)
    assert not any((*parts, comparison.rest, comparison.remarks))


def test_a_verdict_that_flips_names_the_limit_that_moved():
    after = finding(verdict="fail", limit={"min": 99.0, "max": None})
    comparison = comparison_of(
        side(), side(document(decision="not approved", findings=[after]), signed=False)
    )
    assert comparison.decisions == ("approved", "draft: would be not approved")
    (flip,) = comparison.verdicts
    assert (flip.requirement, flip.before, flip.after) == ("E1", "pass", "fail")
    assert flip.because == ("requirement changed: min 95 % → 99 %",)
    assert changes(comparison.requirements[0].changes) == {"min": ("95 %", "99 %")}
    assert comparison.values == ()


def test_a_value_that_moves_names_the_record_that_changed():
    inputs = {"records/mp-1.csv": b"size,up,down\n20,100,9\n"}
    findings = [finding(value=91.0, u=0.5, verdict="fail"), finding("P1", value=30.0, records=[],
                per_specimen=[])]  # fmt: skip
    before = document(findings=[finding(), finding("P1", value=30.0, records=[], per_specimen=[])])
    comparison = comparison_of(side(before), side(document(findings=findings), inputs=inputs))
    (value,) = comparison.values
    assert (value.before, value.after) == (
        Resulted(98.5, 0.07, "%"),
        Resulted(91.0, 0.5, "%"),
    )
    assert value.difference == pytest.approx(-7.5)
    assert value.because == ("records/mp-1.csv changed",)
    assert [(each.what, each.moved) for each in comparison.inputs] == [
        ("records/mp-1.csv", ("E1",))
    ]
    assert [each.what for each in comparison.inputs] == ["records/mp-1.csv"]


def decided(kind="mean", value=98.5, accept_min=95.2, **other):
    return {"kind": kind, "value": value, "accept_min": accept_min} | other


def test_an_acceptance_limit_that_moves_is_told_but_is_no_result_that_moved():
    inputs = {"records/mp-1.csv": b"size,up,down\n20,100,9\n"}
    before, after = (
        document(findings=[finding(deciding=decided(accept_min=accept))]) for accept in (95.2, 95.4)
    )
    comparison = comparison_of(side(before), side(after, inputs=inputs))
    (value,) = comparison.values
    assert (value.before.deciding.accept_min, value.after.deciding.accept_min) == (95.2, 95.4)
    assert not value.moved
    assert [each.moved for each in comparison.inputs] == [()]


def test_verdicts_that_turned_stand_first_and_those_that_no_longer_pass_before_them():
    old = [finding("E1"), finding("E2", verdict="fail"), finding("E3")]
    new = [finding("E1", value=98.0), finding("E2", value=98.1), finding("E3", verdict="fail")]
    comparison = comparison_of(side(document(findings=old)), side(document(findings=new)))
    assert [each.requirement for each in comparison.verdicts] == ["E3", "E2"]
    assert [each.requirement for each in comparison.values] == ["E2", "E1"]


@pytest.mark.parametrize(
    ("deciding", "told"),
    [
        (decided(), "97.000 % (u 0.070), mean; accepted from 95.20 %"),
        (decided("worst specimen", 95.1996, specimen="C2"),
         "95.1996 %, worst: C2; mean 97.000 % (u 0.070); accepted from 95.20 %"),
        (decided("tolerance bound", 96.0, None),
         "96.00 %, bound of the type; mean 97.000 % (u 0.070)"),
        (decided("worst specimen", 96.0, specimen="C1", bound="larger than"),
         "> 96.00 %, worst: C1"),
        (decided("count", 0.368, specimens=3, failures=0),
         "0 failures in 3, at least 36.8 % of the type"),
        (decided(accept_min=None, accept_max=99.0), "accepted up to 99.00 %"),
        (decided(accept_max=99.0), "accepted 95.20 to 99.00 %"),
    ],
)  # fmt: skip
def test_a_comparison_says_what_decides_in_the_words_of_page_one(deciding, told):
    comparison = comparison_of(
        side(), side(document(findings=[finding(value=97.0, deciding=deciding)]))
    )
    said = _value_cells(comparison.values[0])[3].replace("\u00a0", " ").replace("\u202f", " ")
    assert told in said


def test_a_comparison_ends_with_how_to_repeat_it(tmp_path):
    a, b = (put(tmp_path, name, dossier()) for name in ("a.pdf", "b b.pdf"))
    last = command("compare", str(a), str(b)).output.splitlines()[-3:]
    digest = hashlib.sha256(a.read_bytes()).hexdigest()
    assert last[:2] == [f"{side}: PDF, SHA-256 {digest}" for side in "AB"]
    assert last[2].endswith(f"dossier compare {a} '{b}'")


def test_a_changed_unit_gives_no_difference():
    comparison = comparison_of(side(), side(document(findings=[finding(value=0.985, unit="1")])))
    (value,) = comparison.values
    assert value.difference is None


def test_requirements_that_came_and_went():
    old = document(findings=[finding("E1"), finding("E2")])
    new = document(findings=[finding("E1"), finding("E3", verdict="not demonstrated", value=None)])
    comparison = comparison_of(side(old), side(new))
    kinds = {each.requirement: each.kind for each in comparison.requirements}
    assert kinds == {"E2": "removed", "E3": "added"}
    verdicts = {each.requirement: (each.before, each.after) for each in comparison.verdicts}
    assert verdicts == {"E2": ("pass", None), "E3": (None, "not demonstrated")}
    assert not comparison.same


def test_the_limit_of_a_relative_requirement_is_a_result_not_a_question():
    relative = {"min": 34.0, "max": None, "not_worse_than_reference": 0.05}
    moved = relative | {"min": 35.0}
    comparison = comparison_of(
        side(document(findings=[finding(limit=relative)])),
        side(document(findings=[finding(limit=moved)])),
    )
    assert comparison.requirements == ()
    stricter = comparison_of(
        side(document(findings=[finding(limit=relative)])),
        side(document(findings=[finding(limit=relative | {"not_worse_than_reference": 0.01})])),
    )
    assert changes(stricter.requirements[0].changes) == {
        "not worse than reference by": ("5 %", "1 %")
    }


def test_head_rule_seed_and_versions_are_compared():
    new = document("LFQ-1", 1, candidate="CAN-2", equipment=["Pump 1", "Pump 2"])
    new |= {"seed": 2, "versions": {"dossier": "0.2.0"}}
    new["decision_rule"] = new["decision_rule"] | {"confidence": 0.9}
    assert changes(comparison_of(side(), side(new)).rest) == {
        "revision": ("0", "1"),
        "candidate": ("CAN-1", "CAN-2"),
        "equipment": ("Pump 1", "Pump 1; Pump 2"),
        "decision rule": (
            "guard_band, confidence 95 %, agreed 2026-01-19",
            "guard_band, confidence 90 %, agreed 2026-01-19",
        ),
        "seed": ("1", "2"),
        "version of dossier": ("0.1.0", "0.2.0"),
    }


def test_signed_off_and_draft_do_not_read_the_same():
    assert not comparison_of(side(), side(signed=False)).same


VERDICTS = st.sampled_from(["pass", "fail", "not demonstrated"])
FINDINGS = st.dictionaries(
    st.sampled_from(["E1", "E2", "E3"]),
    st.builds(lambda v, x: {"verdict": v, "value": x}, VERDICTS, st.floats(0, 100)),
)


@given(FINDINGS, FINDINGS)
def test_comparing_the_other_way_round_gives_the_same_turned_round(old, new):
    a, b = (
        side(document(findings=[finding(k, **v) for k, v in each.items()]), signed=False)
        for each in (old, new)
    )
    there, back = comparison_of(a, b), comparison_of(b, a)
    assert {(v.requirement, v.before, v.after) for v in there.verdicts} == {
        (v.requirement, v.after, v.before) for v in back.verdicts
    }
    assert {(v.requirement, v.before, v.after) for v in there.values} == {
        (v.requirement, v.after, v.before) for v in back.values
    }
    differ = {k for k in old.keys() | new.keys()
              if old.get(k, {}).get("verdict") != new.get(k, {}).get("verdict")}  # fmt: skip
    assert {v.requirement for v in there.verdicts} == differ
    assert there.decisions == back.decisions[::-1]  # one that contradicts itself reads otherwise
    assert there.same == back.same == (not differ and len({*there.decisions}) == 1)


def test_json_holds_the_same_facts(tmp_path):
    a = put(tmp_path, "a.pdf", dossier())
    b = put(tmp_path, "b.pdf", dossier(findings=[finding(verdict="fail", value=90.0)]))
    comparison = comparison_of(read_dossier(a), read_dossier(b))
    read = json.loads(comparison_json(comparison, ("a.pdf", "b.pdf")))
    proof = hashlib.sha256(a.read_bytes()).hexdigest()
    assert read["a"] == {
        "file": "a.pdf", "dossier": "LFQ-1 r0", "sha256": proof, "decision": "approved",
    }  # fmt: skip
    assert read["verdicts"] == [{"requirement": "E1", "a": "pass", "b": "fail", "because": []}]
    assert read["values"][0]["a"] == {"value": 98.5, "u": 0.07, "unit": "%", "deciding": None}
    assert read["values"][0]["difference"] == pytest.approx(-8.5)
    assert read["same"] is False


@pytest.mark.parametrize(
    ("other", "code", "told"),
    [
        (dossier(), 0, "decision and verdicts are the same"),
        (dossier(findings=[finding(value=98.4)]), 0, "98.400"),
        (dossier(findings=[finding(verdict="fail")]), 1, "decision or verdicts differ"),
        (dossier(findings=[finding(value=1e300, u=1e-300)]), 0, "1e+300"),
        (b"no PDF", 2, "not a PDF"),
        (None, 2, "No such file"),
    ],
)
def test_the_command_prints_and_ends_with_the_code(tmp_path, other, code, told, monkeypatch):
    a = put(tmp_path, "a.pdf", dossier())
    b = tmp_path / "b.pdf"
    if other is not None:
        put(tmp_path, "b.pdf", other)
    ran = command("compare", str(a), str(b))
    assert ran.exit_code == code
    assert told in ran.output


def command(*arguments):
    """Run the command line as `main` does, with its one boundary for errors."""
    from types import SimpleNamespace

    from dossier.make.outcome import explained

    ran = CliRunner().invoke(app, list(arguments), env=WIDE)
    if ran.exception is not None and not isinstance(ran.exception, SystemExit):
        code, lines = explained(ran.exception, debug=False)
        return SimpleNamespace(exit_code=code, output="\n".join(lines))
    return ran


def test_hostile_text_cannot_steer_the_terminal(tmp_path):
    text = "\x1b[2Jred\u202e\n[bold]x[/bold]"
    a = put(tmp_path, "a.pdf", dossier(title=text, candidate=text))
    b = put(tmp_path, "b.pdf", dossier(findings=[finding(text, text=text)]))
    for arguments in (("compare", str(a), str(b)), ("register", str(tmp_path))):
        output = command(*arguments).output
        assert "\x1b" not in output
        assert "\u202e" not in output
    assert "[bold]x[/bold]" in command("compare", str(a), str(b)).output


def test_a_case_folder_is_assessed_and_compared(tmp_path):
    """The demo case against itself with one limit moved beyond its result."""
    import shutil
    from pathlib import Path

    demo = Path(__file__).parents[2] / "inputs" / "polder-pumps"
    for name in ("before", "after"):
        shutil.copytree(demo, tmp_path / name)
        (tmp_path / name / "signoff.toml").unlink(missing_ok=True)
    path = tmp_path / "after" / "application.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count('max = "32 kPa"') == 1
    for old, new in (
        ('max = "32 kPa"', 'max = "2 kPa"'),
        ('revision = "B"', 'revision = "C"'),
        ("issued = 2026-01-19", "issued = 2026-03-20"),
    ):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    ran = command("compare", str(tmp_path / "before"), str(tmp_path / "after"), "--json")
    assert ran.exit_code == 1
    read = json.loads(ran.output)
    (flip,) = read["verdicts"]
    assert (flip["requirement"], flip["a"], flip["b"]) == ("P1", "pass", "fail")
    assert "requirement changed: max 32 kPa → 2 kPa" in flip["because"]
    assert read["b"]["decision"] == "draft: would be not approved"
    assert [each["what"] for each in read["inputs"]] == ["application.toml"]
    other = {each["what"]: (each["a"], each["b"]) for each in read["other"]}
    assert other["application . requirement 'P1' . max"] == ("32 kPa", "2 kPa")
    assert other["requirements on file"][0] == "since 2026-01-21"
    assert "requirement 'P1' . max: 32 kPa → 2 kPa" in other["requirements on file"][1]


def test_a_case_with_problems_is_not_compared(tmp_path):
    put(tmp_path, "case/case.toml", case_toml())
    ran = command("compare", str(tmp_path / "case"), str(tmp_path / "case"))
    assert ran.exit_code == 2
    assert "problem" in ran.output


def test_each_field_of_the_application_that_differs_is_named():
    """Between two dossiers, and on each side since it was asked."""
    change = {"field": "oil . description", "before": "thick", "after": "thin"}

    def asked(description, since, changes):
        doc = document()
        on_file = {"since": since, "first_test": "2026-02-04", "changes": changes}
        doc["application"] |= {"on_file": on_file}
        text = f'title = "Main circuit"\n[oil]\ndescription = "{description}"\n'
        return side(doc, inputs={"application.toml": text.encode()})

    before, after = asked("thick", "2026-01-21", []), asked("thin", "2026-03-01", [change])
    assert changes(comparison_of(before, after).rest) == {
        "application . oil . description": ("thick", "thin"),
        "requirements on file": (
            "since 2026-01-21",
            "since 2026-03-01, after the first test on 2026-02-04; oil . description: thick → thin",
        ),
    }


def test_sentences_in_another_language_are_no_other_requirement():
    doc, turned = document(), document()
    turned["findings"][0]["at"] = "80 L/min (Wechselintervall)"
    turned["conditions"] = [{"kind": "concession", "subject": "E1", "text": "Sonderfreigabe"}]
    doc["conditions"] = [{"kind": "concession", "subject": "E1", "text": "Concession"}]
    german = {"case.toml": b'language = "de"\n' + case_toml()}
    found = comparison_of(side(doc), side(turned, inputs=german))
    assert found.requirements == ()
    assert "conditions" not in changes(found.rest)
    assert comparison_of(side(doc), side(turned)).requirements


def test_a_file_that_is_carried_over_is_there():
    before, content = dossier("A"), files(document())
    decided = json.loads(content["decision.json"])
    del decided["inputs"]["case/records/mp-1.csv"]
    content["decision.json"] = json.dumps(decided).encode()
    bare = dossier_of(content, "case")
    source = SimpleNamespace(content=before, records={"MP-1"})
    own = dossier_in(open_pdf(before))
    assert changes(comparison_of(own, bare).inputs)["records/mp-1.csv"][1] is None
    assert comparison_of(own, replace(bare, carried=(source,))).inputs == ()


def test_what_one_side_lacks_did_not_move():
    (row,) = side().decision.findings
    moved = row.model_copy(update={"value": 97.0})
    assert _value("E1", (row, None), ()) is None
    assert _value("E1", (None, row), ()) is None
    assert _value("E1", (row, row), ()) is None
    assert _value("E1", (row, moved), ()).difference == pytest.approx(97.0 - 98.5)


@pytest.mark.parametrize(
    ("value", "chance", "beyond"),
    [(0.0, 0.97, False), (0.5, 0.97, False), (0.51, 0.97, True), (0.0, 0.94, True),
     (None, 0.97, True)],
)  # fmt: skip
def test_a_pass_that_its_own_numbers_deny_is_seen(value, chance, beyond):
    (row,) = side().decision.findings
    limit = row.limit.model_copy(update={"min": None, "max": 0.5})
    told = row.model_copy(update={"value": value, "limit": limit, "probability_conforming": chance})
    rule = SimpleNamespace(kind="guard_band", confidence=0.95)
    assert told.passes_beyond(rule) is beyond
    assert told.model_copy(update={"verdict": "fail"}).passes_beyond(rule) is False
