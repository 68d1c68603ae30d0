"""Recalls: which approvals rest on what was recalled, what is left of them, and who is told."""

import json
import re
import shutil
from dataclasses import dataclass, replace
from datetime import date
from types import SimpleNamespace

import icalendar
import pytest
from pypdf import PdfReader

from dossier.command.calls import recalls_at
from dossier.make import recompute
from dossier.make.outcome import Outcome, written
from dossier.make.read import decided_again
from dossier.record.dossier_file import BUILT, Saved
from dossier.record.recall import (
    CONDITIONAL,
    FALLS,
    STANDS,
    UNKNOWN,
    WHOLE,
    Recall,
    Recalled,
    RecallOutcome,
    Recalls,
    recalled_in,
    recalls_around,
    recalls_in,
)
from dossier.record.rests import Rest, _dossiers
from dossier.register import letters
from dossier.register.letters import (
    NOWHERE,
    Reply,
    _laid_out,
    blocks,
    letters_pdf,
    lines,
    recall_json,
    register_page,
    span,
)
from dossier.register.listing import calendar_text
from dossier.register.recall import (
    AGAIN,
    NO_APPROVAL,
    RecallError,
    Recalling,
    _decided,
    recall_evidence,
)
from dossier.register.register import Wanted, reading_beside, recalls_of
from dossier.register.register import find as found_in
from dossier.register.row import without
from dossier.seal.signature import make_identity
from dossier.system.confined import StoppedError
from dossier.verification.verify import verify
from tests.archive.made import TODAY, case_toml, finding, put, sha256, update
from tests.archive.made import dossier as made
from tests.archive.sealed import SECRET, run
from tests.archive.test_register_query import row

WHY = "The flow meter was found to read four percent low."
FIRST = date(2026, 2, 4)
"""Day of the first of the three sweeps of the built dossier, which are a day apart."""


def rest(kind, value, records, first="", last=""):
    return Rest(kind, value, (), records, first, last)


RESTS = (
    rest("instrument", "APC-21", ("M1", "M2", "M3")), rest("laboratory", "ITH", ("M1", "M2")),
    rest("instrument", "FM-1 (N rev 1) (N-2 rev 3)", ("M2",)),
    rest("dossier", "N-2 r3", ("M3",)),
    rest("record", "M1", ("M1",), "2026-02-01", "2026-02-03"),
    rest("record", "M2", ("M2",), "2026-02-10", "2026-02-10"), rest("record", "M3", ("M3",)),
)  # fmt: skip


def of(number=1, kind="instrument", value="APC-21", **how):
    return Recall(number=number, kind=kind, value=value, reason=WHY, day=TODAY, **how)


@pytest.mark.parametrize(
    ("how", "records"),
    [
        ({}, "M1 M2 M3"),
        ({"value": "apc-21"}, "M1 M2 M3"),
        ({"value": "APC-2"}, ""),
        ({"value": "FM-1"}, "M2"),
        # A record of several days was measured in the span where one of its days lies there; one
        # without its day may have been.
        ({"first": date(2026, 2, 3)}, "M1 M2 M3"),
        ({"first": date(2026, 2, 4)}, "M2 M3"),
        ({"first": date(2026, 2, 10), "until": date(2026, 2, 10)}, "M2 M3"),
        ({"until": date(2026, 2, 1)}, "M1 M3"),
        ({"until": date(2026, 1, 31)}, "M3"),
        ({"within": "ith"}, "M1 M2"),
        ({"within": "N"}, "M1 M2 M3"),
        ({"within": "other"}, ""),
        ({"kind": "record", "value": "M2"}, "M2"),
        ({"kind": "dossier", "value": "n-R4"}, WHOLE),
        ({"kind": "dossier", "value": "N r5"}, ""),
        # Whichever of its PDFs lies there, sealed or not, or none: what came from it is named.
        ({"kind": "dossier", "value": "n-2 r3"}, "M3"),
        ({"kind": "dossier", "value": "N-2"}, "M3"),
        ({"kind": "dossier", "value": "N-2-r3"}, "M3"),
        ({"kind": "dossier", "value": "N-2 r2"}, ""),
        ({"within": "N-2"}, "M3"),
    ],
)
def test_a_recall_names_the_records_of_its_days(how, records):
    assert of(**how).names("N", 4, RESTS) == (
        {WHOLE} if records == WHOLE else set(records.split())
    )  # fmt: skip


def test_a_table_that_is_recalled_is_known_under_any_name():
    tables = rest("table", "0" * 64, ("M1",)), rest("table", "1" * 64, ("M9",))
    recall = of(value="FM-1", tables=("1" * 64,))
    assert recall.names("N", 4, (*RESTS, *tables)) == {"M2", "M9"}
    assert Recalls((recall,)).recalled("0" * 64, "N", 4, (*RESTS, *tables)).because == {
        "M2": "recall 1 (instrument FM-1)", "M9": "recall 1 (instrument FM-1: the same table)"
    }  # fmt: skip


def test_records_rest_on_every_dossier_that_they_came_through():
    def source(revision, records, *earlier):
        case = SimpleNamespace(number="N", revision=revision)
        return SimpleNamespace(case=case, records=frozenset(records), earlier=earlier)

    chain = source(1, ("M1", "M2"), source(0, ("M2", "M3")))
    assert [(e[1], e[3]) for e in _dossiers([chain], ["M1", "M2", "M3"])] == [
        ("N r1", {"M1", "M2"}), ("N r0", {"M2"})
    ]  # fmt: skip


def test_an_outcome_counts_for_exactly_what_was_left_out():
    told = RecallOutcome(
        dossier="N r4", sha256="0" * 64, records=("M1", "M3"), outcome=STANDS, why="so it is"
    )
    alone = of(until=date(2026, 2, 1), outcomes=(told,))
    assert Recalls((alone,)).recalled("0" * 64, "N", 4, RESTS).leaves("approved")[0] == "approved"
    assert not Recalls((alone,)).recalled("1" * 64, "N", 4, RESTS).leaves("approved")[0]
    for more in ((alone, of(2)), (alone, of(2), of(3, lifts=(1,)))):
        found = Recalls(more).recalled("0" * 64, "N", 4, RESTS)
        assert (found.outcome, set(found.because)) == (None, {"M1", "M2", "M3"})
    ended = Recalls((alone, of(2), of(3, lifts=(1, 2, 3, 4)), of(4)))
    assert [each.number for each in ended.active] == [4]


