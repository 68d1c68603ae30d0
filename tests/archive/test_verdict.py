"""What a verification says, by its facts alone: no file, no second decision."""

import hashlib
import os
import re
from datetime import date
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace

import pytest
from pypdf import PdfReader

from dossier.make import decide, outcome, recompute
from dossier.record.dossier_file import DossierFile
from dossier.verification import questions
from dossier.verification.questions import AuditAnswer
from dossier.verification.verification_text import (
    _advice,
    _reading,
    _repeat,
    fact_lines,
    note_pdf,
)
from dossier.verification.verify import Verification, _all_trusted
from dossier.words import speaking

SEAL = {
    "field": "signature-prepared", "role": "prepared", "signer": "A. One", "sound": True,
    "trusted": True, "distrust": "leads nowhere", "problem": "was changed", "test": False,
    "stamped": "2026-04-01", "level": "PAdES B-T", "revocation": "good", "key": "1",
    "claimed": "2026-04-01T00:00:00Z",
}  # fmt: skip
APPROVER = SEAL | {"field": "signature-approved", "role": "approved", "key": "2"}
AGAIN = {
    "made_with": {}, "here": {}, "same_version": True, "identical": True, "moved": (), "words": "",
    "house": "", "house_digest": "", "why_not": "", "pages": "identical",
}  # fmt: skip


def answered(word, *, binding=False):
    return AuditAnswer(question="Q?", word=word, detail="it is not", binding=binding)


def verified(**changes):
    """A sealed, trusted dossier that was decided again and came out the same, but for changes."""
    seal = SEAL | {name: changes.pop(name) for name in list(changes) if name in SEAL}
    again = AGAIN | {name: changes.pop(name) for name in list(changes) if name in AGAIN}
    signed = changes.pop("signed", ("A. One",))
    state = SimpleNamespace(
        complete=changes.pop("complete", True), missing=("prepared",),
        roles=changes.pop("roles", ("prepared", "approved")),
        until=None, ended=None,
        signed=[
            SimpleNamespace(name=n, role="prepared", date=date(2026, 4, 1), holds=True, note="")
            for n in signed
        ],
    )  # fmt: skip
    facts = {
        "seals": (SimpleNamespace(**seal), SimpleNamespace(**APPROVER)),
        "trust_given": True, "trust_house": (), "named": (),
        "signoff": state, "faults": (), "recomputed": SimpleNamespace(**again), "answers": (),
        "decision": "approved", "standing": "approved", "file": "d.pdf", "number": "N-1",
        "revision": 2, "sha256": "ab", "attached": 9, "day": date(2026, 4, 2), "carried": (),
        "recalled": "", "recall_leaves": "", "beside": "", "beside_why": "", "language": "en",
    }  # fmt: skip
    made = object.__new__(Verification)
    for name, value in (facts | changes).items():
        object.__setattr__(made, name, value)
    return made


@pytest.fixture(autouse=True)
def no_mismatches(monkeypatch):
    monkeypatch.setattr("dossier.verification.verify.mismatches", lambda *_: ())


def test_a_sound_one_is_verified():
    assert verified().verdict == "verified"
    assert (verified().failures, verified().gaps, verified().remarks) == ((), (), ())


