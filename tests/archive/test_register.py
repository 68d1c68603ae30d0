"""The register over a folder: chain, removal, replacement, supersession, what is no dossier."""

import sqlite3

import pytest
from pypdf import PdfReader, PdfWriter

from dossier.record.recall import REGISTER
from dossier.register.register import Wanted
from dossier.register.store import GENESIS, RegisterError
from tests.archive.made import document as doc
from tests.archive.made import dossier, files, find, finding, pdf, put, sha256, signoff_toml, update

EVERYTHING = Wanted(superseded=True)


@pytest.fixture
def sealed_dossier(request):
    """The sealed dossier of this folder, whose usual name stands for one made by hand here."""
    return request.getfixturevalue("dossier")


def decisions(folder, wanted=EVERYTHING):
    return {hit.row.file: hit.row.decision for hit in find(folder, wanted)}


def kinds(outcome):
    return [event.kind for event in outcome.events]


def test_an_empty_folder_has_an_empty_chain(tmp_path):
    outcome = update(tmp_path)
    assert (outcome.head, outcome.count, outcome.whole) == (GENESIS, 0, True)
    assert find(tmp_path, EVERYTHING) == ()


def test_a_signed_off_dossier_reads_as_its_decision_and_a_draft_does_not(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    put(tmp_path, "b.pdf", dossier("B", signed=False))
    put(tmp_path, "deep/c.PDF", dossier("C", decision="not approved"))
    outcome = update(tmp_path)
    assert (outcome.count, outcome.read, outcome.whole) == (3, 3, True)
    assert decisions(tmp_path) == {
        "a.pdf": "approved",
        "b.pdf": "draft: would be approved",
        "deep/c.PDF": "not approved",
    }


@pytest.mark.parametrize("standing", ["draft", "not approved", "", 1, ["approved"]])
def test_a_standing_other_than_the_decision_is_a_draft_whoever_signed(tmp_path, standing):
    put(tmp_path, "a.pdf", pdf(files(doc(), standing=standing)))
    update(tmp_path)
    (hit,) = find(tmp_path, EVERYTHING)
    assert (hit.row.decision, hit.row.remark) == ("draft: would be approved", "")


def test_a_plain_draft_needs_no_remark(tmp_path):
    put(tmp_path, "a.pdf", dossier(signed=False))
    update(tmp_path)
    assert [hit.row.remark for hit in find(tmp_path, EVERYTHING)] == [""]


def claims(text):
    return lambda _: text.encode()


@pytest.mark.parametrize(
    ("signed_as", "why"),
    [
        (claims(""), "nobody has signed as prepared"),
        (claims("signed = 3"), "cannot be read"),
        (claims("not toml"), "cannot be read"),
        (lambda d: signoff_toml(d, roles=("prepared", "checked")), "signed as approved"),
        (lambda d: signoff_toml(d, roles=("approved",)), "stands before it"),
        (lambda d: signoff_toml(d | {"decision": "undecided"}), "have changed"),
        (lambda d: signoff_toml(d, day="2026-02-15"), "dated before a test, an agreement"),
    ],
)
def test_a_claim_to_be_signed_off_is_not_enough(tmp_path, signed_as, why):
    put(tmp_path, "a.pdf", dossier(signed_as=signed_as))
    update(tmp_path)
    (hit,) = find(tmp_path, EVERYTHING)
    assert hit.row.decision == "draft: would be approved"
    assert why in hit.row.remark


def test_a_claim_without_any_sign_off_is_a_draft(tmp_path):
    content = files(doc(), signed=False)
    content["decision.json"] = content["decision.json"].replace(
        b'"signed": false', b'"signed": true'
    ).replace(b'"standing": "draft"', b'"standing": "approved"')  # fmt: skip
    content["manifest.json"] = content["manifest.json"].replace(
        sha256(files(doc(), signed=False)["decision.json"]).encode(),
        sha256(content["decision.json"]).encode(),
    )
    put(tmp_path, "a.pdf", pdf(content))
    update(tmp_path)
    (hit,) = find(tmp_path, EVERYTHING)
    assert (hit.row.standing, hit.row.remark) == (
        "draft", "says it is signed off, but no sign-offs are attached",
    )  # fmt: skip


def test_a_concession_needs_the_approver_whatever_the_case_asks(tmp_path):
    from tests.archive.made import case_toml

    conceded = [finding(verdict="fail", concession="until summer comes")]
    leave = (
        b'[[concession]]\nrequirement = "E1"\ntext = "until summer comes"\nagreed_by = "X"\n'
        b'agreed = 2026-03-01\nmachines = ["Pump 1"]\n'
    )
    roles = b'[signoff]\nroles = ["prepared", "checked"]\n'
    inputs = {"case.toml": case_toml() + leave + roles}
    short = {"signed_as": lambda d: signoff_toml(d, roles=("prepared", "checked"))}
    word = "approved with conditions"
    put(tmp_path, "a.pdf", dossier("A", inputs=inputs, decision=word, findings=conceded, **short))
    put(tmp_path, "b.pdf", dossier("B", inputs=inputs, decision=word, findings=conceded))
    put(tmp_path, "c.pdf", dossier("C", inputs=inputs, decision="approved", **short))
    update(tmp_path)
    assert decisions(tmp_path) == {
        "a.pdf": f"draft: would be {word}", "b.pdf": word, "c.pdf": "approved",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "old", "new", "stands"),
    [
        ("case.toml", b"", b"", True),
        ("case.toml", b"", b'[[deviation]]\nrecord = "MP-1"\nagreed = 2026-03-30\n', True),
        ("case.toml", b"", b'[[deviation]]\nrecord = "MP-1"\nagreed = 2026-03-31\n', False),
        ("application.toml", b"title", b"issued = 2026-03-31\ntitle", False),
    ],
)
def test_what_was_agreed_after_a_sign_off_was_not_signed(tmp_path, name, old, new, stands):
    from tests.archive.made import application, case_toml, document

    text = application(document()) if name == "application.toml" else case_toml()
    text = text.replace(old, new, 1) if old else text + new
    put(tmp_path, "a.pdf", dossier(inputs={name: text}))
    word = "approved" if stands else "draft: would be approved"
    assert decisions(tmp_path) == {"a.pdf": word}


