"""What an auditor asks is answered on paper, and no fact of the case is lost between the pages."""

import json
import shutil
from dataclasses import fields, is_dataclass
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from dossier.make import decide, read
from dossier.report.blocks import Link
from dossier.report.format import speak
from dossier.report.pages.contents import build_content
from tests.archive.sealed import leave_out

INPUTS = Path(__file__).parents[2] / "inputs"


def said(value):
    """Yield every text of some content, links and all."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Link):
        yield value.text
    elif is_dataclass(value) and not hasattr(value, "uri"):
        for each in fields(value):
            yield from said(getattr(value, each.name))
    elif isinstance(value, (tuple, list)):
        for each in value:
            yield from said(each)
    elif isinstance(value, dict):
        yield from said(tuple(value.values()))


@pytest.fixture(scope="module", params=["polder-pumps", "chain-ferry"])
def made(request):
    case = read.read_case(INPUTS / request.param)
    assessment = decide.assess(case)
    document = decide.decision_json(case, assessment)
    page = build_content(
        case, assessment, issued=decide.issue_date(case), decision_json=document,
        manifest={"versions": {"numpy": "2"}}, signoff=decide.sign_off(case, assessment), style="",
    )  # fmt: skip
    return case, assessment, json.loads(document), page


def paper(part):
    return " ".join(" ".join(said(part)).split())


def test_the_auditors_questions_are_answered_on_the_first_two_pages(made):
    case, assessment, _, page = made
    one, two = paper(page.decision), paper(page.frame)
    assert case.qualification.candidate.part_number in one  # what was asked
    assert all(each.name in one for each in case.signed)  # who decided, and when
    assert all(each.date.isoformat() in one for each in case.signed)
    assert case.application.equipment[0] in one  # for which machines
    assert case.application.equipment[-1] in one
    assert str(assessment.valid_until) in one  # until when
    assert case.application.decision_rule.agreed.isoformat() in one  # under which rule
    assert all(speak(each.text) in one for each in assessment.conditions)
    assert all(lot in two for lot in case.qualification.lots_of("candidate"))  # lots, sampling
    assert all(finding.demand.id in one + two for finding in assessment.findings[:3])
    for flip in assessment.flips:  # what would flip it
        assert flip.requirement in two


def test_every_requirement_has_its_figures_and_where_they_are_from(made):
    _, assessment, document, page = made
    rows = {row[0][0]: row for row in page.requirements.rows}
    held = {each["requirement"]: each for each in document["findings"]}
    assert list(rows) == [f.demand.id for f in assessment.findings]
    for finding in assessment.findings:
        row, entry = paper(rows[finding.demand.id]), held[finding.demand.id]
        assert " ".join(speak(finding.demand.text).split()) in row
        assert entry["reason"] == finding.reason
        if finding.estimate is None:
            continue
        specimens = [each["specimen"] for each in entry["per_specimen"]]
        assert specimens == [each.specimen for each in finding.estimate.per_specimen]
        assert all(each["u"] is not None for each in entry["per_specimen"])
        names = [(each["name"], each["source"]) for each in entry["components"]]
        assert names == [(each.name, each.source) for each in finding.estimate.components]
        assert entry["notes"] == list(finding.estimate.notes)
        assert (entry["deciding"] is None) == (finding.deciding is None)


def test_every_record_check_and_instrument_is_named(made):
    case, assessment, document, page = made
    assert [each["record"] for each in document["records"]] == [r.id for r in case.records]
    assert {each["file"] for each in document["records"]} <= set(document["inputs"])
    assert all(each["tested"] and each["standard"] for each in document["records"])
    matrix = paper(page.filters.records)
    assert all(record.id in matrix for record in case.records)
    assert len(document["checks"]) == len(assessment.checks)
    validity = paper(page.validity)
    assert all(each.certificate in validity for each in case.qualification.instrument)
    assert all(speak(each.text) in validity for each in case.qualification.deviation)


def test_what_a_record_was_reduced_to_is_in_the_attached_file(made):
    _, assessment, document, _ = made
    reduced = {each["record"]: each["reduced"] for each in document["records"]}
    for run in assessment.bench.multipass:
        held = reduced[run.record]
        assert held["filtration ratio"] == pytest.approx(list(run.ratio), rel=1e-9)
        tenths = held[f"filtration ratio of each tenth at {run.sizes[-1]:g} um(c)"]
        up, down = run.up[:, -1], run.down[:, -1]
        assert [t is None for t in tenths] == list(down == 0)
        assert tenths[0] is None or tenths[0] == pytest.approx(up[0] / down[0], rel=1e-9)
    for sweep in assessment.bench.pressure:
        assert reduced[sweep.record]["a [1/m3]"] == [pytest.approx(sweep.assembly.a, rel=1e-9)]


def test_every_word_of_a_remark_is_on_paper(made):
    case, _, _, page = made
    shown = paper(page.validity.remarks)
    for record in case.records:
        for remark in record.remarks:
            assert all(word.strip(".,;:“”()") in shown for word in remark.text.split())


def test_the_digest_on_paper_holds_all_others(made):
    case, _, document, page = made
    assert document["inputs"] == {each.name: each.sha256 for each in case.inputs}
    assert "SHA-256" in paper(page.digests)
    assert str(document["seed"]) in paper(page.uncertainty)


def test_a_case_of_four_requirements_takes_seven_pages(few_draws, tmp_path):
    folder = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "four"))
    for name in ("requested.toml", "signoff.toml"):
        (folder / name).unlink()
    leave_out(folder / "application.toml", r'\[\[requirement\]\]\nid = "(?!(E4|C1|P1|L1)")')
    case = read.read_case(folder)
    assert len(case.application.requirement) == 4
    assessment = decide.assess(case)
    made = PdfReader(BytesIO(decide.compose(case, assessment, decide.issue_date(case))[0]))
    assert len(made.pages) <= 7
    assert "End of dossier" in made.pages[-1].extract_text()