def test_one_is_as_good_as_those_that_it_carries_evidence_from():
    below = verified(file="below.pdf", seals=(), test=True)
    assert verified(carried=(verified(file="below.pdf"),)).verdict == "verified"
    found = verified(carried=(below,))
    assert found.verdict == "not proven"
    assert found.gaps[0].startswith("below.pdf: no digital signature")
    found = verified(carried=(verified(file="a.pdf", carried=(verified(sound=False),)),))
    assert found.verdict == "failed"
    assert found.failures == ("a.pdf: d.pdf: signature-prepared: was changed",)
    assert "TEST identities" in verified(carried=(verified(test=True),)).verdict


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sound": False}, "signature-prepared: was changed"),
        ({"trusted": False}, "the certificate of 'A. One' leads nowhere"),
        ({"faults": ("a contradiction",)}, "a contradiction"),
        ({"standing": "not approved"}, "stands as 'not approved', which its sign-offs"),
        ({"complete": False}, "stands as 'approved', which its sign-offs"),
        ({"why_not": "no case"}, "cannot be decided again from what is attached: no case"),
        ({"identical": False}, "decision.json differs: its form"),
        ({"identical": False, "moved": ("x", "y")}, "decision.json differs: x; y"),
        ({"pages": "different", "words": "on page 1"}, "attached data give: on page 1"),
        ({"answers": (answered("no", binding=True),)}, "Q? no: it is not"),
    ],
)
def test_what_contradicts_it_fails_it(changes, words):
    found = verified(**changes)
    assert found.verdict == "failed"
    assert any(words in line for line in found.failures), found.failures


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"seals": ()}, "no digital signature"),
        ({"recalled": "recall 1 (lot:7): falls"}, "recall 1 (lot:7): falls"),
        ({"trust_given": False}, "no certificate to trust was given"),
        ({"trust_given": False, "trusted": False}, "no certificate to trust was given"),
        ({"named": ("released",)}, "the role 'released', which this dossier does not have"),
        ({"complete": False, "standing": "draft"}, "draft: prepared is missing or void"),
        ({"field": "signature-checked"}, "nobody has sealed it as prepared"),
        ({"made_with": {"a": "1"}, "same_version": False, "moved": ("x",)}, "numbers moved: x"),
        (
            {"made_with": {"a": "1"}, "same_version": False, "moved": ("cautions.4.text: a",)},
            "cautions moved, no number: cautions",
        ),
        (
            {
                "made_with": {"a": "1"},
                "same_version": False,
                "moved": ("findings.E1.components.0.source: a", "findings.E1.u: 1"),
            },
            "numbers, sentences moved: f",
        ),
        ({"house": "h", "house_digest": "0" * 64}, "words of the house"),
        ({"pages": "not rebuilt: no Pango"}, "the pages were not rebuilt: no Pango"),
        ({"pages": "made with zlib 1", "words": "same"}, "(made with zlib 1): same"),
        ({"revocation": "not known"}, "no list given tells whether its certificate was revoked"),
    ],
)
def test_what_is_left_open_keeps_it_from_being_verified(changes, words):
    found = verified(**changes)
    assert found.verdict == "not proven"
    assert any(words in line for line in found.gaps), found.gaps


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"made_with": {"a": "1"}, "here": {"a": "2"}, "same_version": False},
         "made with another version (a 1, here 2); no number moved"),
        ({"test": True}, "signature-prepared: a test identity, which proves nothing"),
        ({"stamped": ""}, "no trusted time-stamp proves it"),
        ({"revocation": "not consulted"}, "was not consulted: no list given"),
        ({"revocation": "not listed"}, "whether one covers it is not known"),
        ({"recalled": "stands without it", "recall_leaves": "approved"}, "stands without it"),
        ({"signed": ("A. One", "a  one.")}, "one person may have signed off in more than one role"),
        ({"answers": (answered("no"),)}, "Q? no: it is not"),
    ],
)  # fmt: skip
def test_what_a_reader_should_know_is_said_and_changes_nothing(changes, words):
    found = verified(**changes)
    assert found.verified
    assert len(found.remarks) == 1
    assert words in found.remarks[0]


@pytest.mark.parametrize(
    ("changes", "reading", "word", "told"),
    [
        ({}, "approved", "verified", "Filters may be fitted"),
        ({"seals": ()}, "approved", "not proven", "Do not rely on it yet"),
        ({"decision": "not approved", "standing": "not approved"}, "not approved", "verified",
         "it is no approval"),
        ({"faults": ("a",)}, "nothing, as it failed; of itself it says: approved", "failed",
         "Fit no filter by this file"),
        ({"recalled": "recall 1: falls", "recall_leaves": "falls"}, "recalled: was approved",
         "failed", "Fit no further filter"),
        ({"recalled": "recall 1: not decided again"}, "recalled: was approved", "not proven",
         "Fit no further filter"),
        ({"recalled": "recall 1 cannot be read", "recall_leaves": "not known"},
         "not known: would be approved", "not proven", "Do not rely on it yet"),
        ({"recalled": "recall 1", "recall_leaves": "approved with conditions"},
         "approved with conditions", "verified", "under the conditions"),
        ({"beside": "superseded: was approved", "beside_why": "superseded by N-1 r3"},
         "superseded: was approved", "not proven", "Fit no further filter"),
        ({"beside": "superseded: was approved", "recalled": "r", "recall_leaves": "falls"},
         "superseded: was approved", "failed", "Fit no further filter"),
        ({"faults": ("a",), "recalled": "r", "recall_leaves": "falls"},
         "nothing, as it failed; of itself it says: approved", "failed",
         "Fit no filter by this file"),
    ],
)  # fmt: skip
def test_what_undoes_an_approval_is_how_it_reads(changes, reading, word, told):
    found = verified(**changes)
    assert (found.reads, found.verdict) == (reading, word)
    assert told in _advice(found)
    with speaking("de"):
        assert not re.search("approved|superseded|recalled|failed", _reading(found))


def test_that_one_person_alone_signs_off_is_said():
    (words,) = verified(roles=("prepared",)).remarks
    assert words.startswith("its case asks for one sign-off alone")


