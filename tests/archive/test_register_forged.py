"""A register that someone else wrote in: what it says is never believed, and the edit shows."""

import json
import sqlite3
import struct
from dataclasses import astuple, replace
from datetime import date

import pytest

from dossier.record.dossier_file import dossier_of
from dossier.record.recall import REGISTER
from dossier.record.standing import sign_offs
from dossier.register.row import row_digest
from dossier.register.store import GENESIS, RegisterError, linked, open_store
from tests.archive import sealed
from tests.archive.made import (
    ROLES,
    TODAY,
    case_toml,
    document,
    dossier,
    files,
    find,
    finding,
    pdf,
    put,
    sha256,
    signoff_toml,
    update,
)
from tests.archive.test_register import EVERYTHING, decisions, edit, kinds

DRAFT = "draft: would be approved"


@pytest.fixture
def folder(tmp_path):
    """A register of a draft that would be approved and one that is not approved."""
    put(tmp_path, "a.pdf", dossier("A", signed=False))
    put(tmp_path, "b.pdf", dossier("B", decision="not approved"))
    update(tmp_path)
    return tmp_path


HONEST = {"a.pdf": DRAFT, "b.pdf": "not approved"}

EDITS = {
    "a draft made to stand": "UPDATE dossier SET standing = 'signed off', remark = ''",
    "another decision": "UPDATE dossier SET found = 'approved' WHERE number = 'B'",
    "a later end": "UPDATE dossier SET valid_until = '2099-01-01', review_due = '2099-01-01'",
    "another day of signing": "UPDATE dossier SET signed_on = '2020-01-01'",
    "a dossier forgotten": "DELETE FROM dossier WHERE number = 'B'",
    "a dossier that never was": (
        "INSERT INTO dossier SELECT replace(sha256, substr(sha256, 1, 8), 'ffffffff'), size, "
        "content, 'Z', revision, title, candidate, reference, application, application_revision, "
        "equipment, issued, review_due, valid_until, signed_on, replaces, found, standing, remark, "
        "unread, file FROM dossier LIMIT 1"
    ),
    "what it rests on taken away": "DELETE FROM rest WHERE kind = 'instrument'",
    "what it rests on renamed": "UPDATE rest SET value = 'APC-99' WHERE value = 'APC-21'",
    "what it rests on invented": (
        "INSERT INTO rest SELECT sha256, 'lot', '25-999', '', '', '', '' FROM dossier LIMIT 1"
    ),
    "a link renamed": "UPDATE chain SET number = 'X' WHERE seq = 1",
    "a link for another row": "UPDATE chain SET row_sha256 = digest WHERE seq = 2",
    "a link by another program": "UPDATE chain SET program = digest WHERE seq = 2",
    "a link taken out": "DELETE FROM chain WHERE seq = 1",
    "the last link cut off": "DELETE FROM chain WHERE seq = 2",
    "the chain emptied": "DELETE FROM chain",
}


@pytest.mark.parametrize("statement", EDITS.values(), ids=EDITS)
@pytest.mark.parametrize("kept", [False, True], ids=("no head", "a head kept"))
def test_an_edit_of_any_table_shows_and_is_not_believed(folder, statement, kept):
    head = update(folder).head if kept else ""
    edit(folder, statement)
    outcome = update(folder, head=head)
    assert {row.file: row.decision for row in outcome.rows} == HONEST
    assert set(kinds(outcome)) & {"chain broken", "row altered"}
    assert not outcome.whole


SCHEMAS = {
    "a trigger": "CREATE TRIGGER t AFTER INSERT ON chain BEGIN DELETE FROM rest; END",
    "a view in place of a table": "CREATE VIEW v AS SELECT * FROM dossier",
    "a further column": "ALTER TABLE dossier ADD COLUMN note TEXT",
    "a generated column": "ALTER TABLE dossier ADD COLUMN g TEXT AS (upper(found)) VIRTUAL",
    "a further table": "CREATE TABLE notes (x)",
    "an index on an expression": "CREATE INDEX i ON dossier (lower(found))",
    "a table taken away": "DROP TABLE rest",
    "a column renamed": "ALTER TABLE dossier RENAME COLUMN found TO found2",
    "another form": "PRAGMA user_version = 1",
    "a virtual table": "CREATE VIRTUAL TABLE f USING fts5(x)",
}


