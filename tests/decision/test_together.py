"""One filter for several applications: each decided as if alone, the whole as the worst of them."""

import json
import re
import shutil
from dataclasses import replace
from datetime import date
from itertools import permutations
from pathlib import Path
from types import SimpleNamespace

import pytest

from dossier import CaseError, assess, read_case
from dossier.case.application import mark_of
from dossier.decision import assess as assessing
from dossier.decision.conditions import on_file_text
from dossier.decision.rules import Decision, Verdict, worst_of
from dossier.decision.together import binding, leading, nearness
from dossier.make import recompute
from dossier.make.decide import decision_json
from dossier.make.request_files import asked_of, filed, make_request
from dossier.record.document import DecisionDocument
from dossier.record.dossier_file import dossier_of
from dossier.record.rests import rests_on, unread_inputs
from dossier.record.standing import Sealed, standing_of
from dossier.register.row import row_of
from dossier.report.pages.circuit import applications_facts
from dossier.report.pages.decision import decision_page
from dossier.report.pages.places import places_of, same_as
from dossier.report.pages.uncertainty import uncertainty_page
from dossier.report.signing import SignOff
from dossier.request.counted import assumptions_of
from dossier.request.points import Settings
from tests.small_case import record, requirement, write

BURST = "specimen,burst pressure [kPa]\nC1,1900\nC2,1950\nC3,1920\n"
INPUTS = Path(__file__).parents[2] / "inputs"
ASKED = date(2026, 1, 12)
Q = requirement("burst_pressure", min="1500 kPa")
HARD = requirement("burst_pressure", min="1780 kPa")
TOO_HARD = requirement("burst_pressure", min="2500 kPa")


def fleet(folder, concession="", **asked):
    """A case on three bursts for applications by name, each a list of requirements and edits."""
    case = folder / "case"
    for name, (own, *edits) in asked.items():
        made = write(folder / name, [record("M1", "measurement", BURST)], own)
        text = made.joinpath("application.toml").read_text()
        machines = f'title = "{name} (invented)"\nequipment = ["{name} 1"]'
        for old, new in (('title = "Circuit (invented)"', machines), *edits):
            assert old in text, old
            text = text.replace(old, new)
        if not case.exists():
            made.rename(case)
            (case / "application.toml").unlink()
        (case / f"{name}.toml").write_text(text)
    text = (case / "case.toml").read_text()
    text = re.sub(r"^application.*\n", "", text, flags=re.MULTILINE)
    listed = ", ".join(f'"{name}.toml"' for name in asked)
    (case / "case.toml").write_text(
        f"applications = [{listed}]\nissued = 2026-03-01\n{text}{concession}"
    )
    return case


def edit(case, old, new, file="case.toml"):
    path = case / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def ask(case):
    """Put all applications on file, as before there were tests."""
    kept = (case / "case.toml").read_text()
    (case / "case.toml").write_text(re.sub(r"^(record|laboratory) =.*\n", "", kept, flags=re.M))
    content = filed(asked_of(case)[0], ASKED)
    (case / "case.toml").write_text(kept)
    (case / "requested.toml").write_bytes(content)


def decided(case):
    return assess(read_case(case), pages=False)


def refused(case):
    with pytest.raises(CaseError) as caught:
        read_case(case)
    return str(caught.value)


def conditions(case):
    return [each.text for each in decided(case).conditions]


@pytest.mark.parametrize("name", ["barge", "gate"])
def test_each_is_decided_just_as_if_it_were_alone(tmp_path, name):
    life = ("title =", 'notes = "x"\ntitle =')
    own = [requirement("burst_pressure", "B1", min="1820 kPa", basis="mean"), HARD]
    rules = {"barge": ('"95 %"', '"99 %"'), "gate": ('"guard_band"', '"graded"')}
    case = fleet(tmp_path, **{each: (own, life, rule) for each, rule in rules.items()})
    together = next(p for p in decided(case).parts if p.bench.case.mark == name)
    edit(case, 'applications = ["barge.toml", "gate.toml"]', f'application = "{name}.toml"')
    alone = decided(case)
    found = [
        replace(f, demand=replace(f.demand, id=f.demand.own_id, mark="")) for f in together.findings
    ]
    assert found == list(alone.findings)
    assert together.decision is alone.decision
    assert together.checks == alone.checks