@pytest.fixture
def folder(tmp_path, dossier):
    """A folder with the built dossier, approved on three sweeps with the instrument FM-04."""
    folder = tmp_path / "dossiers"
    folder.mkdir()
    shutil.copy(dossier.pdf, folder / "built.pdf")
    return folder


def put_on_file(folder, what="instrument:FM-04", **how):
    asked = Recalling(**({"what": what, "reason": WHY, "day": TODAY} | how))
    return recall_evidence(folder, update(folder), asked)


def told(done):
    return {each.row.file: each.outcome for each in done.told}


def reads(folder):
    return {row.file: row.decision for row in update(folder).rows}


def beside(folder, path):
    return reading_beside(folder, path, sha256(path.read_bytes()), TODAY, (), Recalls())


def refused(folder, *arguments, **how):
    before = sorted(path.name for path in folder.iterdir())
    with pytest.raises(RecallError) as error:
        put_on_file(folder, *arguments, **how)
    kept = {"dossier-register.sqlite", *before}
    assert {path.name for path in folder.iterdir()} <= kept
    return str(error.value)


def test_an_approval_without_its_evidence_falls_and_nobody_reads_it_as_approved(folder):
    outcome = update(folder)
    assert {row.decision for row in outcome.rows} == {"approved"}
    done = put_on_file(folder, first=FIRST)
    (each,) = done.told
    assert (each.outcome, each.records) == (FALLS, ("PD-C1", "PD-C2", "PD-C3"))
    assert each.why == "undecided (not demonstrated: P1)"
    after = update(folder)
    assert (after.whole, after.head, after.rows[0].decision) == (
        True, done.head, "recalled: was approved"
    )  # fmt: skip
    assert "review due" not in calendar_text(after).lower()
    found = verify(folder / "built.pdf", pages=False, recalls=recalls_of(folder))
    assert found.failures[-1].startswith("recall 1 (instrument FM-04): falls: undecided")
    assert found.reads == "recalled: was approved"
    assert not [gap for gap in verify(folder / "built.pdf", pages=False).gaps if "recall" in gap]


def test_an_approval_that_holds_without_a_record_stands_and_says_so(folder):
    done = put_on_file(folder, until=FIRST)
    assert (told(done), done.told[0].records) == ({"built.pdf": STANDS}, ("PD-C1",))
    (row,) = update(folder).rows
    assert row.decision == "approved"
    assert row.remark.startswith("recall 1 (instrument FM-04): stands without it")
    found = verify(folder / "built.pdf", pages=False, recalls=recalls_of(folder))
    assert not [gap for gap in found.gaps if "recall" in gap]
    assert any("stands without it" in remark for remark in found.remarks)


def test_an_approval_that_another_has_superseded_is_none_on_the_terminal(folder):
    put(folder, "later.pdf", made("LFQ-0412", 1))
    before = sorted(path.name for path in folder.iterdir())
    done = run("verify", folder / "built.pdf", "--quick", "--register", folder)
    assert done.returncode == 3
    assert ", the day of judgement: superseded: was approved" in done.stdout
    assert "superseded by LFQ-0412 r1" in done.stdout
    assert sorted(path.name for path in folder.iterdir()) == before
    alone = run("verify", folder / "built.pdf", "--quick", "--at", "2026-12-01")
    assert "reads on 2026-12-01, the day of judgement: approved" in alone.stdout


def test_what_two_recalls_take_away_is_left_out_together(folder):
    # Either alone leaves two sweeps that carry the approval; both leave one, without scatter.
    assert told(put_on_file(folder, until=FIRST)) == {"built.pdf": STANDS}
    done = put_on_file(folder, "record:PD-C2")
    assert (done.told[0].outcome, done.told[0].records) == (FALLS, ("PD-C1", "PD-C2"))
    lifted = put_on_file(folder, until=FIRST, lift=True)
    assert (lifted.told[0].outcome, lifted.told[0].records) == (STANDS, ("PD-C2",))
    assert reads(folder) == {"built.pdf": "approved"}


def test_the_same_recall_twice_is_one(folder):
    first = put_on_file(folder, first=FIRST)
    again = put_on_file(folder, first=FIRST)
    assert (first.before, again.before, again.head) == (0, 1, first.head)
    assert len(recalls_in(folder).given) == 1


def test_a_recall_that_is_lifted_gives_the_approval_back(folder):
    put_on_file(folder, first=FIRST)
    done = put_on_file(folder, lift=True)
    assert (told(done), done.recall.lifts) == ({"built.pdf": AGAIN}, (1,))
    assert reads(folder) == {"built.pdf": "approved"}
    words = f"recall 1 (instrument FM-04) was lifted on {TODAY}: {WHY}"
    (row,) = update(folder).rows
    assert row.remark.endswith(words)  # what gives back is seen
    found = verify(folder / "built.pdf", pages=False, recalls=recalls_of(folder))
    assert found.reads == "approved"
    assert words in found.remarks
    put(folder, "z.pdf", made("Z"))
    assert all("lifted" not in row.remark for row in update(folder).rows if row.number == "Z")
    (folder / "z.pdf").unlink()
    assert "is not recalled: nothing to lift" in refused(folder, lift=True)
    put_on_file(folder, first=FIRST)
    assert "On file: recall 3: instrument:FM-04 from 2026-02-04" in refused(
        folder, lift=True, first=date(2026, 2, 5)
    )
    assert reads(folder) == {"built.pdf": "recalled: was approved"}


def test_a_dossier_that_comes_later_is_seen_and_waits_to_be_decided(folder):
    put_on_file(folder, first=FIRST)
    put(folder, "late.pdf", made("Z", inputs={"case.toml": case_toml(("FM-04",))}))
    row = next(each for each in update(folder).rows if each.file == "late.pdf")
    assert row.decision == "recalled: was approved"
    assert row.remark.endswith("MP-1; not decided again since ('dossier recall' does)")


LEFT = (
    (None, "recalled: was approved", 1, "not decided again since"),
    ({"outcome": FALLS}, "recalled: was approved", 1, "falls"),
    ({"outcome": STANDS}, "approved", 0, "stands without it"),
    ({"outcome": STANDS, "until": date(2026, 5, 31)}, "expired: was approved", 1, "stands"),
    ({"outcome": CONDITIONAL}, "approved with conditions", 1, "stands conditionally"),
)