@pytest.mark.parametrize("statement", SCHEMAS.values(), ids=SCHEMAS)
def test_a_file_of_another_form_is_refused(folder, statement):
    edit(folder, statement)
    with pytest.raises(RegisterError, match=r"not of the form|another version"):
        update(folder)


def test_a_view_that_stands_for_a_table_is_refused(folder):
    edit(folder, "ALTER TABLE dossier RENAME TO other")
    edit(folder, "CREATE VIEW dossier AS SELECT * FROM other")
    with pytest.raises(RegisterError, match="not of the form"):
        update(folder)


def test_an_index_that_does_not_fit_its_table_is_refused(folder):
    connection = sqlite3.connect(folder / REGISTER)
    asked = "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_dossier_1'"
    place = 4096 * (connection.execute(asked).fetchone()[0] - 1)
    sha256 = connection.execute("SELECT sha256 FROM dossier").fetchone()[0].encode()
    connection.close()
    data = bytearray((folder / REGISTER).read_bytes())
    at = data.index(sha256, place, place + 4096)
    data[at : at + 4] = b"ffff"
    (folder / REGISTER).write_bytes(data)
    with pytest.raises(RegisterError, match="it is damaged"):
        update(folder)


def test_a_damaged_file_or_a_link_in_its_place_is_refused(folder):
    path = folder / REGISTER
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\xff" * 4096 + whole[8192:])
    with pytest.raises(RegisterError, match="move it away"):
        update(folder)
    path.rename(folder / "elsewhere")
    path.symlink_to(folder / "elsewhere")
    with pytest.raises(RegisterError, match="no ordinary file"):
        update(folder)


def test_a_journal_that_would_have_another_file_deleted_is_refused(folder, tmp_path_factory):
    # A hot journal may name a super-journal, which SQLite deletes once it has rolled back.
    other = tmp_path_factory.mktemp("elsewhere") / "precious.txt"
    other.write_text("precious")
    name, magic = str(other).encode(), bytes.fromhex("d9d505f920a163d7")
    size = (folder / REGISTER).stat().st_size // 4096
    head = magic + struct.pack(">IIIII", 0, 0, size, 512, 4096)
    tail = struct.pack(">I", 2**18 + 1) + name + struct.pack(">II", len(name), sum(name)) + magic
    for ending in ("-journal", "-wal"):
        beside = put(folder, f"{REGISTER}{ending}", head.ljust(512, b"\0") + tail)
        with pytest.raises(RegisterError, match="not written by this program"):
            update(folder)
        beside.unlink()
    assert other.exists()


def test_two_runs_do_not_write_at_once(folder, monkeypatch):
    monkeypatch.setattr("dossier.register.store.WAIT", 0.0)
    with open_store(folder), pytest.raises(RegisterError, match="another run"):
        update(folder)


def rewrite(folder, change):
    """Write the whole register anew, each link and digest as they should be, with false rows."""
    with open_store(folder) as store:
        rows, rests, program = store.rows(), store.rests(), store.chain()[0].link.program
        false = {key: change(row) for key, row in rows.items()}
        chained = linked(
            ((r.sha256, r.number, r.revision, row_digest(r, rests[k])) for k, r in false.items()),
            program, GENESIS,
        )  # fmt: skip
        store.replace(false, rests)
    connection = sqlite3.connect(folder / REGISTER)
    with connection:
        connection.execute("DELETE FROM chain")
        connection.executemany(
            "INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [(*astuple(link), link.digest) for link in chained],
        )
    connection.close()
    return chained[-1].digest