@pytest.mark.parametrize("answer", [answered("yes"), answered("yes", binding=True)])
def test_a_yes_is_nothing_to_say(answer):
    assert verified(answers=(answer,)).remarks == ()
    assert verified(answers=(answer,)).verified


def test_a_trusted_house_is_no_gap():
    digest = "a" * 64
    assert verified(house="h", house_digest=digest, trust_house=(digest,)).verified


def test_the_facts_of_a_sound_one_are_said_in_order():
    assert [
        *fact_lines(
            verified(answers=[answered(word) for word in ("yes", "open", "does not apply")])
        )
    ] == [
        "d.pdf: N-1 revision 2, sha256 ab",
        "reads on 2026-04-02, the day of judgement: approved",
        "says of itself: decision approved, standing approved",
        "signature-prepared: A. One, stamped 2026-04-01: PAdES B-T, whole, trusted",
        "signature-approved: A. One, stamped 2026-04-01: PAdES B-T, whole, trusted",
        "sign-off prepared: A. One, 2026-04-01: holds",
        "attachments: 9, all as in the manifest",
        "decided again: decision.json is identical",
        "pages: identical",
        "auditor's questions: 3, 1 yes, 1 open, 1 does not apply",
        "remark: Q? open: it is not",
    ]


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"sound": False}, "signature-prepared: A. One, stamped 2026-04-01: broken"),
        ({"trusted": False, "stamped": ""}, "signature-prepared: A. One, says "
         "2026-04-01T00:00:00Z: PAdES B-T, whole, not trusted"),
        ({"stamped": "", "claimed": "", "signer": ""}, "signature-prepared: unread, says no time: "
         "PAdES B-T, whole, trusted"),
        ({"faults": ("a", "b")}, "attachments: 9, 2 contradictions"),
        ({"why_not": "no case"}, "decided again: no: no case"),
        ({"identical": False, "moved": ("x",)}, "decided again: numbers moved"),
        ({"identical": False}, "decided again: no number moved, versions differ"),
        ({"pages": "different", "words": "on page 1"}, "pages: different; on page 1"),
        ({"house": "h", "house_digest": "cd"}, "house: h, sha256 cd"),
        ({"faults": ("a",)}, "failed: a"),
        ({"seals": ()}, "not proven: no digital signature: nobody can tell who made this file, or "
         "changed it"),
    ],
)  # fmt: skip
def test_each_fact_that_is_otherwise_is_said(changes, line):
    assert line in [*fact_lines(verified(**changes))]


def test_the_note_names_every_question_and_how_to_repeat_the_verification(tmp_path):
    trusted = tmp_path / "authority.pem"
    trusted.write_bytes(b"a certificate")
    every = re.findall(r'later\("(.+\?)"\)', Path(questions.__file__).read_text(encoding="utf-8"))
    assert len(every) == 18
    asked = tuple(AuditAnswer(question=each, word="yes") for each in every)
    given = [("--trust-person", f"checked={trusted}"), ("--quick", "")]
    found = verified(answers=(*asked[1:], answered("no", binding=True)))
    pdf = PdfReader(BytesIO(note_pdf(found, date(2026, 4, 2), given)))
    sizes: set[float] = set()
    text = pdf.pages[0].extract_text(
        visitor_text=lambda words, outer, inner, _, size: (
            words.strip() and sizes.add(round(size * abs(inner[0] * outer[0]), 2))
        )
    )
    said = " ".join(text.split())
    assert all(each.question in said for each in found.answers)
    assert f"{len(asked) - 1} yes, 1 no" in said
    assert "reads as of 2026-04-02: nothing, as it failed" in said
    assert "What to do now. Fit no filter by this file" in said
    assert "Q? no it is not" in said
    assert "--quick--at2026-04-02" in said.replace(" ", "")  # wherever its lines break
    assert hashlib.sha256(b"a certificate").hexdigest() in said
    assert len(pdf.pages) == 1
    assert min(sizes) >= 8


def test_the_files_that_a_command_names_are_known_by_their_bytes(tmp_path):
    given = []
    for name, before in (("a.pem", ""), ("b.pem", "checked=")):
        (tmp_path / name).write_bytes(name.encode())
        flag = "--trust-person" if before else "--trust"
        given.append((flag, f"{before}{tmp_path / name}"))
    told = dict(_repeat(verified(), date(2026, 4, 2), given))
    for name in ("a.pem", "b.pem"):
        assert told[f"SHA-256 of {name}"] == hashlib.sha256(name.encode()).hexdigest()