@pytest.mark.parametrize(("outcome", "decision", "code", "said"), LEFT)
def test_a_build_reads_as_recalls_beside_it_leave_it(outcome, decision, code, said, tmp_path):
    content = made("Z")
    saved = Saved(put(tmp_path, "Z-r0.pdf", content), tmp_path / "Z-r0.json", BUILT)
    own = {"dossier": "Z r0", "sha256": sha256(content), "records": ("MP-1",), "why": "so it is"}
    outcomes = (RecallOutcome.model_validate(own | outcome),) if outcome else ()
    recalls = Recalls((of(outcomes=outcomes),))
    told = Outcome(tmp_path, 0, "approved", "decision: approved", note="a note")
    how = saved, recalled_in(saved.pdf, recalls), TODAY
    found = written(told, *how)
    assert (found.decision, found.code, found.line) == (decision, code, f"decision: {decision}")
    assert found.done == BUILT
    assert found.note.startswith("a note; recall 1 (instrument APC-21): ")
    assert said in found.note
    draft = written(replace(told, standing="draft", line="as it was"), *how)
    assert (draft.reads, draft.line) == ("would be approved", "as it was")
    assert (draft.code, draft.note) == (code, found.note)
    refused = written(replace(told, decision="not approved", code=1), *how)
    assert (refused.decision, refused.note) == ("not approved", found.note)
    for other in (None, Recalls(), Recalls((of(value="none"),))):
        assert written(told, saved, recalled_in(saved.pdf, other), TODAY).note == "a note"


def test_a_build_names_the_later_revisions_beside_it(tmp_path):
    for name in ("Z-r0", "Z-r2", "Z-r10", "Z-r", "Z-rx", "Z-1-r3", "Y-r3"):
        pdf = put(tmp_path, f"{name}.pdf", b"")
    told = Outcome(tmp_path, 0, "approved", note="a note")
    saved = [Saved(tmp_path / f"Z-r{n}.pdf", tmp_path / "Z.json", BUILT) for n in (2, 10)]
    notes = [written(told, each, None, None).note for each in saved]
    assert notes == ["a note; where Z-r10.pdf stands, beside it, this counts no more", "a note"]
    assert written(told, replace(saved[0], pdf=pdf), None, None).note == "a note"


def test_a_case_whose_own_records_are_recalled_is_not_built_in_silence(folder, dossier):
    put_on_file(folder, first=FIRST)
    done = run("build", dossier.folder / "polder-pumps", "--out", folder)
    assert done.stdout.splitlines()[-1] == "decision: recalled: was approved"
    assert done.returncode == 1
    assert "recall 1 (instrument FM-04): PD-C1, PD-C2, PD-C3; not decided again" in done.stderr


def test_what_is_recalled_is_not_sealed(folder, dossier, unchanged):
    path = put(folder, "unsigned.pdf", dossier.unsigned)
    call = ("seal", path, "--role", "prepared", "--key", dossier.keys["prepared"])
    (folder / "built.pdf").unlink()
    put_on_file(folder, until=FIRST)
    assert "--digest 0 is another" in run(*call, "--digest", "0").stderr  # it stands
    put_on_file(folder, first=FIRST)
    done = run(*call, "--digest", "0")
    assert "cannot be sealed: recall 2 (instrument FM-04): falls" in done.stderr
    assert path.read_bytes() == dossier.unsigned


@pytest.mark.parametrize(
    ("record", "effect"),
    [("PD-1", "record excluded"), ("PD-1", "widens uncertainty"), ("MP-1", "record excluded")],
)
def test_a_record_that_is_left_out_already_is_not_recalled(folder, record, effect):
    put_on_file(folder, "instrument:DP-11" if record == "PD-1" else "instrument:FM-04")
    out = f'[[deviation]]\nrecord = "{record}"\neffect = "{effect}"\nagreed = 2026-03-01\n'
    put(folder, "z.pdf", made("Z", inputs={"case.toml": case_toml(("FM-04",)) + out.encode()}))
    left_out = effect == "record excluded" and record == "PD-1"  # a finding names the other
    assert reads(folder)["z.pdf"] == ("approved" if left_out else "recalled: was approved")
    (z,) = [hit for hit in found_in(update(folder), Wanted()) if hit.row.file == "z.pdf"]
    assert {each.value for each in z.rests if each.kind == "record"} == {"MP-1", "PD-1"}


def test_an_approval_beside_a_register_says_that_what_it_replaces_was_recalled(folder):
    put_on_file(folder, first=FIRST)
    put(folder, "later.pdf", made("LFQ-0412", 1))
    done = run("verify", folder / "later.pdf", "--quick", "--register", folder)
    words = "remark: but LFQ-0412 r0, whose place it took, reads: recalled: was approved"
    assert words in done.stdout
    assert {row.remark for row in update(folder).rows if row.revision} == {words[8:]}


def test_only_the_file_that_was_verified_is_read_beside_a_register(folder, tmp_path):
    path = folder / "built.pdf"
    done = run("verify", path, "--quick", "--register", folder)
    assert f"remark: {folder} has no register: what was recalled there" in done.stdout
    update(folder)
    assert beside(folder, path) == ("", "")
    for content, why in ((path.read_bytes() + b"\n", "changed while"), (b"%PDF-1.7", "cannot be")):
        other = put(tmp_path, "other.pdf", content)
        with pytest.raises(StoppedError, match=why):
            reading_beside(folder, other, sha256(path.read_bytes()), TODAY, (), Recalls())


def test_a_linked_folder_is_not_left_out_in_silence(folder, tmp_path):
    put(tmp_path, "elsewhere/r1.pdf", made("LFQ-0412", 1, decision="not approved"))
    (folder / "linked").symlink_to(tmp_path / "elsewhere")
    assert update(folder).unreadable == (
        ("linked", "is a link to a folder, which is not followed"),
    )


def test_who_asks_no_register_that_lies_beside_is_told(folder):
    words = "has a register: whether it is recalled or superseded there was not asked"
    path = folder / "built.pdf"
    calls = ("verify", path, "--quick"), ("compare", path, path)
    assert all(words not in run(*call).stdout for call in calls)
    assert "was not asked: no register given (--register)" in run(*calls[0]).stdout
    put_on_file(folder, first=FIRST)
    assert all(f": {folder} {words}" in run(*call).stdout for call in calls)
    below = put(folder, "2026/it.pdf", path.read_bytes())
    assert f": {folder} {words}" in run("verify", below, "--quick").stdout
    assert words not in run(*calls[0], "--register", folder).stdout