def test_a_row_and_its_link_rewritten_under_a_kept_head_are_not_believed(folder):
    """The digests stored beside the links stay as they were, so that the head is still there."""
    kept = update(folder).head
    with open_store(folder) as store:
        rows, rests = store.rows(), store.rests()
        false = {key: stands(row) for key, row in rows.items()}
        store.replace(false, rests)
    for key, row in false.items():
        digest = row_digest(row, rests[key])
        edit(folder, f"UPDATE chain SET row_sha256 = '{digest}' WHERE record_sha256 = '{key}'")
    outcome = update(folder, head=kept)
    assert {row.file: row.decision for row in outcome.rows} == HONEST
    assert "chain broken" in kinds(outcome)


def stands(row):
    return replace(row, found="approved", standing="signed off", signed_on="2026-03-30")


def test_a_register_rewritten_from_end_to_end_approves_nothing(folder):
    kept = update(folder).head
    rewrite(folder, stands)
    outcome = update(folder, head=kept)
    assert kept not in outcome.heads
    assert {row.file: row.decision for row in outcome.rows} == HONEST
    assert kinds(outcome) == ["judged otherwise", "judged otherwise"]
    rewrite(folder, stands)
    assert {row.file: row.decision for row in update(folder).rows} == HONEST


def test_a_kept_head_is_believed_and_nothing_behind_it(folder):
    """The head is the one thing from outside: a link behind it is read again."""
    kept = update(folder).head
    put(folder, "c.pdf", dossier("C"))
    update(folder)
    again = update(folder, head=kept)
    assert (again.read, again.count) == (1, 3)
    assert update(folder, head="0" * 64).read == 3


def test_another_program_judges_again_and_binds_it(folder, monkeypatch):
    head = update(folder).head
    monkeypatch.setattr("dossier.record.program.program_digest", lambda: "d" * 64)
    outcome = update(folder, head=head)
    assert (outcome.read, len(outcome.heads), outcome.events) == (2, 4, ())
    assert update(folder, head=outcome.head).read == 0


# What decision.json claims, against its own findings, requirements and days.


def placed(folder, **doc):
    put(folder, "a.pdf", dossier("A", **doc))
    (row,) = update(folder).rows
    return row


CONTRADICTIONS = {
    "approved over a mandatory fail": {"findings": [finding(verdict="fail", value=90.0)]},
    "approved over one not demonstrated": {
        "findings": [finding(verdict="not demonstrated", value=None)]
    },
    "approved over a concession": {"findings": [finding(verdict="fail", concession="so be it")]},
    "a pass beyond its limit": {"findings": [finding(value=94.9)]},
    "a pass without a result": {"findings": [finding(value=None)]},
    "a pass with too small a chance": {"findings": [finding(probability_conforming=0.5)]},
    "no findings at all": {"findings": []},
    "only advisory ones": {"findings": [finding(severity="advisory")]},
}


@pytest.mark.parametrize("doc", CONTRADICTIONS.values(), ids=CONTRADICTIONS)
def test_a_decision_that_contradicts_its_findings_does_not_read_as_approved(tmp_path, doc):
    row = placed(tmp_path, **doc)
    assert row.decision == "not intact: would be approved"
    assert row.remark


@pytest.mark.parametrize(
    "asked",
    [
        b'[[requirement]]\nid = "E1"\nseverity = "mandatory"\n'
        b'[[requirement]]\nid = "E2"\nseverity = "mandatory"\n',
        b'[[requirement]]\nid = "E1"\nseverity = "advisory"\n',
        b'[[requirement]]\nid = "E9"\nseverity = "mandatory"\n',
    ],
    ids=("one left out", "another severity", "another requirement"),
)
def test_findings_that_do_not_answer_the_requirements_do_not_read_as_approved(tmp_path, asked):
    row = placed(tmp_path, inputs={"application.toml": asked})
    assert row.decision == "not intact: would be approved"
    assert "not those of the requirements" in row.remark


