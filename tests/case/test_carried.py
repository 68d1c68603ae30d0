"""Evidence carried over from the dossier before: what each wrong way of doing it meets."""

import hashlib
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest

from dossier import CaseError, assess, build, read_case
from dossier.batch.cluster import build_parcel, packed
from dossier.case import carried, compared
from dossier.case.agreed import BY_MAKER
from dossier.case.attached import open_pdf
from dossier.case.case import Case
from dossier.case.compared import CONDITIONS, Source, _method, valve_faults
from dossier.case.model import Conditions, Laboratory, Qualification
from dossier.case.tables.written import MEASURED
from dossier.case.toml_text import parse_toml
from dossier.case.units import parse_quantity
from dossier.case.whole import KINDS
from dossier.decision.choice import Candidate, _as_one
from dossier.evidence.records.usable import expected
from dossier.make import read as proving
from dossier.make import recompute
from dossier.make.decide import decision_json, limits, undrawn
from dossier.make.outcome import Order
from dossier.make.read import case_in, doubts, proof_problems
from dossier.make.recompute import page_problems
from dossier.make.request_files import asked_of, filed
from dossier.record.dossier_file import read_dossier
from dossier.record.recall import FILE, Recall, Recalls
from dossier.record.rests import rests_on
from tests.archive.sealed import (
    attachment_stream,
    flipped,
    identities,
    page_stream,
    place_of,
    seal_all,
    short_case,
)  # fmt: skip
from tests.made_bench import application

INPUTS = Path(__file__).parents[2] / "inputs"
TODAY = date(2026, 11, 1)
PDF = "replaced/LFQ-0412-r0.pdf"


@pytest.fixture
def glue(tmp_path):
    shutil.copytree(INPUTS / "polder-glue", tmp_path / "polder-glue")
    return tmp_path / "polder-glue"


def edit(folder, *pairs, file="case.toml"):
    path = folder / file
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert re.search(old, text), old
        text = re.sub(old, new, text)
    path.write_text(text, "utf-8")


def told(folder, **how):
    """Return all problems of a case; fails where there is none."""
    with pytest.raises(CaseError) as error:
        case_in(folder, TODAY, **how)
    return "\n".join(map(str, error.value.problems))


def test_what_is_carried_counts_as_if_tested_and_is_told_from_what_is_new(glue):
    case = read_case(glue, on=TODAY)
    assert [each.doubts for each in case.carried] == [("unsealed",)]
    found = {r.id for r in case.records if case.source(r.id)}
    assert found == {"PD-C1", "PD-C2", "PD-C3", "BV-C", "MP-R1", "MP-R2", "MP-R3", "PD-R1",
                       "PD-R2", "PD-R3"}  # fmt: skip
    before = {r.id: r for r in read_case(INPUTS / "polder-pumps").records}
    for record in case.records:
        if record.id in found:
            table, old = record.table, before[record.id].table
            assert type(table) is type(old)
            assert (table.pressure_drop == old.pressure_drop).all()
            assert record.file.startswith(f"polder-glue/{PDF}!/polder-pumps/records/")
    assert f"polder-glue/{PDF}" in {each.name for each in case.inputs}


def test_what_carried_records_used_stays_what_it_was(glue):
    """A flow meter that is said to be better now is not so in the tests of the year before."""
    edit(glue, ("(?m)^(FM-04.*)0.5 %$", r"\g<1>0.1 %"), file="instruments.csv")
    other = 'id = "sweep fluid"\nkv40 = "90 mm2/s"\nkv100 = "10 mm2/s"\ndensity15 = "0.9 kg/L"\n'
    edit(glue, (r"(?m)^\[defaults\.multipass\]$", f"[[fluid]]\n{other}\n[defaults.multipass]"))
    case = read_case(glue, on=TODAY)
    used = {r.id: r.entry for r in case.records}
    assert "FM-04" in used["MP-D1"].instruments
    assert "FM-04 (LFQ-0412 rev 0)" in used["PD-C1"].instruments
    assert case.instrument("FM-04").reading_u == "0.1 %"
    assert case.instrument("FM-04 (LFQ-0412 rev 0)").reading_u == "0.5 %"
    assert used["PD-C1"].fluid == "sweep fluid (LFQ-0412 rev 0)"
    assert case.fluid(used["PD-C1"].fluid).kv40.value == pytest.approx(100e-6)
    assert used["PD-C1"].laboratory == used["MP-D1"].laboratory == "ITH"