def test_a_recall_file_that_came_with_the_dossiers_is_bound_too(folder, tmp_path):
    put_on_file(folder, first=FIRST)
    other = tmp_path / "copied"
    other.mkdir()
    for name in ("built.pdf", "recall-0001.json"):
        shutil.copy(folder / name, other)
    assert reads(other) == {"built.pdf": "recalled: was approved"}
    assert len(update(other).heads) == 2
    (other / "recall-0001.json").unlink()
    assert "missing" in {event.kind for event in update(other).events}


def test_what_a_file_by_hand_gives_back_is_not_believed(folder):
    (fallen,) = put_on_file(folder, until=date(2026, 3, 31)).told
    assert reads(folder) == {"built.pdf": "recalled: was approved"}
    (sha256,), records = update(folder).rests, fallen.records
    holds = RecallOutcome(
        dossier="LFQ", sha256=sha256, records=records, outcome=STANDS, why="it is said so"
    )
    for each in (of(2, value="NONE", outcomes=(holds,)), of(3, lifts=(1,))):
        path = folder / f"recall-{each.number:04d}.json"
        path.write_text(each.model_dump_json(by_alias=True), "utf-8")
        for _ in range(2):  # nor once it is bound
            assert reads(folder) == {"built.pdf": "recalled: was approved"}
    found = verify(folder / "built.pdf", pages=False, recalls=recalls_of(folder))
    assert found.reads == "not known: would be approved"
    outcome = update(folder)
    assert not outcome.whole
    assert "recall-0003.json: lifts what was recalled, and no register" in outcome.events[0].text
    assert "remove it" in refused(folder, lift=True)
    path.unlink()
    put_on_file(folder, until=date(2026, 3, 31), lift=True)
    assert reads(folder) == {"built.pdf": "approved"}
    assert update(folder).whole


@pytest.mark.parametrize(("there", "asked"), [(".", "2026"), ("2026", "."), ("2026", "2027/x")])
def test_a_recall_counts_above_and_below_the_folder_it_lies_in(folder, there, asked):
    """A register is of all dossiers below its folder; of two beside one another neither is."""
    inside = there != "2026" or asked != "2027/x"
    moved = put(folder, f"{there}/built.pdf", (folder / "built.pdf").read_bytes()).parent
    put_on_file(moved, first=FIRST)
    put(folder, f"{asked}/built.pdf", (moved / "built.pdf").read_bytes())
    for found in (recalls_at(folder / asked), recalls_around(folder / asked)):
        assert bool(recalled_in(folder / asked / "built.pdf", found)) is inside
    assert bool(recalls_at(folder / asked / "new").counting) is (there == ".")  # not yet made
    assert {row.state for row in update(folder / asked).rows} == (
        {"recalled"} if inside else {"approved"}
    )  # fmt: skip
    if inside:  # each register has numbers of its own; what one lifts the other still holds
        put_on_file(folder / asked, until=FIRST)
        (row,) = {row.remark.partition(":")[0] for row in update(folder / asked).rows}
        assert row == "recall 1 (instrument FM-04)"
        put_on_file(folder / asked, until=FIRST, lift=True)
        assert len(recalls_at(moved).active) == 1
        (moved / "recall-0001.json").write_text("{", "utf-8")
        assert str(moved / "recall-0001.json") in "".join(recalls_at(folder / asked).faults)
        assert not update(folder / asked).whole


def test_a_recall_counts_in_a_folder_that_is_linked_from_its_own(folder, tmp_path):
    put_on_file(folder, first=FIRST)
    (tmp_path / "elsewhere").mkdir()
    (folder / "2026").symlink_to(tmp_path / "elsewhere")
    assert len(recalls_at(folder / "2026").counting) == 1
    assert not recalls_at(tmp_path / "elsewhere").counting


def test_what_to_do_with_a_file_of_recalls_is_said_once(tmp_path):
    for number, each in ((1, of(2)), (3, of(3, lifts=(1,)))):
        text = each.model_dump_json(by_alias=True)
        (tmp_path / f"recall-{number:04d}.json").write_text(text, "utf-8")
    (tmp_path / "recall-0004.json").write_text("{}", "utf-8")
    other, lift, broken = recalls_in(tmp_path).faults.values()
    assert other == "it says that it is number 2: restore it"
    assert lift.endswith("wrote it: remove it")
    assert broken.endswith("Field required: restore it")


def test_where_the_register_is_gone_nothing_gives_back(folder):
    put_on_file(folder, until=FIRST)  # the approval stands without it
    put_on_file(folder, "record:PD-C2")
    put_on_file(folder, "record:PD-C2", lift=True)
    assert reads(folder) == {"built.pdf": "approved"}
    (folder / "dossier-register.sqlite").unlink()
    found = recalls_at(folder)
    assert [each.number for each in found.active] == [1, 2]
    assert not any(each.outcomes for each in found.given)
    assert "no register here shows" in found.faults["recall-0003.json"]
    called = run("verify", folder / "built.pdf", "--quick", "--register", folder)
    assert "not known: would be approved" in called.stdout
    assert not (folder / "dossier-register.sqlite").exists()
    for _ in range(2):  # nor once it is bound anew
        assert reads(folder) == {"built.pdf": "recalled: was approved"}
    (folder / "recall-0003.json").unlink()
    put_on_file(folder, "record:PD-C2", lift=True)
    put_on_file(folder, until=FIRST)
    assert (reads(folder), update(folder).whole) == ({"built.pdf": "approved"}, True)


@pytest.mark.parametrize("edit", ["removed", "edited", "damaged"])
def test_a_recall_file_that_is_touched_shows(folder, edit):
    put_on_file(folder, first=FIRST)
    path = folder / "recall-0001.json"
    text = path.read_text("utf-8")
    if edit == "removed":
        path.unlink()
    else:
        path.write_text(text.replace("FM-04", "FM-99") if edit == "edited" else text[:-20], "utf-8")
    outcome = update(folder)
    assert not outcome.whole
    assert "missing" in {event.kind for event in outcome.events}
    called = run("verify", folder / "built.pdf", "--quick", "--register", folder)
    assert "recall-0001.json of the register cannot be read" in called.stdout
    if edit == "damaged":
        assert "recall not read" in {event.kind for event in outcome.events}
        assert "mend that first" in refused(folder, "instrument:DP-11")
        found = verify(folder / "built.pdf", pages=False, recalls=recalls_of(folder))
        assert "cannot be read" in found.gaps[0]
        assert found.reads == "not known: would be approved"


