"""Page one holds question, answer, conditions and the numbers that decide, whatever comes."""

import re
import subprocess
from base64 import b64encode
from dataclasses import replace
from types import SimpleNamespace

import pytest
import weasyprint

from dossier.decision.finding import Condition, decision_of
from dossier.decision.rules import Decision, Verdict
from dossier.report import assets
from dossier.report.pages import fixed_words, requirements
from dossier.report.pages import ruler as page_one
from dossier.report.pages.decision import decision_page
from dossier.report.pages.places import places_of
from dossier.report.signing import SignOff
from tests.report import sample

LOREM = (
    "Clearance to the guard over the drive was checked with a fitted can on each machine: at "
    "least 9 mm is left, and it comes off without touching; (141.73 ± 0.29) mm at 20 °C, Δp "
    "≥ 95 % of µm(c) WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW iiii."
)


@pytest.mark.parametrize("ruler", [page_one.TEXT, page_one.QUESTION, page_one.CELL, page_one.WORD])
@pytest.mark.parametrize("width", [28.0, 60.0, 155.0])
def test_the_ruler_counts_lines_as_the_layout_does(ruler, width):
    face = "".join(
        f'@font-face {{ font-family: "Fira Sans"; font-weight: {weight}; '
        f'src: url("asset:{name}"); }}'
        for weight, name in ((400, "FiraSans-Regular.ttf"), (600, "FiraSans-SemiBold.ttf"))
    )
    weight = 600 if ruler.bold else 400
    for length in (3, 40, 90, 200, len(LOREM)):
        text = LOREM[:length]
        page = (
            f"<style>{face} @page {{ size: 300mm 900mm }} p {{ margin: 0; width: {width}mm; "
            f'overflow-wrap: break-word; font: {weight} {ruler.points}pt/{ruler.leading} "Fira '
            f'Sans" }}</style><p>{text}</p>'
        )
        source = weasyprint.HTML(
            string=page, base_url="asset:", url_fetcher=assets.fetcher("", None, {})
        )
        boxes = [
            b for b in source.render().pages[0]._page_box.descendants() if b.element_tag == "p"
        ]
        tall = boxes[0].height * 25.4 / 96.0
        assert ruler.height(text, width) >= tall - 0.1  # never too little room for the words
        assert ruler.height(text, width) <= 1.35 * tall + 5.0


def test_words_are_shortened_at_a_word_and_marked():
    assert page_one.shortened("one two three", 20) == "one two three"
    assert page_one.shortened("one two three four", 12) == "one two…"
    assert page_one.shortened("x" * 50, 10) == "x" * 9 + "…"


def many(count, verdict="pass"):
    first = sample.passing()[0]
    words = "Characteristic with a rather long name of its own, number"
    quantity = replace(first.demand.quantity, title=f"{words}")
    return tuple(
        replace(
            first,
            verdict=Verdict(verdict),
            demand=replace(
                first.demand, id=f"R{i}", at={"size": 20.0 + i}, at_text=f"{20 + i} um(c)",
                quantity=quantity,
            ),
        )
        for i in range(count)
    )  # fmt: skip


CASES = {
    "31 requirements": (many(31), Decision.APPROVED, ()),
    "45 that fail": (many(45, "fail"), Decision.NOT_APPROVED, ()),
    "35 with long conditions": (
        many(35, "conditional pass"), Decision.APPROVED_WITH_CONDITIONS,
        tuple(
            Condition(kind="concession", subject=str(i), text=f"{i}: {LOREM * 3}")
            for i in range(12)
        ),
    ),
    "none that applies": (many(3, "not applicable"), Decision.UNDECIDED, ()),
}  # fmt: skip