@pytest.mark.usefixtures("few_draws")
def test_draws_are_those_of_the_case_alone(tmp_path):
    """A prediction by Monte Carlo, of the demo case: not one draw may depend on the others."""
    for name in ("canal-fleet", "ropeway-drive"):
        shutil.copytree(INPUTS / name, tmp_path / name)
    case = tmp_path / "canal-fleet"
    for each in (*case.glob("*.toml"),):
        if each.name not in {"case.toml", "pump-barge.toml", "dredger.toml"}:
            each.unlink()
    edit(case, '"lock-gates.toml", ', "")
    whole = decided(case)
    edit(
        case,
        'applications = ["dredger.toml", "pump-barge.toml"]',
        'application = "pump-barge.toml"',
    )
    found = {f.demand.own_id: f for f in whole.findings if f.demand.mark == "pump-barge"}
    assert [(f.probability, f.interval) for f in decided(case).findings] == [
        (found[name].probability, found[name].interval) for name in ("E1", "P1", "L1")
    ]
    places, bind = places_of(whole), dict.fromkeys(f.demand.id for f, _ in binding(whole.findings))
    assert list(bind) == ["pump-barge E1", "pump-barge P1", "dredger C1", "pump-barge L1"]
    assert not same_as(whole.findings)
    assert len(places.requirements) == 6


def test_the_whole_is_the_worst_and_order_does_not_matter(tmp_path):
    asked = {"pump": ([Q],), "barge": ([TOO_HARD],), "gate": ([HARD],)}
    seen = set()
    for number, order in enumerate(permutations(asked)):
        found = decided(fleet(tmp_path / str(number), **{each: asked[each] for each in order}))
        assert [p.bench.case.mark for p in found.parts] == list(order)
        assert {p.bench.case.mark: p.decision.value for p in found.parts} == {
            "pump": "approved", "barge": "not approved", "gate": "approved",
        }  # fmt: skip
        ((first, others),) = binding(found.findings)
        seen.add((found.decision, first.demand.id, len(others), found.bench.case.mark))
    assert seen == {(Decision.NOT_APPROVED, "barge Q1", 3, "barge")}


def test_a_draw_is_named_as_in_the_case_alone(tmp_path, monkeypatch):
    seen, real = [], assessing._draws
    monkeypatch.setattr(
        assessing, "_draws", lambda bench, purpose: seen.append(purpose) or real(bench, purpose)
    )
    decided(fleet(tmp_path, pump=([Q],), barge=([Q],)))
    assert seen == ["Q1", "Q1"]


def test_nearest_is_what_leaves_least_of_the_risk_that_its_rule_allows():
    """0.2 of the 5 % are spared, and 0.8 of the 1 %."""
    wide, narrow = (
        SimpleNamespace(
            demand=SimpleNamespace(severity="mandatory", confidence=wanted),
            probability=chance, verdict=Verdict.PASS,
        )
        for chance, wanted in ((0.96, 0.95), (0.998, 0.99))
    )  # fmt: skip
    assert nearness(wide) < nearness(narrow)
    assert nearness(narrow)[1] == pytest.approx(0.8)


def test_what_is_only_advised_decides_behind_all_that_is_mandatory():
    """The worst that is advised stands behind the best that has to be met."""
    order = [
        SimpleNamespace(demand=SimpleNamespace(severity=severity, confidence=0.95),
                        probability=0.96, verdict=verdict)
        for severity in ("mandatory", "advisory")
        for verdict in (Verdict.FAIL, Verdict.PASS)
    ]  # fmt: skip
    mixed = [order[k] for k in (2, 0, 3, 1)]
    assert sorted(mixed, key=nearness) == order