@pytest.mark.parametrize(
    ("what", "how", "words"),
    [
        ("instrument:FM4", {}, "did you mean instrument:FM-04"),
        ("instrument:fm-04 ", {"until": date(2020, 1, 1)}, "used on days from 2026-02-04"),
        ("instrument:FM-04", {"until": FIRST, "first": TODAY}, "is before --from"),
        ("instrument:FM-04", {"first": date(2026, 6, 2)}, "a day that has not come"),
        ("instrument:FM-04", {"until": date(2027, 1, 1)}, "leave --until out"),
        ("instrument:FM-04", {"reason": "bad"}, "says nothing"),
        ("instrument:FM-04", {"reason": WHY * 30}, "longer than 1000"),
        ("instrument:Elsewhere/FM-04", {}, "no record rests on instrument:FM-04 of Elsewhere"),
        ("instrument:BAL-02", {}, "no record was made with it"),
        ("standard:ISO 4548-12", {}, "kinds: instrument, certificate"),
        ("FM-04", {}, "is not KIND:VALUE"),
        ("dossier:LFQ-9999", {}, "nothing is recalled"),
        ("instrument:FM-04", {"lift": True}, "On file: no recall"),
    ],
)
def test_a_recall_that_names_nothing_is_answered(folder, what, how, words):
    assert words in refused(folder, what, **how)


def test_one_name_in_two_laboratories_must_be_told_apart(tmp_path):
    other = case_toml().replace(b"Invented Test House", b"Another / Invented House")
    put(tmp_path, "a.pdf", made("A"))
    put(tmp_path, "b.pdf", made("B", inputs={"case.toml": other}))
    words = refused(tmp_path, "instrument:APC-21")
    assert "names more than one thing" in words
    assert "instrument:Another / Invented House/APC-21" in words
    done = put_on_file(tmp_path, "instrument:Another / Invented House/APC-21")
    assert told(done) == {"b.pdf": UNKNOWN}  # made by hand: nothing there can be decided again
    assert reads(tmp_path) == {"a.pdf": "approved", "b.pdf": "recalled: was approved"}
    assert "record:A/MP-1" in refused(tmp_path, "record:MP-1")
    assert told(put_on_file(tmp_path, "record:A/MP-1")) == {"a.pdf": UNKNOWN}


def test_a_certificate_whose_number_begins_another_must_be_told_apart(tmp_path):
    spare = case_toml(("BAL-99",))
    put(tmp_path, "a.pdf", made("A", inputs={"case.toml": spare}))
    put(tmp_path, "b.pdf", made("B", inputs={"case.toml": spare.replace(b"-0120 (", b"-0121 (")}))
    words = refused(tmp_path, "certificate:ITH-26")
    assert "say certificate:ITH-26-0120 (spare), certificate:ITH-26-0121 (spare)" in words
    assert told(put_on_file(tmp_path, "certificate:ITH-26-0121")) == {"b.pdf": UNKNOWN}


def test_a_specimen_is_recalled_with_the_tables_that_hold_it(tmp_path):
    told_by = finding("M1", per_specimen=[{"specimen": "C7", "record": "PD-1"}], records=["PD-1"])
    put(tmp_path, "a.pdf", made("A", findings=[finding(), told_by]))
    asked = case_toml().replace(b"lots =", b'specimens = ["C8"]\nlots =')
    asked = asked.replace(b'id = "PD-1"', b'id = "PD-1"\nfilter = "candidate"')
    put(tmp_path, "b.pdf", made("B", inputs={"case.toml": asked}))  # no finding tells of PD-1
    for specimen, file in (("C7", "a.pdf"), ("C8", "b.pdf")):
        (one,) = put_on_file(tmp_path, f"specimen:{specimen}").told
        assert (one.row.file, one.records) == (file, ("PD-1",))


def test_a_lot_is_recalled_however_it_is_spelled(tmp_path):
    for n, lot in enumerate(("lot 25-311", "Los Nr. 25/311", "25 312")):
        put(tmp_path, f"{n}.pdf", made(f"A{n}", inputs={"case.toml": case_toml(lots=(lot,))}))
    assert told(put_on_file(tmp_path, "lot:25-311")) == {"0.pdf": UNKNOWN, "1.pdf": UNKNOWN}


def test_a_name_that_is_spelled_otherwise_elsewhere_is_told(tmp_path):
    put(tmp_path, "a.pdf", made("A"))
    for number, name in (("B", "apc 21"), ("C", "\u0410\u0420\u0421-21"), ("D", "APC-212")):
        put(tmp_path, f"{number}.pdf", made(number, inputs={"case.toml": case_toml((name,))}))
    done = put_on_file(tmp_path, "instrument:APC-21")
    assert told(done) == {"a.pdf": UNKNOWN, "C.pdf": UNKNOWN}  # which a reader takes for it
    assert done.alike == ("instrument:apc 21 (B r0)",)
    assert sum("spelled otherwise" in line for line in lines(update(tmp_path), done)) == 1
    later = case_toml(("APC\u201121",))
    put(tmp_path, "later.pdf", made("E", inputs={"case.toml": later}))
    assert reads(tmp_path)["later.pdf"] == "recalled: was approved"


def test_a_laboratory_that_has_another_id_elsewhere_is_told(tmp_path):
    put(tmp_path, "a.pdf", made("A"))
    put(tmp_path, "b.pdf", made("B", inputs={"case.toml": case_toml().replace(b'"ITH"', b'"TH1"')}))
    other = case_toml(("APC-5",)).replace(b'"Invented Test House"', b'"Another House"')
    put(tmp_path, "c.pdf", made("C", inputs={"case.toml": other.replace(b'"ITH"', b'"AH"')}))
    for kind, told_as in (("laboratory:ITH", "Invented Test House"),
                          ("instrument:ITH/APC-21", "Invented Test House/APC-21")):  # fmt: skip
        done = put_on_file(tmp_path, kind)
        assert told(done) == {"a.pdf": UNKNOWN}
        assert done.alike == (f"{kind.partition(':')[0]}:{told_as} (B r0)",)


