"""Asking the register: filters, what decisions rest on, supersession, CSV and JSON."""

import csv
import io
import json
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier.decision.rules import Decision, Verdict
from dossier.record.document import DecisionWord, VerdictWord
from dossier.record.rests import _lots
from dossier.register.listing import COLUMNS, _short, because_text, csv_text, json_text
from dossier.register.register import Wanted, parse_rest
from dossier.register.row import Row, settled
from tests.archive.made import application, case_toml, dossier, find, finding, put, update


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dossiers")
    put(folder, "a.pdf", dossier("A", candidate="CAN-77", issued="2025-01-10"))
    put(folder, "b0.pdf", dossier("B", issued="2025-02-10", equipment=["Ferry 4", "Winch"]))
    put(folder, "b1.pdf", dossier("B", 1, decision="not approved", issued="2026-02-10"))
    put(folder, "c.pdf", dossier("C", signed=False, review_due="2027-01-01", reference="CAN-77"))
    put(folder, "d.pdf", dossier("D", decision="undecided", review_due="2028-01-01"))
    lab = case_toml(("APC-3",), ("25-400",), "ISO 4548-12:2000")
    put(folder, "e.pdf", dossier("E", inputs={"case.toml": lab}, review_due="2028-01-02"))
    put(folder, "f.pdf", dossier("F", signed=False, inputs={"case.toml": b"["}))
    update(folder)
    return folder


def names(folder, **wanted):
    return [hit.row.name for hit in find(folder, Wanted(**wanted))]


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ({}, ["A r0", "B r1", "C r0", "D r0", "E r0", "F r0"]),
        ({"superseded": True}, ["A r0", "B r0", "B r1", "C r0", "D r0", "E r0", "F r0"]),
        ({"decision": "approved"}, ["A r0", "E r0"]),
        ({"decision": "approved", "superseded": True}, ["A r0", "E r0"]),
        ({"decision": "Superseded: was  approved", "superseded": True}, ["B r0"]),
        ({"decision": "draft: would be approved"}, ["C r0", "F r0"]),
        ({"decision": "undecided"}, ["D r0"]),
        ({"standing": "draft"}, ["C r0", "F r0"]),
        ({"standing": "signed off", "decision": "not approved"}, ["B r1"]),
        ({"filter": "can-77"}, ["A r0", "C r0"]),
        ({"filter": "%"}, []),
        ({"equipment": "FERRY", "superseded": True}, ["B r0"]),
        ({"equipment": "ferry 4; winch", "superseded": True}, []),
        ({"issued_from": date(2026, 3, 1)}, ["C r0", "D r0", "E r0", "F r0"]),
        ({"issued_until": date(2026, 2, 10)}, ["A r0", "B r1"]),
        ({"issued_from": date(2026, 2, 10), "issued_until": date(2026, 2, 10)}, ["B r1"]),
        ({"review_due_by": date(2027, 12, 31)}, ["C r0"]),
        ({"review_due_by": date(2028, 1, 1)}, ["C r0", "D r0"]),
    ],
)
def test_filters(folder, wanted, expected):
    assert names(folder, **wanted) == expected


OTHERS = ["A r0", "B r1", "C r0", "D r0"]


@pytest.mark.parametrize(
    "wanted",
    [{"decision": "' OR 1=1 --"}, {"decision": "draft: would be aproved"}, {"standing": "drafts"}],
)
def test_a_word_that_no_dossier_reads_as_is_refused(wanted):
    with pytest.raises(ValueError, match="is none of: "):
        Wanted(**wanted)


@pytest.mark.parametrize(
    ("rest", "expected"),
    [
        ("instrument:APC-21", OTHERS),
        ("instrument: apc-3", ["E r0"]),
        ("instrument:APC", []),
        ("instrument:BAL-99", [*OTHERS, "E r0"]),
        ("certificate:ITH-26-0120", [*OTHERS, "E r0"]),
        ("lot:25-311", OTHERS),
        ("lot:lot 25-400", ["E r0"]),
        ("laboratory:ITH", [*OTHERS, "E r0"]),
        ("laboratory:invented test  house", [*OTHERS, "E r0"]),
        ("standard:ISO 4548-12", [*OTHERS, "E r0"]),
        ("standard:ISO 4548-12:2017", OTHERS),
        ("standard:ISO 4548-1", [*OTHERS, "E r0"]),
        ("standard:ISO 4548-1:2017", []),
        ("standard:ISO/IEC 17025", [*OTHERS, "E r0"]),
        ("requirement:E1", [*OTHERS, "E r0", "F r0"]),
        ("source:Spec PE-07", [*OTHERS, "E r0", "F r0"]),
        ("fluid:test oil", [*OTHERS, "E r0"]),
        ("fluid:SAE 15W-40, mineral", [*OTHERS, "E r0"]),
        ("specimen:C1", [*OTHERS, "E r0"]),
        ("record:MP-1", [*OTHERS, "E r0"]),
    ],
)
def test_what_decisions_rest_on(folder, rest, expected):
    found = names(folder, resting_on=(parse_rest(rest),))
    # F cannot be searched, so it is always among those to look at.
    assert found == sorted({*expected, "F r0"})