def test_one_that_asks_nothing_mandatory_is_not_carried_by_the_others(tmp_path):
    wish = requirement("burst_pressure", min="1 kPa", severity="advisory")
    found = decided(fleet(tmp_path, pump=([Q],), barge=([wish],)))
    assert found.decision is Decision.UNDECIDED
    rows = {"a": [(Verdict.PASS, True, False)], "b": [(Verdict.PASS, False, False)]}
    assert worst_of(rows) is Decision.UNDECIDED
    assert worst_of({}) is Decision.UNDECIDED


def test_the_rule_of_each_is_its_own_and_binds_by_what_it_leaves(tmp_path):
    strict = ('"95 %"', '"99.9 %"')
    near = requirement("burst_pressure", min="1780 kPa")
    found = decided(fleet(tmp_path, pump=([near],), barge=([near], strict)))
    by = {f.demand.mark: f for f in found.findings}
    assert (by["pump"].verdict, by["barge"].verdict) == (Verdict.PASS, Verdict.FAIL)
    assert by["pump"].probability == pytest.approx(by["barge"].probability)
    document = decision_json(read_case(tmp_path / "case"), found)
    read = DecisionDocument.model_validate_json(document)
    assert read.decision_rule is None
    assert [(m, r.confidence, len(f)) for m, r, f in read.by_application] == [
        ("pump", 0.95, 1), ("barge", 0.999, 1)
    ]  # fmt: skip


def test_a_case_with_one_application_has_no_word_of_several(tmp_path):
    case = fleet(tmp_path, pump=([Q],), barge=([Q],))
    edit(case, 'applications = ["pump.toml", "barge.toml"]', 'application = "pump.toml"')
    assert b'"applications"' not in decision_json(read_case(case), decided(case))


def test_a_mark_that_is_a_word_of_the_sentence_still_names_its_application(tmp_path):
    late = "issued = 2026-01-05", "issued = 2026-02-25"
    (text,) = conditions(fleet(tmp_path, first=([Q], late), second=([HARD],)))
    assert text.startswith("first: the application is issued 2026-02-25, after the first test")


def test_requirements_of_a_set_are_as_young_as_the_set(tmp_path):
    case = fleet(tmp_path, pump=([Q],), barge=([HARD],))
    text = (case / "barge.toml").read_text()
    head = 'title = "Set"\nrevision = "1"\nissued = 2026-02-25\n'
    own = text[text.index("requirement = [") :].replace('"Q1"', '"Q9"')
    (case / "set.toml").write_text(head + own)
    (case / "barge.toml").write_text(f'extends = "set.toml"\n{text}')
    (text,) = conditions(case)
    assert text.startswith("barge: set.toml, which requirements are from, is issued 2026-02-25")


CONCESSION = (
    '\n[[concession]]\nrequirement = "{}"\ntext = "Until the stronger can is in the store."\n'
    'agreed_by = "Fleet manager"\nagreed = 2026-02-20\nuntil = 2027-01-01\nmachines = ["{}"]\n'
)


def test_a_concession_is_for_one_application_and_its_machines(tmp_path):
    asked = {"pump": ([TOO_HARD],), "barge": ([TOO_HARD],)}
    one = decided(fleet(tmp_path / "a", CONCESSION.format("barge Q1", "barge 1"), **asked))
    assert [p.decision.value for p in one.parts] == ["not approved", "approved with conditions"]
    assert one.decision is Decision.NOT_APPROVED
    bare = refused(fleet(tmp_path / "b", CONCESSION.format("Q1", "barge 1"), **asked))
    assert "requirements are barge Q1, pump Q1" in bare
    other = refused(fleet(tmp_path / "c", CONCESSION.format("barge Q1", "pump 1"), **asked))
    assert "'pump 1' is outside the application" in other