def test_a_laboratory_that_is_accredited_for_more_since_is_the_same_laboratory(glue):
    edit(glue, (r'"ISO 4548-2:1997"\]', '"ISO 4548-2:1997", "ISO 4548-6:2012"]'))
    case = read_case(glue, on=TODAY)
    used = {r.id: r.entry for r in case.records}
    assert used["PD-C1"].laboratory == "ITH (LFQ-0412 rev 0)"
    assert "ISO 4548-6:2012" not in case.laboratory(used["PD-C1"].laboratory).methods
    assert {case.laboratory_of(entry) for entry in used.values()} == {"ITH"}


def test_two_sites_of_one_name_stay_two_where_their_evidence_is_carried():
    ids = "ITH (North)", "ITH (South)", "ITH (South) (LFQ-1 rev 0)"
    houses = [Laboratory(id=each, name="Invented Test House") for each in ids]
    case = SimpleNamespace(
        source=lambda _: True, laboratory={each.id: each for each in houses}.get,
        qualification=SimpleNamespace(laboratory=houses),
    )  # fmt: skip
    used = [Case.laboratory_of(case, SimpleNamespace(id="M", laboratory=each)) for each in ids]
    assert used == ["ITH (North)", "ITH (South)", "ITH (South)"]


REVIEW = "2029-03-31"
LOT = ('lots = \\["lot 26-233"\\]', 'lots = ["lot 26-233", "lot 25-311"]')
SENTENCES = {
    "no change named": (
        [(r"\[change\]\n.*\n.*\n", "")], "change: is missing: nothing says what changed"
    ),
    "said twice": (
        [(r"\[change\]", 'changes = "The maker took another glue."\n[change]')],
        "changes: stands beside [change]",
    ),
    "says nothing": ([(r'(?m)^text = .*', 'text = "Glue."')], "does not say what changed"),
    "named twice": ([(r'"glue"\]', '"glue", "glue"]')], "what names a change twice"),
    "unknown kind": ([(r'"glue"\]', '"colour"]')], "'anti-drain valve', 'can', 'plant', 'lot'"),
    "reopened by the change": (
        [(r'"PD-C1", ', '"MP-C1", "MP-C2", "MP-C3", "PD-C1", ')],
        "carries MP-C1 (multipass), reopened by: glue. test it anew",
    ),
    "another change reopens it": (
        [(r'"glue"\]', '"glue", "medium"]')],
        "carries PD-C1 (pressure_drop), reopened by: medium",
    ),
    "valve": ([(r'"glue"\]', '"valve"]')], "carries BV-C (bypass_valve), reopened by: valve"),
    "choosing among the evidence": (
        [(r'"PD-C1", "PD-C2"', '"PD-C2"')], "leaves out PD-C1 of LFQ-0412 rev 0, though PD-C2"
    ),
    "choosing on the other side": (
        [(r'"MP-R1", ', "")], "leaves out MP-R1 of LFQ-0412 rev 0, though MP-R2"
    ),
    "tested anew where nothing reopens it": (
        [(r'"glue"\]', '"lot"]')], "leaves out MP-C1 of LFQ-0412 rev 0, though MP-D1"
    ),
    "carried twice": ([(r'"BV-C"\]', '"BV-C", "PD-C1"]')], "names 'PD-C1' again"),
    "no such record": ([(r'"BV-C"\]', '"BV-D"]')], "names 'BV-D', which LFQ-0412 rev 0 does not"),
    "digest in capitals": ([(r'sha256 = "\w', 'sha256 = "A')], "is no SHA-256: 64 digits"),
    "another part": (
        [(r'"CAN-0412-A"', '"CAN-0412-B"')], "candidate . part_number: is 'CAN-0412-B', in LFQ"
    ),
    "another maker": ([(r"Candidate maker", "Other maker")], "candidate . maker: is 'Other maker"),
    "another filter now fitted": (
        [(r'"FIT-0412"', '"FIT-0413"')], "evidence of another filter is not carried"
    ),
    "filter now fitted described otherwise": (
        [(r'"Spin-on, cellulose, valve', '"Spin-on, glass, valve')],
        "reference . description: is not that of LFQ-0412 rev 0",
    ),
    "another text and no word of it": (
        [(r'"glue"\]', '"lot"]'), (r"cellulose and glass", "glass")],
        "candidate . description: is not that of LFQ-0412 rev 0",
    ),
    "lot from before the change": ([LOT], "lot 25-311 was made before the change"),
    "lot from before the change, spelled otherwise": (
        [('"lot 26-233"', '"Los Nr. 25/311"')], "Los Nr. 25/311 was made before the change"
    ),
    "lot from before the change, with nothing between": (
        [('"lot 26-233"', '"Lot25311"')], "Lot25311 was made before the change"
    ),
    "lot of the changed filter not named": (
        [(r'(?m)^lots = \["lot 26-233"\]\n', "")], "candidate . lots: are not named"
    ),
    "another lot and no word of it": (
        [(r'"glue"\]', '"laboratory"]')], "lot 26-233: no lot of LFQ-0412 rev 0"
    ),
    "another lot of the filter now fitted": (
        [(r'"lot 24-118"', '"lot 24-119"')], "lot 24-119: no lot of LFQ-0412 rev 0"
    ),
    "another laboratory": (
        [(r'"Invented Test House"', '"Other Test House"')], "add 'laboratory' to what of [change]"
    ),
    "another test flow": (
        [(r'flow = "80 L/min"', 'flow = "70 L/min"')],
        "ISO 4548-12:2017, flow 70 L/min, terminal pressure drop 150 kPa",
    ),
    "another edition": (
        [(r'standard = "ISO 4548-12:2017"', 'standard = "ISO 4548-12:2000"')],
        "multipass candidate full_flow: ISO 4548-12:2000",
    ),
    "no end": ([(rf"until = {REVIEW}\n", "")], "until: "),
    "end beyond the review": (
        [(rf"until = {REVIEW}", "until = 2030-01-31")],
        f"is 2030-01-31, later than {REVIEW}, the review of LFQ-0412 rev 0",
    ),
    "end that has passed": (
        [(rf"until = {REVIEW}", "until = 2026-10-01")],
        "is 2026-10-01, before the date of issue, 2026-10-12",
    ),
    "no reason": ([(r"(?m)^reason = .*", 'reason = "Same."')], "'Same.' says nothing"),
    "nobody": ([(r'agreed_by = ".*"', 'agreed_by = "none"')], "'none' names nobody"),
    "another digest": ([(r'sha256 = "....', 'sha256 = "0000')], f"is not that of {PDF}"),
    "no such file": ([(PDF, "replaced/none.pdf")], "replaced/none.pdf"),
    "outside the inputs": ([(PDF, "../../LFQ.pdf")], "leads out of the inputs folder"),
    "superseded": (
        [(r"revision = 1", "revision = 2")],
        "is LFQ-0412 rev 0, which revision 1 of LFQ-0412 supersedes",
    ),
    "not an earlier one": (
        [(r"revision = 1", "revision = 0")], "is LFQ-0412 rev 0, no earlier than this case"
    ),
    "not the one replaced": (
        [(r'number = "LFQ-0412"', 'number = "LFQ-0999"'),
         (r'replaces = ".*"', 'replaces = "LFQ-0500 rev 3"')],
        "is LFQ-0412 rev 0; the case replaces LFQ-0500 rev 3",
    ),
    "agreed on afterwards": (
        [(r"\Z", '\n[[deviation]]\nrecord = "PD-C3"\ntext = "The flow meter was exchanged before."'
          '\neffect = "record excluded"\nagreed_by = "Head"\nagreed = 2026-10-01\n')],
        "deviation: is of 'PD-C3', which is carried from LFQ-0412 rev 0",
    ),
    "specimen table of the same name": (
        [(r"\Z", '\n[[specimen]]\nid = "C2"\nfilter = "candidate"\n')],
        "'C2' of the candidate is a specimen of",
    ),
    "specimen of the same name": (
        [(r'specimens = \["D1"', 'specimens = ["C1"')], "'C1' of the candidate is a specimen of"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SENTENCES)
def test_a_wrong_way_of_carrying_meets_a_sentence(name, glue):
    pairs, sentence = SENTENCES[name]
    edit(glue, *pairs)
    assert sentence in told(glue)


def test_another_valve_in_the_machine_is_a_change_to_be_named(glue):
    (glue / "requested.toml").unlink()
    edit(glue, ('min = "160 kPa"', 'min = "170 kPa"'), file="application.toml")
    assert "add 'valve' to what of [change]" in told(glue)


def test_a_record_of_the_case_has_an_id_of_its_own(glue):
    edit(glue, (r"MP-D1,", "MP-R1,"), file="runs.csv")
    assert "is carried from LFQ-0412 rev 0 as well: which of them counts" in told(glue)


def old_file(name):
    files = open_pdf((INPUTS / "polder-glue" / PDF).read_bytes()).files
    return files[f"polder-pumps/records/{name}.csv"]


def test_a_file_of_the_dossier_before_is_not_tested_anew(glue):
    (glue / "records/mp-d1.csv").write_bytes(old_file("mp-c1"))
    assert "same bytes as polder-pumps/records/mp-c1.csv of LFQ-0412 rev 0" in told(glue)


def test_readings_of_the_dossier_before_are_not_tested_anew(glue):
    content = old_file("mp-c2").replace(b"Specimen C2", b"Specimen D1")
    (glue / "records/mp-d1.csv").write_bytes(content)
    assert "holds the same readings as record 'MP-C2' of LFQ-0412 rev 0" in told(glue)


def test_what_an_earlier_dossier_tested_and_nobody_carried_on_is_not_tested_anew(monkeypatch):
    file = SimpleNamespace(name="old.csv", sha256="0" * 64)
    oldest = SimpleNamespace(records=(), inputs=[file], carried=())
    before = SimpleNamespace(records=(), inputs=(), carried=[source_of(b"r0")])
    proved = {b"r0": ("", (), oldest), b"r1": ("", (), before)}
    monkeypatch.setattr(proving, "_proved", proved.get)
    record = SimpleNamespace(
        id="M", file="new.csv", place="new.csv", entry=SimpleNamespace(kind="")
    )
    case = SimpleNamespace(
        records=[record], inputs=[SimpleNamespace(name="new.csv", sha256="0" * 64)],
        source=lambda _: None,
    )  # fmt: skip
    (problem,) = proof_problems(case, source_of(b"r1"), None)
    assert "holds the same bytes as old.csv of LFQ-0412 rev 0" in str(problem)


@pytest.mark.usefixtures("few_draws")
@pytest.mark.parametrize("gone", ['"MP-R1", "MP-R2", "MP-R3", ', ', "BV-C"'])
def test_a_kind_of_which_nothing_is_carried_lacks_and_nothing_is_chosen(glue, gone):
    edit(glue, (gone, ""))
    assert assess(read_case(glue, on=TODAY), pages=False).decision.value == "undecided"


def test_what_is_carried_is_chosen_between_with_its_own_plan(glue):
    """Set beside another candidate, on either side, as it is in its own case."""
    shutil.copytree(INPUTS / "polder-pumps", glue.parent / "polder-pumps")
    fine = shutil.copytree(INPUTS / "polder-pumps-fine", glue.parent / "fine")
    both = [
        Candidate(label=each.name, case=read_case(each, on=TODAY), assessment=None)
        for each in (glue, fine)
    ]
    for own, other, side in ((*both, "candidate"), (*reversed(both), "reference")):
        case, _ = _as_one(own, other)
        for stem, plan in (("MP-D", {"D1", "D2", "D3"}), ("PD-C", {"C1", "C2", "C3"})):
            ids = {r.id for r in case.records if r.id.startswith(f"polder-glue {stem}")}
            assert expected(case, side, ids) == plan


def test_a_record_has_the_name_of_its_pdf_however_long_that_is(glue):
    name = f"replaced/{'x' * 160}.pdf"
    (glue / PDF).rename(glue / name)
    edit(glue, (PDF, name))
    assert (
        f"/{name}!/" in next(r for r in read_case(glue, on=TODAY).records if r.id == "PD-C1").file
    )


def test_a_file_inside_a_pdf_is_no_record_of_the_case(glue):
    inside = f"{PDF}!/polder-pumps/records/mp-c1.csv"
    edit(glue, ("records/mp-d1.csv", inside), file="runs.csv")
    assert "evidence of another dossier is named by [[carried]]" in told(glue)


def on_file(kind, value, **span):
    why = {"reason": "It was found wrong.", "day": date(2026, 10, 20)}
    return Recalls((Recall(number=1, kind=kind, value=value, **why, **span),))


@pytest.mark.parametrize(
    ("recalls", "named"),
    [
        (on_file("instrument", "FM-04"), "recall 1 (instrument FM-04)"),
        (on_file("record", "PD-C2"), "recall 1 (record PD-C2)"),
        (on_file("dossier", "LFQ-0412 r0"), "recall 1 (dossier LFQ-0412 r0)"),
        (on_file("record", "MP-C1"), ""),  # not carried: tested anew
        (on_file("instrument", "FM-04", until=date(2020, 1, 1)), ""),
        (on_file("dossier", "LFQ-0413"), ""),
    ],
)
def test_what_was_recalled_is_not_carried(glue, recalls, named):
    if named:
        assert f"was recalled: {named}. test anew" in told(glue, recalls=recalls)
    else:
        assert case_in(glue, TODAY, recalls).carried


def test_a_table_stays_the_same_wherever_it_is_carried(glue):
    case = case_in(glue)
    now = undrawn(case, decision_json(case, assess(case, pages=False)))
    before, after = (
        {name: e.value for e in rests_on(each) if e.kind == "table" for name in e.records}
        for each in (read_dossier(glue / PDF), now)
    )
    shared = before.items() & after.items()
    assert {name for name, _ in shared} == case.carried[0].records
    assert len({*after.values()}) == len(after) == len(case.records)


def test_nothing_is_issued_on_evidence_that_ended_before(glue):
    edit(glue, (f"review_due = {REVIEW}", "review_due = 2031-03-31"))
    with pytest.raises(CaseError, match="before the date of issue, 2029-04-01"):
        assess(read_case(glue), date(2029, 4, 1), pages=False)


def test_no_tests_are_asked_beside_evidence_that_ended_or_is_not_proven(glue):
    edit(glue, (r'runs = "runs.csv"\n', ""))
    asked = asked_of(glue)[0]
    assert filed(asked, date(2029, 3, 31)) is None
    with pytest.raises(CaseError, match="before the day of the request, 2029-04-01"):
        filed(asked, date(2029, 4, 1))
    replaced(glue, (glue / PDF).read_bytes() * 2)
    with pytest.raises(CaseError, match="is not intact"):
        asked_of(glue)


def test_what_is_left_after_a_recall_ends_with_what_it_carries(glue, monkeypatch):
    edit(glue, (f"until = {REVIEW}", "until = 2028-12-31"))
    case = read_case(glue)
    then = proving.Recomputed(case=case, assessment=assess(case, pages=False))
    monkeypatch.setattr(recompute, "decided_again", lambda *_, **__: then)
    dossier = SimpleNamespace(issued=None)
    left = recompute.without_records(dossier, ["PD-R1"], "The meter read too low.", TODAY)
    assert (left.decision, left.until) == ("approved with conditions", date(2028, 12, 31))


def test_what_is_left_after_a_recall_lasts_no_longer_than_it_did(monkeypatch):
    """Without a run of the other filter a limit by it is met, and its concession not needed."""
    case = read_case(INPUTS / "polder-pumps-fine")
    then = proving.Recomputed(case=case, assessment=assess(case, pages=False))
    monkeypatch.setattr(recompute, "decided_again", lambda *_, **__: then)
    dossier = SimpleNamespace(issued=None)
    left = recompute.without_records(dossier, ["MP-R1"], "The counter missed some.", TODAY)
    assert [verdict[:3] for verdict in left.verdicts] == [("C2", "fail", "pass")]
    assert left.until == date(2027, 3, 31)


def test_a_dossier_is_not_built_on_what_is_recalled_beside_it(glue, tmp_path):
    (recall,) = on_file("instrument", "FM-04").given
    file = tmp_path / FILE.format(number=1)
    for text, words in (
        (recall.model_dump_json(by_alias=True), "was recalled"),
        ("{", "restore it"),
    ):
        file.write_text(text, "utf-8")
        with pytest.raises(CaseError, match=words):
            build(glue, tmp_path, on=TODAY)
    order = Order(out=tmp_path, on=TODAY, recalls=Recalls((recall,)))
    (problem,) = build_parcel(packed(glue, order)).outcome.problems[1:]  # nor on a cluster
    assert "was recalled" in problem


def replaced(glue, content):
    """Put another file in the place of the PDF, with its digest."""
    (glue / PDF).write_bytes(content)
    digest = hashlib.sha256(content).hexdigest()
    edit(glue, (r'sha256 = "\w+"', f'sha256 = "{digest}"'))


def test_a_dossier_whose_attachments_were_altered_is_not_carried(glue):
    content = (glue / PDF).read_bytes()
    stream = attachment_stream(content, "records/mp-c3.csv")
    replaced(glue, flipped(content, place_of(content, stream) + len(stream) // 2))
    assert re.search("is not intact|no dossier that can be read", told(glue))


def test_a_file_that_is_no_dossier_is_told(glue):
    for content in (b"", b"%PDF-1.7\n", b"no PDF"):
        replaced(glue, content)
        assert "is no dossier that can be read" in told(glue)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A short dossier: as a draft, signed off, and sealed by test identities."""
    base = tmp_path_factory.mktemp("made")
    folder = short_case(base)
    signed = build(folder, base / "out").pdf
    content = signed.read_bytes()
    seal_all(signed, identities(base / "ids"))
    (folder / "signoff.toml").unlink()
    draft = build(folder, base / "draft").pdf.read_bytes()
    return SimpleNamespace(draft=draft, signed=content, sealed=signed.read_bytes())


def source_of(content):
    return Source(
        file="x.pdf", content=content, sha256=hashlib.sha256(content).hexdigest(), folder="x",
        case=SimpleNamespace(number="LFQ-0412", revision=0), circuits=(),
    )  # fmt: skip


def proof(content):
    case, source = SimpleNamespace(records=(), inputs=()), source_of(content)
    return "\n".join(map(str, proof_problems(case, source, None))), doubts(source)


def test_only_a_dossier_that_was_signed_off_is_carried(made):
    assert proof(made.signed) == ("", ("unsealed",))
    assert "LFQ-0412 rev 0 in x.pdf is draft: nobody signed it off" in proof(made.draft)[0]
    assert "is sealed by test identities, which prove nothing" in proof(made.sealed)[0]
    assert "is not intact" in proof(made.sealed[:-40] + b"0" * 40)[0]


WORDS = ("cautions.0.text", "findings.E1.notes", "signed")


@pytest.mark.parametrize(
    ("places", "code"),
    [(WORDS[:1], "reworded"), (WORDS[1:2], "reworded"), (WORDS, "reworded"),
     (("findings.E1.value",), "moved"), (("conditions",), "moved"), (("decision",), "moved"),
     (("findings.E1.value", *WORDS), "moved")],
)  # fmt: skip
def test_only_what_weighs_makes_carried_numbers_others(made, monkeypatch, places, code):
    again = proving.Recomputed(moved=tuple(f"{place}: 1 became 2" for place in places))
    monkeypatch.setattr(proving, "decided_again", lambda _: again)
    proving._proved.cache_clear()
    assert proof(made.signed)[1] == ("unsealed", code)
    proving._proved.cache_clear()


def test_pages_that_say_something_else_are_found_wherever_a_case_is_read(made, monkeypatch):
    stream = page_stream(made.signed)
    at = place_of(made.signed, stream) + len(stream) // 2
    good, bad = source_of(made.signed), source_of(flipped(made.signed, at))
    cases = [SimpleNamespace(carried=[e]) for e in (good, bad, replace(good, earlier=(bad,)))]
    problems = [page_problems(case) for case in cases]
    assert list(map(len, problems)) == [0, 1, 1]
    assert all("has pages that its data do not give" in str(p) for each in problems for p in each)
    monkeypatch.setattr(proving, "case_in", lambda number, *_: cases[number])
    with pytest.raises(CaseError, match="has pages"):  # where it is checked as where it is made
        read_case(1)


@pytest.fixture
def chain(glue, monkeypatch):
    """What joins case.toml, edited, of a further revision that carries from the glue's dossier."""
    files = {
        path.relative_to(glue.parent).as_posix(): path.read_bytes()
        for path in glue.rglob("*") if path.is_file()
    }  # fmt: skip
    files |= {"manifest.json": b'{"case": "polder-glue"}', "decision.json": b'{"findings": []}'}
    real = open_pdf
    monkeypatch.setattr(
        carried, "open_pdf",
        lambda content: SimpleNamespace(files=files) if content == b"r1" else real(content),
    )  # fmt: skip
    digest = hashlib.sha256(b"r1").hexdigest()
    further = [
        ("revision = 1", "revision = 2"), (PDF, "r1.pdf"),
        (r'sha256 = "\w+"', f'sha256 = "{digest}"'),
        (r'"glue"\]', '"lot"]'), (r'\["D1", "D2", "D3"\]', '["F1", "F2", "F3"]'),
        ("2026-10-12", "2026-11-20"), ('"PD-C1", ', '"MP-D1", "MP-D2", "MP-D3", "PD-C1", '),
        ("lot 26-233", "lot 26-300"), ("runs.csv", "none.csv"),
    ]  # fmt: skip
    edit(glue, *further)
    runs = (glue / "runs.csv").read_bytes().replace(b"-D", b"-F").replace(b",D", b",F")
    held = {"r1.pdf": b"r1", "none.csv": runs}

    def joined(*pairs):
        edit(glue, *pairs)
        document = parse_toml((glue / "case.toml").read_bytes())
        return carried.with_carried(
            document, lambda path: held.get(path) or (glue / path).read_bytes()
        )

    return SimpleNamespace(joined=joined, files=files)


def test_a_dossier_of_several_applications_is_carried_from_with_the_valves_of_all(chain):
    files, here = chain.files, "polder-glue/"
    one = files.pop(f"{here}application.toml")
    asked = b'application = "application.toml"', b'applications = ["a.toml", "b.toml"]'
    files[f"{here}case.toml"] = files[f"{here}case.toml"].replace(*asked)
    files |= {f"{here}a.toml": one, f"{here}b.toml": one.replace(b'"160 kPa"', b'"170 kPa"')}
    (source,) = (whole := chain.joined()).sources
    case = Qualification.model_validate(whole.document)
    assert [each.bypass_valve.opening.min for each in source.circuits] == [160e3, 170e3]
    for low, words in (
        ("160 kPa", ""), ("165 kPa", "opening at 165 to 200 kPa; in LFQ"), ("170 kPa", ""),
        ("23.2060380 psi", ""),
    ):  # fmt: skip
        valve = {"location": "filter", "opening": {"min": low, "max": "200 kPa"}}
        found = [*valve_faults(application(circuit={"bypass_valve": valve}), case, [source])]
        assert len(found) == bool(words)
        assert words in str(found)
    del files[f"{here}b.toml"]
    assert "its b.toml is no application that can be read" in str(chain.joined().problems)


def test_what_was_carried_is_carried_on_with_its_own_plan(chain):
    whole = chain.joined()
    assert not whole.problems
    known = {each["id"]: each["file"] for each in whole.document["record"]}
    assert {"MP-F1", "MP-D1", "PD-C1", "MP-R3"} <= known.keys()
    assert known["PD-C1"] == f"r1.pdf!/polder-glue/{PDF}!/polder-pumps/records/pd-c1.csv"
    assert whole.inside[known["PD-C1"]] == old_file("pd-c1")
    groups = [(sorted(records)[0], sorted(plan)) for records, plan in
              whole.sources[0].groups("candidate")]  # fmt: skip
    assert groups == [("BV-C", ["C1", "C2", "C3"]), ("MP-D1", ["D1", "D2", "D3"])]


@pytest.mark.parametrize(
    ("pairs", "sentence"),
    [
        ([(r"review_due = .*", "review_due = 2031-01-01"),
          (f"until = {REVIEW}", "until = 2029-04-01")],
         "later than 2029-03-31, until when LFQ-0412 rev 1 itself carries PD-C1"),
        ([("lot 26-300", "lot 25-311")],
         "lot 25-311 was made before the change that LFQ-0412 rev 1 names"),
    ],
)  # fmt: skip
def test_what_is_carried_on_keeps_its_end_and_its_lots(chain, pairs, sentence):
    assert sentence in "\n".join(map(str, chain.joined(*pairs).problems))


def test_evidence_is_not_carried_through_any_number_of_dossiers(chain, monkeypatch):
    monkeypatch.setattr(carried, "DEEPEST", 1)
    (problem,) = chain.joined().problems
    assert "through more than 1 dossiers" in str(problem)


def test_every_change_of_the_filter_reopens_what_there_is():
    assert limits().reopened.keys() == BY_MAKER
    assert set().union(*limits().reopened.values()) == {*KINDS, *MEASURED} - {"measurement"}
    assert {*CONDITIONS} <= set(Conditions.model_fields)


def test_a_record_names_the_layouts_of_all_its_tables():
    record = {"layout": "a", "join": [{"layout": "b"}, {"file": "x"}], "fluid": "oil"}
    named = carried._Joined._named
    assert named(record, "layout") == ["a", "b"]
    assert named(record | {"instruments": ["FM", "DP"]}, "instrument") == ["FM", "DP"]
    assert named(record, "fluid") == ["oil"]
    assert named(record, "instrument") == []


def test_what_is_known_of_a_specimen_is_carried_once():
    here = {
        "candidate": {"lots": ["A"]},
        "specimen": [{"filter": "candidate", "id": "C1", "lot": "A"}],
    }
    there = {
        "candidate": {"lots": ["B", "A"]},
        "specimen": [
            {"filter": "candidate", "id": "C1", "lot": "B"},
            {"filter": "candidate", "id": "C2", "lot": "B"},
            {"filter": "reference", "id": "C1"},
        ],
    }
    whole = SimpleNamespace(document=here, origins={})
    source = SimpleNamespace(file="a.pdf", folder="a", records=())
    carried._Joined(whole, source, there)._add_side("candidate")
    assert [(each["id"], each["lot"]) for each in here["specimen"]] == [("C1", "A"), ("C2", "B")]
    assert here["candidate"]["lots"] == ["A", "B"]


@pytest.mark.parametrize("names", [("C1",), ("R1",), ("C1", "R1"), ()])
def test_only_a_filter_of_which_something_is_carried_is_held_against_itself(names, monkeypatch):
    for part in ("_replaced", "_entries", "_records", "_methods"):
        monkeypatch.setattr(compared, part, lambda *_: iter(()))
    for part in ("_specimens", "_filter"):
        monkeypatch.setattr(compared, part, lambda own, source, side, part=part: [(side, part)])
    records = [SimpleNamespace(id="C1", filter="candidate"),
               SimpleNamespace(id="R1", filter="reference")]  # fmt: skip
    own = SimpleNamespace(change=SimpleNamespace(text="The maker took another glue, as it wrote."))
    source = SimpleNamespace(records=names, case=SimpleNamespace(record=records))
    sides = {"C1": "candidate", "R1": "reference"}
    assert [*compared.carrying_faults(own, source)] == [
        (sides[name], part) for name in names for part in ("_specimens", "_filter")
    ]


def test_how_a_record_was_tested_is_its_standard_its_conditions_and_its_dust():
    none = dict.fromkeys(CONDITIONS)
    entry = SimpleNamespace(standard="S-1", conditions=SimpleNamespace(**none, dust=None))
    assert _method(None, entry) == "S-1"
    entry.conditions.dust = SimpleNamespace(kind="A3")
    assert _method(None, entry) == "S-1, A3"
    key, (unit, dimension) = next(iter(CONDITIONS.items()))
    setattr(entry.conditions, key, parse_quantity(f"2 {unit}", dimension))
    assert _method(None, entry) == f"S-1, {key.replace('_', ' ')} 2 {unit}, A3"