def test_the_answer_says_which_requirements_are_concerned(folder):
    hits = {h.row.name: h for h in find(folder, Wanted(resting_on=(("instrument", "APC-21"),)))}
    assert because_text(hits["A r0"]) == "instrument APC-21 (E1)"
    assert "case.toml cannot be read" in because_text(hits["F r0"])
    hits = {h.row.name: h for h in find(folder, Wanted(resting_on=(("instrument", "DP-11"),)))}
    assert because_text(hits["A r0"]) == "instrument DP-11 (listed, no finding uses it)"


def test_all_of_several_must_be_rested_on(folder):
    both = (("instrument", "APC-3"), ("lot", "25-400"))
    assert names(folder, resting_on=both) == ["E r0", "F r0"]
    assert names(folder, resting_on=(*both, ("instrument", "APC-21"))) == ["F r0"]


def test_the_reference_of_a_relative_requirement_counts(tmp_path):
    case = case_toml() + b'[reference]\nlots = ["24-118"]\n'
    relative = finding("C2", reference={"per_specimen": [{"record": "MP-9"}]})
    relative["limit"] = {"min": None, "max": None, "not_worse_than_reference": 0.05}
    put(tmp_path, "a.pdf", dossier(inputs={"case.toml": case}, findings=[finding(), relative]))
    update(tmp_path)
    (hit,) = find(tmp_path, Wanted(resting_on=(("lot", "24-118"),)))
    assert because_text(hit) == "lot 24-118 (C2)"


@pytest.mark.parametrize("text", ["APC-21", "colour:red", "instrument:", "instrument: "])
def test_what_cannot_be_asked_for_is_refused(text):
    with pytest.raises(ValueError, match="kinds: instrument"):
        parse_rest(text)


@pytest.mark.parametrize(
    "case",
    [
        b"record = 3", b"record = [1, 2]", b"[record]\nid = 3", b'[[record]]\ninstruments = "x"',
        b"candidate = 1", b'[candidate]\nlots = "one"', b"[[candidate]]", b"application = 5",
        b"application = '../../etc/passwd'", b"a = " + b"[" * 5000, b"\xff",
        b"[[instrument]]\nid = [1]", b"signoff = 3",
    ],
)  # fmt: skip
def test_a_strange_case_file_does_no_harm(tmp_path, case):
    put(tmp_path, "a.pdf", dossier(inputs={"case.toml": case}))
    assert update(tmp_path).unreadable == ()
    (hit,) = find(tmp_path, Wanted())
    assert hit.row.decision == "draft: would be approved"
    assert any(rest.kind == "requirement" for rest in hit.rests)


def test_the_words_are_those_of_the_decision_room():
    assert set(get_args(DecisionWord)) == {word.value for word in Decision}
    assert set(get_args(VerdictWord)) == {word.value for word in Verdict}


# Supersession, on rows alone.


def row(number="A", revision=0, standing="signed off", replaces="", sha256=None):
    return Row(
        sha256=sha256 or f"{number}{revision}{standing}", size=1, content="",
        file=f"{number}{revision}.pdf", number=number, revision=revision, title="",
        candidate="", reference="", application="",
        application_revision="", equipment="", issued="", review_due="",
        valid_until="", signed_on="", replaces=replaces,
        found="approved", standing=standing, remark="", unread="",
    )  # fmt: skip


def settle(*rows):
    return [each.superseded_by for each in settled(rows, lambda one, other: False)]


def test_the_latest_revision_that_stands_is_current():
    assert settle(row(), row(revision=2), row(revision=1)) == ["A r2", "", "A r2"]


def test_a_draft_takes_the_place_of_drafts_only():
    assert settle(row(), row(revision=1, standing="draft")) == ["", ""]
    assert settle(row(standing="draft"), row(revision=1, standing="draft")) == ["A r1", ""]
    assert settle(row(standing="draft"), row(revision=1)) == ["A r1", ""]
    assert settle(row(standing="draft"), row()) == ["A r0 (signed off, A0.pdf)", ""]