@pytest.mark.parametrize(
    ("listed", "told"),
    [
        ('["pump.toml", "pump.toml", "barge.toml"]', "names 'pump.toml' twice"),
        ('["pump.toml", "./pump.toml"]', "./pump.toml: has the file name of pump.toml: 'pump'"),
        ('["pump.toml", "lost.toml"]', "lost.toml: not read (No such file or directory)"),
        ('["pump.toml"]', "has 1 of at least 2. name a single one by 'application'"),
        ('["pump.toml", "barge.toml"]\napplication = "pump.toml"', "not both"),
        ('["pump.toml", "../../outside.toml"]', "leads out of the inputs folder"),
    ],
)
def test_a_list_that_is_wrong_is_answered(tmp_path, listed, told):
    case = fleet(tmp_path, pump=([Q],), barge=([HARD],))
    edit(case, '["pump.toml", "barge.toml"]', listed)
    answer = refused(case)
    assert told in answer
    assert " application.toml: not read" not in answer  # which nobody named


def test_a_copy_under_another_name_is_answered(tmp_path):
    same = ('"barge (invented)"', '"pump (invented)"')
    assert "has the title of pump.toml" in refused(
        fleet(tmp_path / "a", pump=([Q],), barge=([HARD], same))
    )
    machines = ('["barge 1"]', '["pump 1"]')
    assert "asks just what pump.toml asks" in refused(
        fleet(tmp_path / "b", pump=([Q],), barge=([Q], machines))
    )


def test_what_is_wrong_in_one_is_told_with_its_file(tmp_path):
    wrong = requirement("burst_pressure", min="1500 L")
    told = refused(fleet(tmp_path, pump=([Q],), barge=([wrong],)))
    assert "barge.toml: requirement 'Q1': limit: " in told
    empty = fleet(tmp_path / "b", pump=([Q],), barge=([Q],))
    edit(empty, "requirement = [", "requirements = [", "barge.toml")
    assert re.search(r"barge.toml: requirement.*", refused(empty))


def test_a_machine_in_two_applications_has_to_meet_both(tmp_path):
    both = ('["barge 1"]', '["barge 1", "PUMP  1"]')
    found = decided(fleet(tmp_path, pump=([Q],), barge=([HARD], both)))
    assert [c.title for c in found.cautions if "several" in c.title] == [
        "Machine in several applications: pump 1"
    ]


def dossier(case, document=None):
    """The dossier as its files alone say it, with decision.json as given."""
    made = document or json.loads(decision_json(read_case(case), decided(case)))
    files = {f"case/{p.relative_to(case)}": p.read_bytes() for p in case.rglob("*") if p.is_file()}
    return dossier_of(files | {"decision.json": json.dumps(made).encode()}, "case")


class TestDossier:
    """What a reader of the files alone finds: no calculation is repeated."""

    @pytest.fixture
    def case(self, tmp_path):
        return fleet(tmp_path, pump=([Q],), barge=([HARD],))

    def test_it_is_intact_and_its_machines_rest_on_their_own_requirements(self, case):
        read = dossier(case)
        assert standing_of(read).word == "draft"
        rests = {(r.value, r.requirements) for r in rests_on(read) if r.kind == "equipment"}
        assert rests == {("barge 1", ("barge Q1",)), ("pump 1", ("pump Q1",))}
        assert row_of(read, Sealed(), "x.pdf").equipment == "pump 1; barge 1"

    @pytest.mark.parametrize(
        ("forge", "told"),
        [
            (lambda d: d["findings"][1].update(verdict="fail"), "its findings give 'not approved'"),
            (lambda d: d["findings"].pop(), "its findings give 'undecided'"),
            (lambda d: d["applications"].pop(), "a finding is of none of its applications"),
            (lambda d: d["findings"][1].update(requirement="gate Q1"),
             "a finding is of none of its applications"),
            (lambda d: d.update(applications=[], decision_rule=None),
             "pump Q1: passes, though its own numbers do not"),
            (lambda d: d["applications"][1]["decision_rule"].update(confidence=0.9999),
             "barge Q1: passes, though its own numbers do not"),
        ],
    )  # fmt: skip
    def test_a_forged_one_is_not(self, case, forge, told):
        document = json.loads(json.dumps(dossier(case).document))
        forge(document)
        standing = standing_of(dossier(case, document))
        assert standing.word == "not intact"
        assert told in standing.remark

    def test_one_left_out_of_all_is_seen_by_the_files(self, case):
        document = json.loads(json.dumps(dossier(case).document))
        document["applications"].pop()
        document["findings"].pop()
        remark = standing_of(dossier(case, document)).remark
        assert "not those of the requirements in its application.toml" in remark

    def test_a_life_factor_is_a_requirement_of_its_application(self, tmp_path):
        life = ('"300 h"', '"300 h", life_factor = 1.5')
        made = fleet(tmp_path, pump=([Q], life), barge=([Q], life))
        read = dossier(made)
        assert standing_of(read).word == "draft"
        assert [f.requirement for f in read.decision.findings] == [
            "pump Q1", "pump life_factor", "barge Q1", "barge life_factor"
        ]  # fmt: skip

    def test_a_lost_file_is_told(self, case):
        read = dossier(case)
        (case / "barge.toml").unlink()
        assert unread_inputs(dossier(case, json.loads(json.dumps(read.document))))