def changed(name, content):
    return lambda given: given | {name: content}


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (changed("case/records/mp-1.csv", b"size,up,down\n20,100,0\n"), "digest of the manifest"),
        (changed("extra.txt", b"x"), "not in the manifest"),
        (lambda g: {k: v for k, v in g.items() if "mp-1" not in k}, "is not attached"),
        (
            lambda g: g | {"decision.json": g["decision.json"].replace(b"98.5", b"99.5")},
            "decision.json does not have the digest",
        ),
    ],
)
def test_attachments_that_contradict_the_manifest_do_not_read_as_approved(tmp_path, change, why):
    put(tmp_path, "a.pdf", pdf(change(files(doc()))))
    update(tmp_path)
    (hit,) = find(tmp_path, EVERYTHING)
    assert hit.row.decision == "not intact: would be approved"
    assert why in hit.row.remark


def test_what_a_kept_head_binds_is_not_read_again(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    first = update(tmp_path)
    put(tmp_path, "b.pdf", dossier("B"))
    second = update(tmp_path, head=first.head)
    third = update(tmp_path, head=second.head)
    assert (first.read, second.read, third.read) == (1, 1, 0)
    assert [row.decision for row in third.rows] == ["approved", "approved"]
    assert third.rests == second.rests
    assert len(second.heads) == 2
    assert third.head == second.head != first.head
    assert second.heads[:1] == first.heads


def test_without_its_file_the_register_is_made_anew_with_the_same_head(tmp_path):
    for day, name in enumerate("cab", 1):
        put(tmp_path, f"{name}.pdf", dossier(name, issued=f"2026-04-0{day}"))
        update(tmp_path)  # registered one by one, in order of issue
    grown = update(tmp_path)
    before = decisions(tmp_path)
    (tmp_path / REGISTER).unlink()
    assert update(tmp_path).head == grown.head
    assert decisions(tmp_path) == before


def test_several_processes_read_the_same(tmp_path):
    for n in range(20):
        put(tmp_path, f"{n}.pdf", dossier(f"N-{n}", signed=n % 2 > 0))
    put(tmp_path, "n.pdf", b"no")
    several = update(tmp_path, jobs=2)
    before = decisions(tmp_path)
    (tmp_path / REGISTER).unlink()
    assert update(tmp_path) == several
    assert decisions(tmp_path) == before
    assert several.unreadable == (("n.pdf", "not a PDF"),)


def test_a_removed_dossier_shows_in_every_run_until_it_is_back(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    path = put(tmp_path, "b.pdf", dossier("B"))
    head = update(tmp_path).head
    content = path.read_bytes()
    path.unlink()
    for _ in range(2):
        outcome = update(tmp_path)
        assert (kinds(outcome), outcome.whole, outcome.head) == (["missing"], False, head)
        assert "B r0" in outcome.events[0].text
    assert "b.pdf" not in decisions(tmp_path)
    put(tmp_path, "moved/b2.pdf", content)
    assert update(tmp_path).events == ()


def test_a_replaced_dossier_shows_and_the_new_one_enters_the_chain(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", decision="not approved"))
    first = update(tmp_path)
    put(tmp_path, "a.pdf", dossier("A", decision="approved"))
    for _ in range(2):
        outcome = update(tmp_path)
        assert (kinds(outcome), outcome.whole) == (["replaced"], False)
        assert (len(outcome.heads), outcome.heads[0]) == (2, first.head)


@pytest.mark.parametrize("content", [b"%PDF-1.7 broken", None])
def test_a_dossier_overwritten_by_something_else_shows_as_replaced(tmp_path, content):
    put(tmp_path, "a.pdf", dossier("A"))
    update(tmp_path)
    put(tmp_path, "a.pdf", content or dossier("OTHER"))
    assert kinds(update(tmp_path)) == ["replaced"]


def test_a_draft_that_gives_way_to_the_signed_dossier_breaks_nothing(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", signed=False))
    update(tmp_path)
    put(tmp_path, "a.pdf", dossier("A"))
    outcome = update(tmp_path)
    assert (kinds(outcome), outcome.whole) == (["draft replaced"], True)
    assert decisions(tmp_path) == {"a.pdf": "approved"}
    assert update(tmp_path).events == ()  # told once


def test_a_draft_that_is_removed_shows(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", signed=False)).unlink()
    path = put(tmp_path, "a.pdf", dossier("A", signed=False))
    update(tmp_path)
    path.unlink()
    outcome = update(tmp_path)
    assert (kinds(outcome), outcome.whole) == (["missing"], False)


def grown(content, attach=None):
    """Return the PDF with an incremental update, as a digital signature makes it."""
    import io

    writer = PdfWriter(io.BytesIO(content), incremental=True)
    writer.add_metadata({"/Note": "later"})
    for each in writer.attachment_list:
        if attach:
            each.content = attach[each.name]
    out = io.BytesIO()
    writer.write(out)
    assert out.getvalue().startswith(content)
    assert len(PdfReader(out).pages) == 1
    return out.getvalue()


def test_what_was_added_and_is_no_seal_takes_the_decision_away(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    update(tmp_path)
    put(tmp_path, "a.pdf", grown(dossier("A")))
    outcome = update(tmp_path)
    assert (kinds(outcome), outcome.whole) == (["replaced"], False)
    assert decisions(tmp_path) == {"a.pdf": "not intact: would be approved"}


def test_a_dossier_that_was_sealed_since_is_no_break(sealed_dossier, tmp_path):
    put(tmp_path, "a.pdf", sealed_dossier.versions[0])
    update(tmp_path)
    put(tmp_path, "a.pdf", sealed_dossier.versions[1])
    outcome = update(tmp_path)
    assert (kinds(outcome), outcome.whole) == (["signed since"], True)
    assert decisions(tmp_path) == {"a.pdf": "approved"}
    assert update(tmp_path).events == ()  # told once
    put(tmp_path, "a.pdf", dossier("A", title="Forged"))
    assert kinds(update(tmp_path)) == ["replaced", "replaced"]


def test_an_attachment_changed_by_an_appended_revision_is_a_replacement(tmp_path):
    put(tmp_path, "a.pdf", dossier("A", decision="not approved"))
    update(tmp_path)
    other = files(doc("A", decision="approved"))
    put(tmp_path, "a.pdf", grown(dossier("A", decision="not approved"), attach=other))
    outcome = update(tmp_path)
    assert decisions(tmp_path) == {"a.pdf": "not intact: would be not approved"}
    assert (kinds(outcome), outcome.whole) == (["replaced"], False)


def test_the_longer_of_two_is_taken_where_it_begins_with_the_other(sealed_dossier, tmp_path):
    put(tmp_path, "a.pdf", sealed_dossier.versions[0])
    put(tmp_path, "b.pdf", sealed_dossier.versions[3])
    update(tmp_path)
    assert decisions(tmp_path) == {"a.pdf": "superseded: was approved", "b.pdf": "approved"}


def test_two_dossiers_of_one_number_are_in_conflict_and_neither_reads_as_approved(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    put(tmp_path, "b.pdf", dossier("a", title="Another"))  # capitals tell no number from another
    update(tmp_path)
    assert set(decisions(tmp_path).values()) == {"in conflict: would be approved"}
    assert find(tmp_path, Wanted(decision="approved", superseded=True)) == ()


def test_copies_are_listed_once(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    put(tmp_path, "b.pdf", dossier("A"))
    outcome = update(tmp_path)
    assert (outcome.count, outcome.copies) == (1, (("b.pdf", "a.pdf"),))


def edit(folder, statement):
    connection = sqlite3.connect(folder / REGISTER)
    with connection:
        connection.execute(statement)
    connection.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE chain SET number = 'X' WHERE seq = 1",
        "UPDATE chain SET record_sha256 = digest WHERE seq = 2",
        "UPDATE chain SET digest = prev WHERE seq = 2",
        "UPDATE chain SET number = 'é' WHERE seq = 2",
        "DELETE FROM chain WHERE seq = 1",
    ],
)
def test_an_edited_chain_shows(tmp_path, statement):
    put(tmp_path, "a.pdf", dossier("A"))
    put(tmp_path, "b.pdf", dossier("B"))
    update(tmp_path)
    edit(tmp_path, statement)
    outcome = update(tmp_path)
    assert "chain broken" in kinds(outcome)
    assert not outcome.whole


def test_a_chain_cut_at_its_end_passes_no_longer_through_the_head_that_was_kept(tmp_path):
    put(tmp_path, "a.pdf", dossier("A"))
    path = put(tmp_path, "b.pdf", dossier("B"))
    kept = update(tmp_path).head
    edit(tmp_path, "DELETE FROM chain WHERE seq = 2")
    path.unlink()
    assert kinds(update(tmp_path)) == ["row altered"]  # its row is left
    outcome = update(tmp_path)
    assert outcome.whole  # the chain alone cannot know: this is why the head is kept elsewhere
    assert kept not in outcome.heads


NO_DOSSIERS = {
    "text.pdf": (b"hello", "not a PDF"),
    "empty.pdf": (b"", "not a PDF"),
    "cut.pdf": (b"%PDF-1.7\n1 0 obj\n<<", "cannot be read"),
    "bare.pdf": (pdf({}), "nothing is attached"),
    "other.pdf": (pdf({"x.txt": b"x"}), "no manifest.json"),
    "json.pdf": (pdf({"manifest.json": b"{"}), "manifest.json is not valid JSON"),
    "twice.pdf": (pdf({"manifest.json": b'{"case": "a", "case": "b"}'}), "or says something twice"),
    "deep.pdf": (pdf({"manifest.json": b"[" * 100_000}), "manifest.json is not valid JSON"),
    "form.pdf": (pdf({"manifest.json": b"{}"}), "manifest.json is not of a known form: schema"),
    "nan.pdf": (
        pdf(files(doc()) | {"decision.json": b'{"seed": NaN}'}),
        "decision.json is not valid JSON",
    ),
    "future.pdf": (
        pdf(files(doc() | {"schema": "dossier decision 2.0"})),
        "decision.json is not of a known form: schema",
    ),
    "number.pdf": (pdf(files(doc("../x"))), "case.number"),
    "word.pdf": (pdf(files(doc(decision="perhaps"), signed=False)), "known form: decision"),
    "half.pdf": (
        pdf({k: v for k, v in files(doc()).items() if k != "decision.json"}),
        "no decision.json",
    ),
    "lone.pdf": (pdf(files(doc(title="\ud800"), signed=False)), "case.title"),
}


def test_what_is_no_dossier_is_listed_with_the_reason(tmp_path):
    for name, (content, _) in NO_DOSSIERS.items():
        put(tmp_path, name, content)
    put(tmp_path, "good.pdf", dossier())
    put(tmp_path, ".hidden.pdf", b"x")
    (tmp_path / "gone.pdf").symlink_to(tmp_path / "nowhere")
    outcome = update(tmp_path)
    reasons = dict(outcome.unreadable)
    assert reasons.pop("gone.pdf") == "No such file or directory"
    assert set(reasons) == set(NO_DOSSIERS)
    for name, (_, why) in NO_DOSSIERS.items():
        assert why in reasons[name], name
    assert (outcome.count, outcome.whole) == (1, True)


def test_two_attachments_of_one_name_are_refused(tmp_path):
    twice = [*files(doc()).items(), ("decision.json", b"{}")]
    put(tmp_path, "a.pdf", pdf(twice))
    assert "two attachments" in dict(update(tmp_path).unreadable)["a.pdf"]


def test_an_encrypted_file_is_no_dossier(tmp_path):
    writer = PdfWriter(put(tmp_path, "a.pdf", dossier()))
    writer.encrypt("secret", algorithm="RC4-128")
    writer.write(tmp_path / "a.pdf")
    assert dict(update(tmp_path).unreadable) == {"a.pdf": "encrypted"}


@pytest.mark.parametrize("content", [b"no database at all, but long enough to be one" * 40, None])
def test_a_damaged_register_file_says_what_to_do(tmp_path, content):
    if content is None:
        edit(tmp_path, "CREATE TABLE other (x)")
    else:
        put(tmp_path, REGISTER, content)
    with pytest.raises(RegisterError, match=r"move it away|another version"):
        update(tmp_path)


def test_what_is_no_folder_is_refused(tmp_path):
    with pytest.raises(RegisterError, match="no such folder"):
        update(tmp_path / "nowhere")