def test_what_is_not_intact_takes_no_place_and_stays_in_sight():
    assert settle(row(), row(revision=1, standing="not intact")) == ["", ""]
    assert settle(row(standing="not intact"), row(revision=1)) == ["", ""]


@pytest.mark.parametrize(
    ("replaces", "taken"),
    [
        ("LFQ-1", [True, True]),
        ("LFQ-1, revision 0", [True, False]),
        ("LFQ-1 r0 (older oil).", [True, False]),
        ("LFQ-1-r0", [True, False]),
        ("dossier LFQ-1-r1.", [True, True]),
        ("LFQ-10", [False, False]),
        ("", [False, False]),
    ],
)
def test_what_a_dossier_says_it_replaces_is_superseded(replaces, taken):
    old = row("LFQ-1", 0, sha256="x"), row("LFQ-1", 1, "draft", sha256="y")
    new = row("LFQ-2", replaces=replaces)
    assert [each == "LFQ-2 r0" for each in settle(*old, new)[:2]] == taken


def test_a_draft_or_one_that_is_not_intact_replaces_nothing_that_stands():
    for standing in ("draft", "not intact"):
        assert settle(row("A"), row("B", standing=standing, replaces="A")) == ["", ""]


ROWS = st.lists(
    st.builds(
        row,
        number=st.sampled_from("AB"),
        revision=st.integers(0, 2),
        standing=st.sampled_from(["signed off", "draft", "not intact"]),
        replaces=st.sampled_from(["", "A", "B r1", "A and B"]),
        sha256=st.uuids().map(str),
    ),
    max_size=6,
)


@given(ROWS, st.randoms())
def test_what_reads_as_approved_is_alone_of_its_number_and_stands(rows, random):
    result = settled(rows, lambda one, other: False)
    approved = [each for each in result if each.decision == "approved"]
    assert len({each.number for each in approved}) == len(approved)
    assert all(each.standing == "signed off" and each.current for each in approved)
    for each in approved:
        later = [r for r in rows if r.number == each.number and r.revision > each.revision]
        assert not any(r.standing == "signed off" for r in later)
    shuffled = list(rows)
    random.shuffle(shuffled)
    again = settled(shuffled, lambda one, other: False)
    assert {r.sha256: r.decision for r in again} == {r.sha256: r.decision for r in result}


# CSV and JSON.


def test_csv_holds_every_dossier(folder):
    read = list(csv.DictReader(io.StringIO(csv_text(find(folder, Wanted(superseded=True))))))
    assert list(read[0]) == [*COLUMNS, "rests_on"]
    decisions = {(each["number"], each["revision"]): each["decision"] for each in read}
    assert len(decisions) == 7
    assert decisions["B", "0"] == "superseded: was approved"
    assert decisions["C", "0"] == "draft: would be approved"
    assert [each["number"] for each in read if each["decision"] == "approved"] == ["A", "E"]


def test_json_holds_head_events_and_what_decisions_rest_on(folder):
    outcome = update(folder)
    read = json.loads(json_text(outcome, find(folder, Wanted(filter="CAN-77"))))
    assert (read["head"], read["links"], read["whole"]) == (outcome.head, 7, True)
    first, second = read["dossiers"]
    assert (first["number"], first["decision"], first["current"]) == ("A", "approved", True)
    assert (second["decision"], second["review_due"]) == ("draft: would be approved", "2027-01-01")
    wanted = {"kind": "instrument", "value": "APC-21", "requirements": ["E1"]}
    wanted |= {"records": ["MP-1"], "first": "2026-02-16", "last": "2026-02-16"}
    assert wanted in first["rests_on"]


HOSTILE = st.text(
    st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from('=+-@",;\t\r\n\x1b\u202e')),
    max_size=12,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(title=HOSTILE, candidate=HOSTILE, place=HOSTILE)