@pytest.mark.parametrize(
    ("told", "reads"),
    [
        ([(role, f"{role} holder (invented)", "2026-03-30") for role in ROLES], "approved"),
        ([(role, "Somebody else", "2026-03-30") for role in ROLES], ""),
        ([("prepared", "prepared holder (invented)", "2026-03-30")], ""),
        (3, ""),
    ],
)
def test_the_sign_offs_that_a_decision_tells_of_are_those_attached(told, reads, tmp_path):
    reads = reads or "not intact: would be approved"
    keys = ("role", "name", "date")
    rows = [dict(zip(keys, row, strict=True)) for row in told] if isinstance(told, list) else told
    put(tmp_path, "a.pdf", pdf(files(document("A"), signoff={"signed": rows})))
    assert [row.decision for row in update(tmp_path).rows] == [reads]


@pytest.mark.parametrize("b", ["b", "house files"])
def test_what_is_read_is_what_the_decision_rests_on(b, tmp_path):
    """Another case folder beside that of the decision, sign-offs too, would say what it uses."""
    whole = files(document("A") | {"house": "0" * 64})
    renamed = {f"{b}/{name[5:]}": each for name, each in whole.items() if name.startswith("case/")}
    renamed[f"{b}/case.toml"] = case_toml(("APC-5",))
    manifest = json.loads(whole["manifest.json"]) | {"case": b, "layout": {"house folder": "x"}}
    manifest["files"] |= {name: sha256(each) for name, each in renamed.items()}
    forged = whole | renamed | {"manifest.json": json.dumps(manifest).encode()}
    put(tmp_path, "a.pdf", pdf(forged))
    (row,) = update(tmp_path).rows
    assert row.decision == "not intact: would be approved"
    assert "is attached but no input that decision.json rests on" in row.remark


def test_a_sign_off_on_a_day_that_has_not_come_does_not_hold(tmp_path):
    row = placed(tmp_path, signed_as=lambda d: signoff_toml(d, day="2099-01-01"))
    assert (row.standing, row.decision) == ("draft", DRAFT)
    assert "2099-01-01, a day that has not come" in row.remark
    (row,) = update(tmp_path, today=date(2099, 1, 1)).rows
    assert row.decision == "approved"


def test_verification_judges_the_days_of_sign_offs_too():
    for day, today, holds in (
        ("2026-03-30", TODAY, True),
        ("2099-01-01", TODAY, False),
        ("2099-01-01", date(2098, 12, 31), True),  # elsewhere it may be tomorrow
    ):
        given = files(document(), signed_as=lambda d, day=day: signoff_toml(d, day=day))
        assert sign_offs(dossier_of(given, "case"), today).complete is holds


CONCESSION = """
[[concession]]
requirement = "E1"
text = "until the maker delivers"
agreed_by = "Somebody (invented)"
agreed = 2026-03-01
until = 2026-09-30
"""


def conceded(**doc):
    fails = [finding(verdict="fail", value=90.0, concession="until the maker delivers")]
    return {
        "findings": fails, "decision": "approved with conditions",
        "inputs": {"case.toml": case_toml() + CONCESSION.encode()},
    } | doc  # fmt: skip


def test_a_concession_that_the_case_does_not_give_covers_nothing(tmp_path):
    fails = [finding(verdict="fail", value=90.0, concession="a leave that nobody gave")]
    row = placed(tmp_path, **conceded(findings=fails))
    assert row.decision == "not intact: would be approved with conditions"
    assert "concession that its case.toml does not give" in row.remark


@pytest.mark.parametrize("text", [b"requirement = 3", b"requirement = [1, 2]", b"duty = 1"])
def test_a_strange_application_does_no_harm(tmp_path, text):
    row = placed(tmp_path, inputs={"application.toml": text})
    assert row.decision == "not intact: would be approved"


