"""Page two: the drawing's labels never collide; scope, factors, days and changes say what is so."""

import re
from dataclasses import replace
from datetime import date
from itertools import combinations
from types import SimpleNamespace

import pytest

from dossier.case.application import Circuit as Stated
from dossier.decision.finding import Flip, Sensitivity
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Curves
from dossier.report.charts.circuit_drawing import SIZE, WIDTH, begin, height_of, labels_of, svg_of
from dossier.report.layout.glyphs import text_width
from dossier.report.pages import circuit as page
from dossier.report.pages.carried import moved_text
from dossier.report.pages.circuit import circuit_drawing
from dossier.report.pages.decision import decision_page
from dossier.report.pages.frame import frame_page
from dossier.report.pages.places import places_of, section_of
from dossier.report.running import printing
from dossier.report.scales import INSTEAD
from dossier.report.signing import SignOff
from dossier.words import speaking
from dossier.words.catalogue import LANGUAGES
from tests.report import sample

ARRANGEMENTS = (
    "full_flow", "partial_flow", "full_and_partial_flow", "combined", "combined_through_flow",
)  # fmt: skip


def drawn(monkeypatch, arrangement, location, language="en", units="SI"):
    """Return what is drawn of a circuit that states all it can, with long numbers."""
    stated = Stated.model_validate(
        {
            "arrangement": arrangement, "rated_flow": "1250 L/min", "sump_volume": "1500 L",
            "partial_flow_share": "10 %", "system_pressure": "1250 kPa",
            "gallery_pressure": "1050 kPa",
            "bypass_valve": {"location": location}
            | ({"opening": {"min": "137.5 kPa", "max": "192.5 kPa"}} if location != "none" else {}),
        }
    )  # fmt: skip
    kept = []
    monkeypatch.setattr(page, "svg_of", lambda circuit: kept.append(circuit) or svg_of(circuit))
    with speaking(language), printing(units):
        chart = circuit_drawing(sample.case(sample.application().model_copy(
            update={"circuit": stated})))  # fmt: skip
    return kept[0], chart