def test_a_later_revision_that_does_not_rest_on_it_is_not_touched(tmp_path):
    put(tmp_path, "r0.pdf", made("A", 0))
    put(tmp_path, "r1.pdf", made("A", 1, inputs={"case.toml": case_toml(("APC-5",))}))
    done = put_on_file(tmp_path, "instrument:APC-21")
    assert told(done) == {"r0.pdf": NO_APPROVAL}
    assert done.told[0].why.startswith("superseded: was approved; filters that are fitted by it")
    taken = "superseded: was approved", "superseded by A r1"
    assert beside(tmp_path, tmp_path / "r0.pdf") == taken
    elsewhere = tmp_path.with_suffix(".pdf")
    shutil.copy(tmp_path / "r0.pdf", elsewhere)
    assert beside(tmp_path, elsewhere) == taken
    assert reads(tmp_path)["r1.pdf"] == "approved"
    put_on_file(tmp_path, "instrument:APC-5")  # what fell does not give way to what it replaced
    assert reads(tmp_path) == {
        "r0.pdf": "superseded: was approved", "r1.pdf": "recalled: was approved",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("found", "later", "why"),
    [
        ("approved", "B", "superseded: was approved; filters that are fitted by it rest on what"),
        ("not approved", "B", "superseded: was not approved"),
        ("not approved", "", "not approved"),
    ],
)
def test_filters_are_fitted_by_an_approval_that_was_superseded_and_by_no_refusal(found, later, why):
    given = replace(row(), found=found, superseded_by=later)
    told = _decided((None, given, ("M1",), Recalling(what="x", reason=WHY, day=FIRST)))
    assert told.outcome == NO_APPROVAL
    assert told.why.startswith(why)
    assert ("fitted" in told.why) is ("fitted" in why)


def test_what_approves_nothing_or_is_no_dossier_is_said_and_not_decided(tmp_path):
    put(tmp_path, "draft.pdf", made("A", signed=False))
    put(tmp_path, "no.pdf", made("B", decision="not approved"))
    broken = made("C").replace(b"MP-1", b"MP-2")
    put(tmp_path, "junk.pdf", b"%PDF-1.7 nothing")
    put(tmp_path, "over.pdf", made("D", review_due="2026-05-01"))
    put(tmp_path, "edited.pdf", broken)
    put(tmp_path, "twin.pdf", made("E"))
    put(tmp_path, "twin-2.pdf", made("E", title="Another"))
    done = put_on_file(tmp_path, "lot:25-311")
    assert set(told(done).values()) == {NO_APPROVAL}
    whys = {each.row.file: each.why for each in done.told}
    assert whys["draft.pdf"] == "draft: would be approved"
    assert whys["twin.pdf"] == "in conflict: would be approved"
    assert whys["over.pdf"] == "expired: was approved"
    said = list(lines(update(tmp_path), done))
    assert any("not looked at: junk.pdf" in line for line in said)
    again = recall_json(update(tmp_path), replace(done, before=3), False)
    assert json.loads(again)["on_file_before"] == 3
    document = json.loads(recall_json(update(tmp_path), done, False))
    assert "junk.pdf" in {each["file"] for each in document["not_dossiers"]}


def test_a_dossier_recalled_as_a_whole_falls_without_a_decision(folder):
    done = put_on_file(folder, "dossier:LFQ-0412 r0")
    assert (told(done), done.told[0].why) == ({"built.pdf": FALLS}, "it is recalled as a whole")


def test_evidence_that_changes_its_names_does_not_get_away(tmp_path):
    table = b"size,up,down\n20,100,1\n"
    renamed = case_toml(("APC-22",)).replace(b"records/mp-1", b"records/own").replace(b"ITH", b"X")
    renamed = renamed.replace(b"Invented Test House", b"Other House")
    own = {"case.toml": renamed, "records/own.csv": table}
    put(tmp_path, "a.pdf", made("A", inputs={"records/mp-1.csv": table}))
    for what in ("instrument:APC-21", "laboratory:ITH", "record:A/MP-1"):
        put_on_file(tmp_path, what)
        later = put(tmp_path, "b.pdf", made("B", inputs=own))
        other = put(tmp_path, "c.pdf", made("C", inputs=own | {"records/own.csv": table + b"\n"}))
        assert reads(tmp_path) == {
            "a.pdf": "recalled: was approved", "b.pdf": "recalled: was approved",
            "c.pdf": "approved",
        }  # fmt: skip
        assert set(told(put_on_file(tmp_path, what))) == {"a.pdf", "b.pdf"}
        put_on_file(tmp_path, what, lift=True)
        assert set(reads(tmp_path).values()) == {"approved"}
        later.unlink()
        other.unlink()
    put_on_file(tmp_path, "dossier:A")  # another decision may read its tables again
    put(tmp_path, "b.pdf", made("B", inputs=own))
    assert reads(tmp_path)["b.pdf"] == "approved"


def test_evidence_carried_from_a_recalled_dossier_is_recalled_with_it(tmp_path):
    source = made("A")
    text = (
        case_toml().replace(b'"APC-21"', b'"APC-21 (A rev 0)"')
        + (
            f'[[carried]]\ndossier = "a.pdf"\nsha256 = "{sha256(source)}"\nrecords = ["MP-1"]\n'
            'reason = "It is as it was before."\nagreed_by = "Head"\nuntil = 2027-01-31\n'
        ).encode()
    )
    put(tmp_path, "a.pdf", source)
    put(tmp_path, "b.pdf", made("B", inputs={"case.toml": text}))
    assert "Carried evidence ends: B r0\\, MP-1" in calendar_text(update(tmp_path))
    done = put_on_file(tmp_path, "dossier:A")
    assert told(done) == {"a.pdf": FALLS, "b.pdf": UNKNOWN}
    assert beside(tmp_path, tmp_path / "a.pdf") == ("", "")
    put_on_file(tmp_path, "dossier:A", lift=True)
    assert reads(tmp_path) == {"a.pdf": "approved", "b.pdf": "approved"}
    assert set(told(put_on_file(tmp_path, "record:A/MP-1"))) == {"a.pdf", "b.pdf"}
    put_on_file(tmp_path, "record:A/MP-1", lift=True)
    assert set(told(put_on_file(tmp_path, "instrument:APC-21"))) == {"a.pdf", "b.pdf"}