def test_a_concession_that_ran_out_reads_expired_and_counts_as_due(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", review_due="2029-01-01", **conceded()))
    row = update(tmp_path).rows[0]
    assert (row.decision, row.valid_until) == ("approved with conditions", "2026-09-30")
    last, after = date(2026, 9, 30), date(2026, 10, 1)
    assert update(tmp_path, today=last).rows[0].decision == "approved with conditions"
    assert update(tmp_path, today=after).rows[0].decision == (
        "expired: was approved with conditions"
    )
    due = replace(EVERYTHING, review_due_by=last)
    assert len(find(tmp_path, due)) == 1
    assert find(tmp_path, replace(EVERYTHING, review_due_by=TODAY)) == ()
    assert len(find(tmp_path, replace(EVERYTHING, standing="expired"), today=after)) == 1


def test_a_review_that_is_over_ends_an_approval_but_no_refusal(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", review_due="2026-05-01"))
    put(tmp_path, "b.pdf", dossier("B", review_due="2026-05-01", decision="not approved"))
    assert decisions(tmp_path) == {"a.pdf": "expired: was approved", "b.pdf": "not approved"}


def test_a_sign_off_given_after_the_end_does_not_hold(tmp_path):
    late = conceded(signed_as=lambda d: signoff_toml(d, day="2026-10-02"))
    row = placed(tmp_path, **late)
    assert row.decision == "draft: would be approved with conditions"
    assert "when the approval ended" in row.remark


def test_an_end_that_the_concessions_do_not_give_is_a_contradiction(tmp_path):
    doc = document("A", **{k: v for k, v in conceded().items() if k != "inputs"})
    doc["valid_until"] = "2099-01-01"
    put(tmp_path, "a.pdf", pdf(files(doc, inputs=conceded()["inputs"])))
    (row,) = update(tmp_path).rows
    assert row.decision == "not intact: would be approved with conditions"
    assert "another end" in row.remark


# Seals.


@pytest.fixture
def one(dossier, tmp_path):
    """A folder for one sealed dossier, to be changed."""
    return lambda data, **how: (put(tmp_path, "s.pdf", data), update(tmp_path, **how).rows[0])[1]


def test_a_sealed_dossier_stands_and_says_who_sealed_it(dossier, one):
    row = one(dossier.data)
    assert (row.decision, row.standing) == ("approved", "signed off")
    assert "test identities, which prove nothing" in row.remark


@pytest.mark.parametrize("back", [1200, 5000, 5400])
def test_one_bit_in_a_signature_takes_the_approval_away(dossier, one, back):
    at = dossier.data.rindex(b"/Contents <") + back
    row = one(sealed.flipped(dossier.data, at))
    assert row.decision == "not intact: would be approved"


def test_a_seal_of_somebody_else_or_something_behind_it_takes_the_approval_away(dossier, one):
    row = one(sealed.appended(dossier.data, sealed.add_annotation))
    assert row.decision == "not intact: would be approved"


def test_with_trust_only_what_is_vouched_for_reads_as_its_decision(dossier, one, tmp_path):
    assert one(dossier.data, trust=dossier.trust).decision == "approved"
    other = sealed.identities(tmp_path / "other")["prepared"].parent / "test-authority.pem"
    row = one(dossier.data, trust=[other.read_bytes()])
    assert row.decision == "not proven: would be approved"
    for version, why in ((0, "no digital signature"), (1, "nobody has sealed it as checked")):
        row = one(dossier.versions[version], trust=dossier.trust)
        assert (row.decision, row.remark) == ("not proven: would be approved", why)


def test_the_command_judges_by_trust_and_prints_the_end(dossier, tmp_path):
    from tests.archive.test_register_command import command

    put(tmp_path, "s.pdf", dossier.data)
    ran = command(tmp_path, "--json", "--trust", dossier.authority)
    (told,) = json.loads(ran.stdout)["dossiers"]
    assert (told["decision"], told["valid_until"]) == ("approved", "2029-03-31")