@pytest.fixture
def only_page_one_drawn(monkeypatch):
    """Put a dot in place of the other charts, which take most of the time."""
    dot = (
        "data:image/svg+xml;base64,"
        + b64encode(b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>").decode()
    )
    for module in ("filtration", "pressure", "comparison", "circuit"):
        monkeypatch.setattr(f"dossier.report.pages.{module}.draw", lambda *_: dot)


@pytest.mark.parametrize(
    ("name", "long"),
    [*((name, True) for name in CASES), ("31 requirements", False)],
)
def test_page_one_holds_everything(only_page_one_drawn, name, long):
    findings, decided, conditions = CASES[name]
    case = sample.case()
    if long:
        side = {"part_number": "P" * 120, "maker": "Maker " * 300}
        qualification = case.qualification
        case = sample.case(
            sample.application(title="Main lube circuit " * 11),
            qualification.model_copy(
                update={
                    "title": "Alternate filter " * 11,
                    "candidate": qualification.candidate.model_copy(update=side),
                    "reference": qualification.reference.model_copy(update=side),
                }
            ),
        )
    made = sample.laid_out(
        case, sample.assessment(case, findings=findings, decision=decided, conditions=conditions)
    )
    assert made.warnings == ()
    pages = (
        subprocess.run(  # reads in a hundredth of the time of pypdf
            ["pdftotext", "-raw", "-", "-"], input=made.pdf, capture_output=True, check=True
        )
        .stdout.decode()
        .split("\f")
    )
    assert "May the filter" in pages[0]
    assert "DRAFT, not signed" in pages[0].split("May the filter")[1]
    assert "The results that decide" in pages[0]
    first, second = (" ".join(page.split()) for page in pages[:2])
    if name != "none that applies":
        assert "Line: limit; dashed" in first  # the foot of the table, below its last row
    assert "Line: limit; dashed" not in second
    if conditions:
        assert pages[0].count("in full") >= 2
        assert pages[0].count("in full") + int(pages[0].partition(" more")[0].split()[-1]) == 12
        assert all(f"{i}: Clearance" in "".join(pages[1:]) for i in range(12))


def of_row(row):
    return "".join(part if isinstance(part, str) else part.text for part in row[0][0].parts)


def test_what_is_no_plain_pass_precedes_every_pass_and_what_is_left_out_is_counted():
    findings = list(many(31))
    findings[9] = replace(findings[9], verdict=Verdict.FAIL)
    findings[9] = replace(findings[9], demand=replace(findings[9].demand, severity="advisory"))
    findings[20] = replace(findings[20], verdict=Verdict.CONDITIONAL_PASS, probability=0.99)
    case, decided = sample.case(), decision_of(findings, ())
    whole = sample.assessment(case, findings=tuple(findings), decision=decided, conditions=())
    table = decision_page(case, whole, SignOff()).closest
    assert [of_row(row) for row in table.rows][:3] == ["R20", "R9", "R0"]
    left = 31 - len(table.rows)
    assert f"Not in this table: {left} mandatory requirements: {left}\xa0pass." in table.note


def test_no_application_hides_what_another_fails():
    first = many(1, "fail")[0]
    own = [replace(first, demand=replace(first.demand, id=f"{m} R", mark=m)) for m in "abc"]
    own[2] = replace(own[2], verdict=Verdict.PASS)
    places = replace(places_of(sample.assessment(sample.case())),
                     requirements={each.demand.id: each.demand.id for each in own})  # fmt: skip
    rows = requirements.closest_rows(SimpleNamespace(parts=(1, 2, 3)), own, places)
    assert sorted(of_row(cells) for _, cells in rows) == ["a R", "b R"]
    assert requirements.rest(own, rows).endswith("1 mandatory requirement: 1\xa0pass.")


def test_the_stamp_takes_no_line_where_there_is_room_beside_the_word():
    one = page_one.WORD.height("x")
    assert page_one._headed("Not approved", "DRAFT, not signed") == pytest.approx(one)
    assert page_one._headed("Approved with conditions", "DRAFT, " * 9) == pytest.approx(2 * one)


@pytest.mark.parametrize("verdict", ["pass", "fail"])
def test_page_one_names_the_lots_of_leave_or_what_to_do_without(verdict):
    lots = {"part_number": "CAN-9", "lots": ["lot 7"]}
    case = sample.case(qual=sample.qualification(candidate=lots))
    (first, *_) = sample.assessment(case).findings
    finding = replace(first, verdict=Verdict(verdict))
    decided = decision_of([finding], ())
    whole = sample.assessment(case, findings=(finding,), conditions=(), decision=decided)
    page = decision_page(case, whole, SignOff())
    facts = {each.name: each.value for each in page.facts}
    if verdict == "pass":
        assert facts["Lots"].startswith("“lot 7”; any later lot: a new revision")
        assert "What to do" not in facts
    else:
        assert "take off any candidate that is fitted" in facts["What to do"]
        assert facts["What to do"].endswith(f"not shown: {finding.demand.id}.")
        assert "Lots" not in facts


def test_without_colour_the_bars_of_the_answers_still_part():
    """On grey paper two answers whose boxes differ in colour alone are one."""
    css = (assets.template_folder() / assets.STYLE).read_text(encoding="utf-8")
    forms = {}
    for kind in set(fixed_words.VERDICT_KIND.values()) - {"none"}:
        rule = re.search(rf"\.answer-{kind} {{(.*?)}}", css)[1]
        said = [re.sub(r"#\w+", "", each).split() for each in rule.split(";")]
        forms[kind] = frozenset(" ".join(words) for words in said if len(words) > 1)
    assert len(set(forms.values())) == len(forms), forms