def test_what_trusted_people_do_not_vouch_for_is_not_decided_on(folder, dossier, tmp_path):
    make_identity("Somebody else (invented)", tmp_path, SECRET)
    strange = [(tmp_path / "test-authority.pem").read_bytes()]
    for trust, outcome in ((dossier.trust, FALLS), (strange, NO_APPROVAL)):
        asked = Recalling(what="instrument:FM-04", reason=WHY, day=TODAY, trusted=True)
        done = recall_evidence(folder, update(folder, trust=trust), asked)
        assert told(done) == {"built.pdf": outcome}
    assert "the certificate of" in done.told[0].why


def test_numbers_that_the_attachments_do_not_give_are_not_decided_on(folder):
    put(folder, "made.pdf", made("Y", inputs={"case.toml": case_toml(("FM-04",))}))
    done = put_on_file(folder, first=FIRST)
    assert told(done) == {"built.pdf": FALLS, "made.pdf": UNKNOWN}


def test_a_decision_that_does_not_come_out_as_stated_is_not_decided_on(folder, monkeypatch):
    own = decided_again
    monkeypatch.setattr(
        recompute, "decided_again", lambda *a, **k: replace(own(*a, **k), moved=("x: 1 became 2",))
    )
    (each,) = put_on_file(folder, until=FIRST).told
    assert each.outcome == UNKNOWN
    assert each.why == "its attachments do not give what it states: 'dossier verify' says where"


NASTY = "A\r\nBEGIN:VEVENT; x, y\\n\u202e\u2028<b>&\u0000" + "ü" * 60


@pytest.mark.parametrize(
    ("verdicts", "conditions", "more"), [(0, 0, 0), (6, 6, 0), (7, 6, 1), (6, 8, 2), (9, 10, 7)]
)
def test_a_letter_says_how_many_lines_it_leaves_out(verdicts, conditions, more, monkeypatch):
    """Six of each stand on it."""
    monkeypatch.setattr(letters, "_facts", lambda *_: ())
    left = SimpleNamespace(
        case=None, conditions=[f"condition {n}" for n in range(conditions)],
        verdicts=[(f"E{n}", "pass", "fail", f"why {n}") for n in range(verdicts)],
    )  # fmt: skip
    (each,) = letters._letters([SimpleNamespace(left=left, outcome=STANDS)], None, None)
    assert (len(each["verdicts"]), len(each["new"])) == (min(verdicts, 6), min(conditions, 6))
    assert each["more"] == (f"and {more} more, in recall.json" if more else "")


def test_letters_are_a_page_each_in_the_language_of_the_dossier(folder):
    done = put_on_file(folder, first=FIRST)
    (each,) = done.told
    german = each.left.case.model_copy(update={"language": "de"})
    row = replace(each.row, equipment=NASTY * 20, number="Z")
    other = replace(each, row=row, left=replace(each.left, case=german))
    both = replace(done, told=(each, other))
    outcome = update(folder)
    reply = Reply("Evidence desk (invented)", date(2026, 6, 8))
    listed = replace(done, told=())
    assert letters_pdf(outcome, listed, reply) == letters_pdf(outcome, listed, reply)
    path = folder.parent / "letters.pdf"
    path.write_bytes(letters_pdf(outcome, both, reply))
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(path).pages]
    assert len(pages) == 3
    assert "The approval falls" in pages[0]
    assert "Evidence desk (invented)" in pages[0]
    assert "Die Freigabe entfällt" in pages[1]
    assert "08.06.2026" in pages[1] or "8. Juni 2026" in pages[1]
    assert "Every dossier that rests on it" in pages[2]


def test_the_calendar_is_read_by_another_library_and_holds_every_end(tmp_path):
    covered = finding(verdict="fail", value=90.1, concession="Until the next one.")
    text = case_toml() + (
        b'[[concession]]\nrequirement = "E1"\ntext = "Until the next one."\n'
        b'agreed_by = "Head"\nagreed = 2026-03-01\nuntil = 2026-12-31\n'
        b'[[instrument]]\nid = "APC-21"\ncalibrated = 2025-12-08\ndue = 2026-12-07\n'
    )
    put(tmp_path, "a.pdf", made(
        "A", findings=[covered], decision="approved with conditions", review_due="2028-01-31",
        inputs={"case.toml": text}, equipment=[NASTY],
    ))  # fmt: skip
    put(tmp_path, "b.pdf", made("B", signed=False, review_due="2027-01-01"))
    text = calendar_text(update(tmp_path))
    assert text == calendar_text(update(tmp_path))
    assert max(len(line) for line in text.encode().split(b"\r\n")) <= 75
    assert "\n" not in text.replace("\r\n", "")
    values = re.findall(r"(?m)^(?:SUMMARY|DESCRIPTION):(.*)\r$", text.replace("\r\n ", ""))
    assert len(values) == 6
    assert not [each for each in values if re.search(r"(?<!\\)[;,]", each)]
    read = icalendar.Calendar.from_ical(text)
    events = read.walk("VEVENT")
    assert {(str(e["SUMMARY"]), e.decoded("DTSTART")) for e in events} == {
        ("Review due: A r0", date(2028, 1, 31)),
        ("Concession ends: A r0, E1", date(2026, 12, 31)),
        ("Calibration due: APC-21", date(2026, 12, 7)),
    }
    assert len({str(each["UID"]) for each in events}) == 3
    assert "ü" * 60 in next(str(e["DESCRIPTION"]) for e in events if "Review" in e["SUMMARY"])


def test_the_matrix_says_state_by_shape_and_word_for_each_machine(tmp_path):
    machines = ["Pump 1", "Pump 2"]
    put(tmp_path, "a.pdf", made("A", candidate="CAN-1", equipment=machines))
    put(tmp_path, "b.pdf", made("B", candidate="CAN-2", equipment=["pump  2"], signed=False))
    put(tmp_path, "c.pdf", made("C", candidate="CAN-3", equipment=[], decision="not approved"))
    put(tmp_path, "d.pdf", made("D", candidate="<b>", equipment=[NASTY]))
    outcome = update(tmp_path)
    hits = found_in(outcome, Wanted(superseded=True))
    tables = blocks(hits)
    assert {block.machines[0][0] for block in tables} >= {"Pump 1", NOWHERE}
    pumps = next(block for block in tables if block.machines[0][0] == "Pump 1")
    assert pumps.filters == ("CAN-1", "CAN-2")
    states = [[[row.state for row in cell] for cell in cells] for _, cells in pumps.machines]
    assert states == [[["approved"], []], [["approved"], ["draft"]]]
    page = register_page(outcome, hits, prefix="")
    assert '<span aria-hidden="true">✓</span> approved' in page
    assert "✕" in page or "\N{MULTIPLICATION X}" in page
    assert "<b>" not in page