def test_only_where_every_seal_is_whole_and_of_trusted_people_is_a_file_no_strangers():
    def seals(*pairs):
        return [SimpleNamespace(sound=sound, trusted=trusted) for sound, trusted in pairs]

    good, strange, broken = (True, True), (True, False), (False, True)
    assert _all_trusted(seals(good))
    assert _all_trusted(seals(good, good))
    for lacking in ((), (strange,), (broken,), (good, strange), (broken, good), (strange, strange)):
        assert not _all_trusted(seals(*lacking))


def test_of_a_file_without_seals_it_is_said_once():
    (gap,) = [gap for gap in verified(seals=()).gaps if "signature" in gap or "sealed" in gap]
    assert gap.startswith("no digital signature")


@pytest.mark.parametrize(
    ("then", "now", "lines"),
    [
        ({"a": 1}, {"a": 1}, []),
        ({"a": 1}, {"a": True}, ["a: 1 became true"]),
        ({"a": 1.0}, {"a": 1}, ["a: 1.0 became 1"]),
        ({"a": [{"requirement": "E1", "u": 1}]}, {"a": [{"requirement": "E1", "u": 2}]},
         ["a.E1.u: 1 became 2"]),
        ({"a": [1, 2]}, {"a": [1]}, ["a: [1, 2] became [1]"]),
        ({"a": "x" * 57 + "1"}, {"a": "x" * 57 + "2"},
         [f'a: "{"x" * 57}1" became "{"x" * 57}2"']),
        ({"a": "x" * 58 + "1"}, {"a": "x" * 58 + "2"},
         [f'a: …{"x" * 20}1" became …{"x" * 20}2"']),
        ({"a": "x" * 70 + " one"}, {"a": "x" * 70 + " two"},
         [f"a: …{'x' * 19} one\" became …{'x' * 19} two\""]),
    ],
)  # fmt: skip
def test_what_moved_is_named_by_its_place(then, now, lines):
    assert [*decide._walk("", then, now)] == lines


@pytest.mark.parametrize(
    ("decision", "verdict", "turned"),
    [("approved", "pass", False), ("not approved", "pass", True), ("approved", "fail", True)],
)
def test_a_decision_turns_by_itself_or_by_a_verdict(decision, verdict, turned):
    stated = SimpleNamespace(
        decision=decision, findings=[SimpleNamespace(requirement="E1", verdict=verdict)]
    )
    found = SimpleNamespace(demand=SimpleNamespace(id="E1"), verdict=SimpleNamespace(value="pass"))
    now = SimpleNamespace(decision=SimpleNamespace(value="approved"), findings=[found])
    assert recompute._turned(stated, now) is turned


def test_pages_of_other_versions_are_no_other_pages(monkeypatch):
    again = SimpleNamespace(pages="different", words="words differ on page 2 of 3")
    monkeypatch.setattr(recompute, "recompute", lambda *_, **__: again)
    for name in ("dossier.make.recompute.dossier_in", "dossier.make.recompute.open_pdf"):
        monkeypatch.setattr(name, lambda content: content)
    assert recompute._pages(b"a") == again.words
    again.pages = "made with numpy 1.0, here is 2.0"
    assert recompute._pages(b"b") == ""


def test_exit_codes_are_those_of_the_readme():
    assert [outcome.decided(each) for each in ("approved", "approved with conditions")] == [0, 1]
    assert (outcome.WRONG_INPUT, outcome.OUR_BUG) == (2, os.EX_SOFTWARE)


def test_what_turns_by_itself_is_not_asked_what_it_is_without_a_record(monkeypatch):
    now = SimpleNamespace(decision=SimpleNamespace(value="approved"), findings=[])
    then = SimpleNamespace(
        case=object(), assessment=now, moved=("E1 moved",), same_version=False, why_not=""
    )
    monkeypatch.setattr(recompute, "decided_again", lambda *_, **__: then)
    dossier = SimpleNamespace(decision=SimpleNamespace(decision="not approved", findings=[]))
    found = recompute.without_records(dossier, (), "x", date(2026, 4, 2))
    assert (
        found.why_not == "its attachments do not give what it states: 'dossier verify' says where"
    )
    then.case, then.why_not = None, "its inputs are not read"
    assert recompute.without_records(dossier, (), "x", date(2026, 4, 2)).why_not == then.why_not


def test_applications_of_a_dossier_go_by_their_marks():
    def applied(case, application):
        stated = SimpleNamespace(case=case, application=application)
        return vars(DossierFile)["applied"].fget(stated)

    assert applied({"application": "a.toml"}, {"title": "A"}) == {"": {"title": "A"}}
    both = {"a": {"title": "A"}, "b": {"title": "B"}}
    assert applied({"applications": ["a.toml", "b.toml"]}, both) == both
    assert applied({"applications": ["a.toml", "b.toml"]}, None) == {}