def test_hostile_text_stays_text_in_csv_and_json(tmp_path_factory, title, candidate, place):
    folder = tmp_path_factory.mktemp("hostile")
    put(folder, "a.pdf", dossier(title=title, candidate=candidate, equipment=[place]))
    outcome = update(folder)
    hits = find(folder, Wanted())
    table = list(csv.reader(io.StringIO(csv_text(hits), newline="")))
    assert [len(line) for line in table] == [len(COLUMNS) + 1] * 2
    assert not [cell for cell in table[1] if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    assert "\x1b" not in csv_text(hits)
    assert "\u202e" not in csv_text(hits)
    assert json.loads(json_text(outcome, hits))["dossiers"][0]["title"] == (title or None)


def test_the_application_may_lie_beside_the_case(tmp_path):
    from tests.archive.made import document, files, pdf

    given = files(document(), inputs={
        "case.toml": case_toml().replace(b'"application.toml"', b'"../shared/main.toml"'),
        "../shared/main.toml": application(document()),
    })  # fmt: skip
    assert "case/../shared/main.toml" in given
    renamed = {name.replace("case/../", ""): content for name, content in given.items()}
    for name in ("decision.json", "manifest.json"):
        renamed[name] = renamed[name].replace(b"case/../shared", b"shared")
    put(tmp_path, "a.pdf", pdf(renamed))
    update(tmp_path)
    (hit,) = find(tmp_path, Wanted(resting_on=(("fluid", "SAE 15W-40, mineral"),)))
    assert hit.row.unread == ""


def test_a_digest_is_shown_by_its_first_letters_or_is_absent():
    assert _short("0123456789abcdef" * 4) == "0123456789abcdef…"
    assert _short(None) == "absent"


@pytest.mark.parametrize(
    ("what", "lots"), [(["medium"], ["new"]), (["test method"], ["old", "new"])]
)
def test_lots_from_before_a_change_of_the_filter_are_not_approved(what, lots):
    case = {"candidate": {"lots": ["old", "new"]}, "change": {"what": what}}
    earlier = SimpleNamespace(case=SimpleNamespace(lots_of=lambda side: ("old",)), gone=())
    decided = SimpleNamespace(findings=())
    stated = SimpleNamespace(case=case, decision=decided, carried=(earlier,))
    assert [name for kind, name, *_ in _lots(stated, case) if kind == "approved lot"] == lots


def remarks(*rows):
    return [each.remark for each in settled(rows, lambda one, other: False)]


def no(number="A", revision=0, **how):
    return replace(row(number, revision), found="not approved", **how)


def test_an_approval_says_whose_refusal_it_took_the_place_of():
    words = "but A r0, whose place it took, reads: not approved"
    assert remarks(no(), row(revision=1)) == ["", words]
    assert remarks(no(), row(revision=1), row(revision=2)) == ["", "", words]
    # by another number, and whoever took the place of that one since
    assert remarks(no(), row("B", replaces="A"), row("B", 1)) == ["", "", words]
    fallen = row(standing="recalled")
    assert remarks(fallen, row(revision=1))[1].endswith("reads: recalled: was approved")
    for before, after in (
        (row(), row(revision=1)), (no(), no(revision=1)), (no(), row(revision=1, standing="draft")),
        (replace(no(), standing="draft"), row(revision=1)), (row(standing="expired"), row("A", 1)),
    ):  # fmt: skip
        assert remarks(before, after) == ["", ""]
    assert remarks(no(replaces="B"), row("B", replaces="A")) == ["", ""]  # in a circle
    unproven = replace(no(revision=1), standing="not proven")
    words = "but A r1, of that number, reads: not proven: would be not approved"
    assert remarks(row(), unproven) == [words, ""]


def test_an_approval_says_who_refused_its_filter_for_one_of_its_machines():
    here = {"candidate": "CAN-1", "equipment": "Pump 1; Pump 2"}
    fleet = replace(row("B"), **here)
    other = {"candidate": "can\u2011 1", "equipment": "Pump 3; PUMP  2"}
    words = "but A r0, of that filter for such a machine, reads: not approved"
    assert remarks(no(**other), fleet) == ["", words]
    undecided = replace(no(**here), found="undecided")
    assert remarks(undecided, fleet)[1].endswith("reads: undecided")
    assert remarks(undecided, fleet)[1].count("A r0") == 1
    for elsewhere in ({"candidate": "CAN-2"}, {"equipment": "Pump 4"}, {"equipment": ""}):
        assert remarks(no(**here | elsewhere), fleet) == ["", ""]
    forged = replace(no(**here), standing="not intact")
    assert remarks(forged, fleet)[1].endswith("reads: not intact: would be not approved")
    assert remarks(replace(no(**here), standing="draft"), fleet) == ["", ""]
    many = [no(f"A{n}", **here) for n in range(7)]
    assert remarks(*many, fleet)[-1].endswith("A4 r0, of that filter for such a machine, reads: "
                                              "not approved; and 2 more")  # fmt: skip