def box(label):
    wide = SIZE * text_width(label.text)
    left = {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
    x = label.x - left * wide
    return x, label.y - 0.74 * SIZE, x + wide, label.y + 0.22 * SIZE


def overlap(one, other):
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def segments(svg):
    """Yield the straight level and upright lines of a drawing as thin boxes."""
    for path in re.findall(r' d="([^"]*)"', svg):
        x = y = 0.0
        for letter, numbers in re.findall(r"([MLHVAZlvhz])([^A-Za-z]*)", path):
            given = [float(n) for n in re.findall(r"-?[0-9.]+", numbers)]
            before = x, y
            if letter in "ML":
                x, y = given[:2]
            elif letter == "H":
                x = given[0]
            elif letter in "Vv":
                y = given[0] if letter == "V" else y + given[0]
            elif letter == "A":
                x, y = given[5:7]
            elif letter == "l":
                x, y = x + sum(given[::2]), y + sum(given[1::2])
            if letter in "HVv":
                yield min(before[0], x), min(before[1], y), max(before[0], x), max(before[1], y)


@pytest.mark.parametrize("units", ["SI", INSTEAD])
@pytest.mark.parametrize("language", sorted(LANGUAGES))
@pytest.mark.parametrize("location", ["filter", "head", "none"])
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_no_label_meets_another_or_a_line(monkeypatch, arrangement, location, language, units):
    circuit, _ = drawn(monkeypatch, arrangement, location, language, units)
    with printing(units):
        edge = begin()
    labels = [*labels_of(circuit)]
    boxes = [box(each) for each in labels]
    assert SIZE >= 8.0
    for each, (left, top, right, bottom) in zip(labels, boxes, strict=True):
        assert left >= edge, each
        assert right <= WIDTH, each
        assert top >= 0, each
        assert bottom <= height_of(circuit), each
    for (one, first), (two, second) in combinations(zip(labels, boxes, strict=True), 2):
        assert not overlap(first, second), (one, two)
    for line in segments(svg_of(circuit).decode()):
        for each, own in zip(labels, boxes, strict=True):
            assert not overlap(own, line), (each, line)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_every_arrangement_has_its_own_drawing_and_says_it(monkeypatch, arrangement):
    circuit, chart = drawn(monkeypatch, arrangement, "head")
    others = {svg_of(replace(circuit, arrangement=each)) for each in ARRANGEMENTS}
    assert len(others) == len(ARRANGEMENTS)
    assert "bypass valve in the filter head" in chart.alt
    for each in labels_of(circuit):
        assert each.text in chart.alt
    assert "ISO 1219-1:2012 (from memory)" in chart.caption


def test_a_valve_is_drawn_where_there_is_one_and_inside_what_holds_it(monkeypatch):
    within, head, none = (
        svg_of(drawn(monkeypatch, "full_flow", each)[0]) for each in ("filter", "head", "none")
    )
    assert within.count(b"stroke-dasharray") == 2  # the filter's own outline
    assert head.count(b"stroke-dasharray") == none.count(b"stroke-dasharray") == 1
    assert len(none) < len(head)


def framed(qualification=None, **changes):
    case = sample.case(qual=qualification)
    assessment = sample.assessment(case, **changes)
    return frame_page(case, assessment, SignOff(), date(2026, 3, 30), places_of(assessment))


def words(table):
    return " ".join(str(cell) for row in table.rows for cell in row) + table.note


def test_the_scope_says_what_is_not_covered():
    checks = (replace(sample.checks()[0], outcome="not checked", from_memory=True),)
    scope = words(framed(checks=checks).scope)
    assert "“Engine 1”; “Engine 2”" in scope
    assert "Not checked: test flow" in scope
    assert "Limits of 1 of 1 rules are from memory" in scope
    assert "Nobody asked for" in scope


def resting(finding, *records):
    """Return a finding whose quantity is computed from such records."""
    quantity = replace(finding.demand.quantity, records=records)
    return replace(finding, demand=replace(finding.demand, quantity=quantity))


def test_what_no_result_rests_on_does_not_read_as_tested():
    """Pressure drop rests on the oil, life on contaminant too, strength on neither."""
    first, _, clean, *_, strength = sample.findings()
    alone = resting(strength, "measurement")
    findings = (first, resting(clean, "pressure_drop"), alone)
    _, _, oil, service, _ = framed(findings=findings).scope.rows
    assert oil[1].endswith(f"results for it: {clean.demand.id}")
    assert service[1].endswith("not tested: no result rests on it")
    _, _, oil, service, _ = framed(findings=(alone,)).scope.rows
    assert "not tested" in oil[1]
    assert "not tested" in service[1]


def test_an_approval_says_on_page_one_of_what_nothing_was_asked():
    by = {section_of(f): f for f in sample.findings()}
    few = sample.passing()[:1]
    case = sample.case()

    def tally(**changes):
        assessed = sample.assessment(case, findings=few, **changes)
        return decision_page(case, assessed, SignOff()).tally

    assert {"efficiency", "pressure", "capacity"} <= set(by)
    assert section_of(few[0]) == "efficiency"
    assert "Nothing was asked on pressure drop; capacity or life." in tally(
        decision=Decision.APPROVED
    )
    assert "Nothing was asked" not in tally(decision=Decision.NOT_APPROVED)


def test_results_that_moved_since_the_dossier_before_are_named():
    """By arithmetic: 1.6² is more than 1.045² + 0.8² g, 0.45² less than 0.42² + 0.3² %."""

    def was(quantity, at, unit, value, half):
        ends = [value - half, value + half]
        return {"quantity": quantity, "at": at, "unit": unit, "value": value, "interval95": ends}

    found = (
        was("efficiency", "20 um(c)", "%", 96.86, 0.3),
        was("retained_capacity", None, "mg", 38.6e3, 0.8e3),
        was("cold_bypass_temperature", "70 L/min", "degC", 20.0, 1.0),  # at another flow
        was("burst_pressure", None, "kPa", 1.0, 0.5),  # only a bound now
    )
    own = SimpleNamespace(language="en")
    source = SimpleNamespace(case=own, findings=found, told="OLD-1, revision 0", records=())
    case = replace(sample.case(), carried=(source,))
    said = moved_text(case, sample.assessment(case)).replace("\u00a0", " ")
    assert "C2 from (38.60 ± 0.80) g to (40.2 ± 1.0) g; not these: E1." in said


def test_a_lot_without_a_specimen_is_not_covered():
    lots = sample.qualification(
        candidate={"part_number": "CAN-1", "lots": ["lot 1", "lot 2"]},
        specimen=[{"id": "C1", "filter": "candidate", "lot": "lot 1"}],
    )
    assert "Lots not tested: lot 2" in words(framed(lots).scope)


def test_who_drew_specimens_is_not_stated_unless_of_each():
    unsaid = "not stated: how and by whom specimens were drawn"
    assert unsaid in words(framed().scope)
    each = {"filter": "candidate", "lot": "lot 1", "drawn": "at random", "drawn_by": "A Person"}
    tested = [each | {"id": name} for name in ("C1", "C2", "C3")]
    assert unsaid not in words(framed(sample.qualification(specimen=tested)).scope)
    tested[1] |= {"drawn_by": ""}
    assert unsaid in words(framed(sample.qualification(specimen=tested)).scope)


def test_factors_stand_in_the_column_of_their_input_nearest_first():
    flips = (
        Sensitivity("P1", "viscosity", (Flip(0.8, Verdict.NOT_DEMONSTRATED),)),
        Sensitivity("E1", "counts", (Flip(1.5, Verdict.FAIL),)),
        Sensitivity("C2", "ingression", (Flip(0.9, Verdict.PASS), Flip(1.2, Verdict.FAIL))),
        Sensitivity("C2", "mass", ()),
    )
    table = framed(flips=flips).flips
    assert [row[1:] for row in table.rows] == [
        ("pass at 0.9; ≥\u00a01.2", "–", "no change"),
        ("–", "(≤\u00a00.8)", "–"),
    ]
    assert [column.title for column in table.columns[1:]] == [
        "Ingression", "Oil viscosity", "As measured",
    ]  # fmt: skip
    assert "By what was measured alone: E1\u00a0≥\u00a01.5." in table.note


def test_changes_are_said_since_the_one_before():
    changed = "Lot 2 added, as lot 1 is used up."
    assert framed(sample.qualification(revision=0)).changes == ""
    assert framed(sample.qualification(revision=2, changes=changed)).changes == (
        f"Since revision 1: {changed}"
    )
    replaced = sample.qualification(revision=0, replaces="OLD-1 r3", changes=changed)
    assert framed(replaced).changes == f"Since OLD-1 r3: {changed}"
    assert framed(sample.qualification(revision=1)).changes == "Since revision 0: not stated"


def test_the_days_hold_what_was_agreed_and_what_ends():
    days = framed(valid_until=date(2027, 1, 31)).days
    found = dict(zip((column.title for column in days.columns), days.rows[0], strict=True))
    assert found["Valid until"] == "2027-01-31"
    assert found["Signed"] == "nobody yet"
    assert found["Requirements on file"] == "never"
    assert found["First calibration due"] == "2026-12-31"


def test_the_cold_that_is_not_covered_begins_where_the_drawn_line_ends():
    start = sample.case().application.duty.cold_start
    for ends, said in ((start + 12.0, True), (start, False)):
        curves = Curves(cold_temperature=ends)
        assert ("where the sweeps end" in words(framed(curves=curves).scope)) is said