class TestPages:
    def test_page_one_names_who_is_nearest_and_who_fails(self, tmp_path):
        case = read_case(fleet(tmp_path, pump=([Q],), barge=([TOO_HARD],), gate=([HARD],)))
        found = assess(case, pages=False)
        page = decision_page(case, found, SignOff())
        lines = ["".join(map(str, line.parts)) for line in page.facts[0].value]
        assert lines[0].startswith("barge: NOT MET. “barge (invented)”: “barge 1”")
        assert "leave barge out in a new revision to have the machines of pump, gate" in page.tally
        (row,) = page.closest.rows
        assert row[0][0].parts[0].text == "barge Q1"
        assert row[1][1].parts[0] == "nearest of pump, barge, gate"
        assert "approved" not in " ".join([*lines, page.tally.replace("gate approved", "")])

    def test_the_rules_and_the_risk_of_each_are_said(self, tmp_path):
        strict = ('"95 %"', '"99 %"')
        case = read_case(fleet(tmp_path, pump=([Q],), barge=([Q], strict)))
        found = assess(case, pages=False)
        page = uncertainty_page(case, found, places_of(found))
        assert [text.split(":")[0] for text in page.rule[:2]] == ["pump", "barge"]
        assert "makes a wrong pass of one no more likely" in page.rule[2]
        assert [each.name for each in applications_facts(found)] == ["pump", "barge"]