def test_an_approval_does_not_hide_a_refusal_of_the_same_filter_for_the_same_machine(tmp_path):
    machines = ["Pump 1", "Pump 2"]
    put(tmp_path, "a.pdf", made("A", decision="not approved", equipment=["Pump 1"]))
    put(tmp_path, "b.pdf", made("B", replaces="A r0", equipment=machines))
    outcome = update(tmp_path)
    hits = found_in(outcome, Wanted(superseded=True))
    (table,) = blocks(hits)
    states = {name: [row.state for row in cell] for name, (cell,) in table.machines}
    assert states == {"Pump 1": ["approved", "superseded"], "Pump 2": ["approved"]}
    page = register_page(outcome, hits, prefix="")
    assert "</span> superseded: was not approved</span>" in page
    assert page.count("but A r0, whose place it took, reads: not approved") == 1
    done = run("verify", tmp_path / "b.pdf", "--quick", "--register", tmp_path)
    assert "remark: but A r0, whose place it took, reads: not approved" in done.stdout
    put(tmp_path, "c.pdf", made("A", 1, equipment=["Pump 1"]))  # put right by whoever refused it
    assert reads(tmp_path)["c.pdf"] == "approved"


def test_the_matrix_grows_as_the_dossiers_do(tmp_path):
    put(tmp_path, "a.pdf", made("A"))
    (hit,) = found_in(update(tmp_path), Wanted())
    (machine,) = [each for each in hit.rests if each.kind == "equipment"]

    def cells(count):
        hits = [
            replace(hit, row=replace(hit.row, candidate=f"CAN-{n}"),
                    rests=(replace(machine, value=f"Pump {n}"), replace(machine, value="Pump 0")))
            for n in range(count)
        ]  # fmt: skip
        return sum(len(line) for block in blocks(hits) for _, line in block.machines)

    assert cells(400) <= 2.2 * cells(200) <= 4.4 * 400


def test_the_command_writes_letters_and_ends_with_what_became_of_them(folder, tmp_path):
    call = ["recall", folder, "instrument:FM-04", "--from", "2026-02-04", "--reason", WHY]
    done = run(*call, "--out", folder / "inside")
    assert (done.returncode, "lies in the folder" in done.stderr) == (2, True)
    (tmp_path / "file").write_text("")
    for how, words in (
        (("--out", tmp_path / "file"), "File exists"),
        (("--out", tmp_path / "out", "--reply-by", "2020-01-01"), "2020-01-01 is over"),
    ):
        done = run(*call, *how)
        assert (done.returncode, words in done.stderr) == (2, True)
        assert not recalls_in(folder).given  # as code 2 says
    done = run(*call, "--out", tmp_path / "out")
    assert done.returncode == 1
    assert "LFQ-0412 r0: falls: undecided" in done.stdout
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"letters.pdf", "recall.json"}
    done = run("recall", folder, "instrument:XX-9", "--reason", WHY, "--out", tmp_path / "out")
    assert (done.returncode, "nothing is recalled" in done.stderr) == (2, True)


@pytest.mark.parametrize(
    ("outcome", "until", "standing", "found", "ends"),
    [
        (None, None, "recalled", "approved", "2027-06-30"),
        ("falls", None, "recalled", "approved", "2027-06-30"),
        ("stands without it", None, "signed off", "approved", "2027-06-30"),
        ("stands without it", date(2027, 1, 1), "signed off", "approved", "2027-01-01"),
        ("stands without it", date(2028, 1, 1), "signed off", "approved", "2027-06-30"),
        ("stands conditionally", None, "signed off", "approved with conditions", "2027-06-30"),
    ],
)
def test_what_a_recall_leaves_of_a_row(outcome, until, standing, found, ends):
    @dataclass(frozen=True)
    class Few:
        standing: str = "signed off"
        found: str = "approved"
        remark: str = ""
        valid_until: str = "2027-06-30"

    now = outcome and SimpleNamespace(outcome=outcome, until=until, why="so it is")
    recalled = Recalled({"M1": "meter FM-04"}, now)
    left = without(Few(), recalled)
    assert (left.standing, left.found, left.valid_until) == (standing, found, ends)
    assert left.remark.startswith("meter FM-04: ")
    assert without(Few(), None) == Few()
    assert without(Few(found="not approved"), recalled).standing == "signed off"


@pytest.mark.parametrize(
    ("first", "until", "said"),
    [
        (date(2026, 1, 2), date(2026, 3, 4), "measured from 2026-01-02 to 2026-03-04"),
        (date(2026, 1, 2), None, "measured on 2026-01-02 or later"),
        (None, date(2026, 3, 4), "measured on 2026-03-04 or before"),
        (None, None, "on any day"),
    ],
)
def test_the_span_of_a_recall_is_said(first, until, said):
    assert span(SimpleNamespace(recall=SimpleNamespace(first=first, until=until))) == said


@pytest.mark.parametrize(("filters", "together"), [(2, True), (8, True), (9, False)])
def test_machines_of_many_filters_each_have_a_table_of_their_own(filters, together):
    row = SimpleNamespace(current=True, number="A", revision=0)
    cells = {machine: {f"F{n}": [row] for n in range(filters)} for machine in ("gate", "pump")}
    found = [
        tuple(name for name, _ in each.machines) for each in _laid_out(cells, ["gate", "pump"])
    ]
    assert found == ([("gate", "pump")] if together else [("gate",), ("pump",)])


def test_machines_with_little_in_common_have_a_table_each():
    row = SimpleNamespace(current=True, number="A", revision=0)
    machines = [f"M{n}" for n in range(6)]
    cells = {name: {name: [row]} for name in machines}
    assert len([*_laid_out(cells, machines)]) == 6
    assert len([*_laid_out(cells, machines[:4])]) == 1