class TestPlan:
    def test_all_are_on_file_each_with_its_own_changes(self, tmp_path):
        case = fleet(tmp_path, pump=([Q],), barge=([HARD],))
        ask(case)
        read = read_case(case)
        assert [p.on_file.since for p in read.parts] == [ASKED, ASKED]
        assert read.on_file.changes == ()
        assert decided(case).decision is Decision.APPROVED
        edit(case, "1780 kPa", "1750 kPa", "barge.toml")
        assert "barge.toml: revision: is 'A', as on 2026-01-12" in refused(case)
        edit(case, 'revision = "A"', 'revision = "B"', "barge.toml")
        edit(case, "issued = 2026-01-05", "issued = 2026-02-20", "barge.toml")
        assert [c.field for c in read_case(case).on_file.changes if "Q1" in c.field] == [
            "barge . requirement 'Q1' . min"
        ]

    def test_a_softened_limit_is_a_condition_of_its_application(self, tmp_path):
        case = fleet(tmp_path, pump=([Q],), barge=([TOO_HARD],))
        ask(case)
        for old, new in (("2500 kPa", "1500 kPa"), ('"A"', '"B"'), ("2026-01-05", "2026-02-20")):
            edit(case, old, new, "barge.toml")
        (text,) = [c for c in conditions(case) if "as asked" in c]
        assert text.startswith("barge Q1: changed since it was asked on 2026-01-12")
        assert "min: 2500 kPa → 1500 kPa" in text

    def test_what_was_advisory_from_the_start_is_no_condition(self, tmp_path):
        wish = requirement("burst_pressure", "Q2", min="1 kPa", severity="advisory")
        case = fleet(tmp_path, pump=([Q],), barge=([HARD, wish],))
        ask(case)
        assert conditions(case) == []
        edit(case, 'severity = "mandatory"', 'severity = "advisory"', "pump.toml")
        edit(case, 'revision = "A"', 'revision = "B"', "pump.toml")
        edit(case, "issued = 2026-01-05", "issued = 2026-02-20", "pump.toml")
        assert [c for c in conditions(case) if c.startswith("pump Q1: advisory")]

    def test_one_left_out_of_three_weighs_where_its_machines_stay(self, tmp_path):
        both = ('["gate 1"]', '["gate 1", "barge 1"]')
        case = fleet(tmp_path, pump=([Q],), barge=([TOO_HARD],), gate=([Q], both))
        ask(case)
        edit(case, '"pump.toml", "barge.toml", ', '"pump.toml", ')
        (text,) = conditions(case)
        assert text.startswith("“barge (invented)” was asked on 2026-01-12 for barge 1")

    def test_one_that_slips_in_after_the_plan_is_a_condition(self, tmp_path):
        case = fleet(tmp_path, pump=([Q],), barge=([HARD],))
        ask(case)
        kept = (case / "barge.toml").read_text()
        late = kept.replace('"barge (invented)"', '"gate (invented)"').replace("1780", "1700")
        (case / "gate.toml").write_text(late)
        edit(case, '"barge.toml"]', '"barge.toml", "gate.toml"]')
        found = decided(case)
        assert found.decision is Decision.APPROVED_WITH_CONDITIONS
        assert on_file_text(read_case(case)) == (
            "Of pump, barge requirements are on file; of gate no request is."
        )
        assert [c.text for c in found.conditions] == [
            "gate: no request is on file of it, where others are on file since 2026-01-12: nothing "
            "shows that it was asked before the first test"
        ]

    def test_one_that_is_left_out_is_named_and_weighs_where_its_machines_stay(self, tmp_path):
        case = fleet(tmp_path, pump=([Q],), barge=([TOO_HARD],))
        ask(case)
        edit(case, 'applications = ["pump.toml", "barge.toml"]', 'application = "pump.toml"')
        found = decided(case)
        assert found.decision is Decision.APPROVED
        assert not found.conditions
        assert "barge (invented)" in next(
            c.text for c in found.cautions if c.title == "Application no longer asked"
        )
        edit(case, '["pump 1"]', '["pump 1", "barge 1"]', "pump.toml")
        edit(case, 'revision = "A"', 'revision = "B"', "pump.toml")
        edit(case, "issued = 2026-01-05", "issued = 2026-02-20", "pump.toml")
        assert "“barge (invented)” was asked on 2026-01-12" in " ".join(conditions(case))


@pytest.fixture(scope="module")
def asked():
    return asked_of(INPUTS / "canal-fleet")


def request_of(asked, demands, scatter=("2 %",), margin=("10 %",)):
    assumed = assumptions_of(list(scatter), list(margin), "50 %", demands)
    return make_request(asked, demands, assumed, Settings())


def with_oil(asked, kv40, kv100):
    """An application with another oil [m2/s], and a valve that opens later the thicker it is."""
    own = asked.application
    oil = {"kv40": kv40, "kv100": kv100}
    oil = {key: getattr(own.oil, key).model_copy(update={"value": v}) for key, v in oil.items()}
    valve = own.circuit.bypass_valve
    band = valve.opening.model_copy(update={"max": 150e3 + 1e8 * kv40})
    circuit = own.circuit.model_copy(
        update={"bypass_valve": valve.model_copy(update={"opening": band})}
    )
    changed = {"oil": own.oil.model_copy(update=oil), "circuit": circuit}
    return replace(asked, application=own.model_copy(update=changed))


FINE = (["2 %", "efficiency=0.3 %"], ["10 %", "efficiency=1 %"])


class TestRequest:
    def test_one_request_serves_each_of_them(self, asked):
        """What is asked of all is at least as sharp as what each would ask alone."""
        first, second, third = asked[0].parts
        parts = (with_oil(first, 900e-6, 50e-6), with_oil(second, 20e-6, 4e-6), third)
        asked = replace(asked[0], parts=parts), asked[1]
        request = request_of(asked[0], asked[1], FINE[0], FINE[1])
        all_of_them = {t.needed.kind: t for t in request.tests}
        assert sorted(all_of_them) == ["multipass", "pressure_drop"]
        for each in asked[0].parts:
            alone = request_of(each, [d for d in asked[1] if d.mark == each.mark], *FINE)
            for test in alone.tests:
                one, other = all_of_them[test.needed.kind].points, test.points
                assert one.terminal >= other.terminal
                assert set(one.sizes) >= set(other.sizes)
                assert one.flow == pytest.approx(other.flow, rel=0.05)
                assert max(one.flows, default=0) >= max(other.flows, default=0)
                for mine, its in zip(one.viscosities, other.viscosities, strict=True):
                    assert mine == its or (mine < its) == (its < 1e-4)
                specimens = all_of_them[test.needed.kind].specimens["candidate"]
                assert specimens >= test.specimens["candidate"]

    def test_runs_that_no_flow_serves_are_answered(self, asked):
        first, *others = asked[0].parts
        own = first.application
        slow = own.model_copy(
            update={"circuit": own.circuit.model_copy(update={"rated_flow": 5e-4})}
        )
        apart = replace(asked[0], parts=(replace(first, application=slow), *others))
        with pytest.raises(CaseError, match="no run of the full_flow path serves all: lock-gates"):
            request_of(apart, asked[1], *FINE)

    def test_two_methods_for_one_test_are_answered(self, tmp_path):
        house = requirement("burst_pressure", min="1500 kPa", method="House method H-1")
        case = fleet(tmp_path, pump=([Q],), barge=([house],))
        with pytest.raises(CaseError, match="measurement by 'House method H-1'"):
            request_of(*asked_of(case))


def test_a_file_names_its_application_by_its_folder_where_it_must():
    assert mark_of("pump-hall.toml") == "pump-hall"
    assert mark_of("../lock gates/application.toml") == "lock-gates"
    assert mark_of("application.toml") == "application"
    assert mark_of("../application.toml") == "application"


def test_a_figure_is_cited_only_of_the_application_that_it_shows(tmp_path):
    asked = requirement("clean_pressure_drop", "P1", max="900 kPa",
                        at={"flow": "10 L/min", "temperature": "80 degC"})  # fmt: skip
    whole = decided(fleet(tmp_path, pump=([asked],), barge=([asked],)))
    places, drawn = places_of(whole), leading(whole.parts).bench.case.mark
    cited = {f.demand.mark: places.chart(f) for f in whole.findings}
    assert cited == dict.fromkeys(cited, "") | {drawn: "chart-flow"}
    assert set(cited) == {"pump", "barge"}


def test_what_is_recalled_is_left_out_for_every_application(tmp_path, monkeypatch):
    case = read_case(fleet(tmp_path, lock=([Q],), barge=([HARD],)))
    then = SimpleNamespace(case=case, assessment=assess(case, pages=False), why_not="", moved=())
    monkeypatch.setattr(recompute, "decided_again", lambda *_, **__: then)
    dossier = SimpleNamespace(issued=None)
    left = recompute.without_records(dossier, ["M1"], "The gauge read too low.", ASKED)
    assert left.decision == "undecided"
    assert [now for _, _, now, _ in left.verdicts] == ["not demonstrated"] * 2
