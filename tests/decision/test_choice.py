"""Candidates side by side: what they share cancels, and nothing that only bears the same name."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.case.certificate import Certificate, Relied, StatedValue
from dossier.case.model import Reproducibility
from dossier.case.records import MultipassTable
from dossier.decision import choice
from dossier.decision.choice import set_beside
from dossier.decision.comparison import ends_of
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import limits
from tests import campaign as sim
from tests.tally import asked, truths

SHARED = 0.05
"""Standard uncertainty of every reading of differential pressure in these campaigns [-]."""
DROP = "clean drop"


@pytest.fixture(scope="module")
def base():
    """The template whose laboratory states its one large error, as it is drawn."""
    made = sim.template()
    tools = tuple(
        tool.model_copy(update={"reading_u": f"{100 * SHARED:g} %"})
        if "differential pressure" in tool.measures
        else tool
        for tool in made.case.qualification.instrument
    )
    described = made.case.qualification.model_copy(update={"instrument": tools})
    return replace(made, case=replace(made.case, qualification=described))


@pytest.fixture(scope="module")
def bench(base):
    return sim.campaign(base, 3, 3)


@pytest.fixture(scope="module")
def demands(base):
    return asked(base)


def described(candidate, **update):
    """The candidate with other words in its case.toml."""
    made = candidate.case.qualification.model_copy(update=update)
    return replace(candidate, case=replace(candidate.case, qualification=made))


def recorded(candidate, kind, change):
    """The candidate with each record of a kind changed."""
    records = tuple(
        change(record) if record.entry.kind == kind else record for record in candidate.case.records
    )
    return replace(candidate, case=replace(candidate.case, records=records))


def instruments(candidate, measurand, **update):
    """The candidate with other words on the instruments that measure something."""
    tools = tuple(
        tool.model_copy(update=update) if measurand in tool.measures else tool
        for tool in candidate.case.qualification.instrument
    )
    return described(candidate, instrument=tools)


def beside(pair, demands):
    with sim.unchecked(), with_trials(2000):
        one, other = pair
        return set_beside(one, other, demands, limits())


def of(pair, name):
    return next(each for each in pair.differences if name in each.requirements)


def half(pair, name=DROP):
    found = of(pair, name)
    _, low, high = ends_of(found.own, found.other)
    return (high - low) / 2


def test_an_error_of_one_instrument_cancels_and_one_of_two_does_not(base, demands):
    # Simulated: the pressure transmitter errs by 5 %, and is one for both, or one for each.
    drop = [demand for demand in demands if demand.id == DROP]
    truth = truths(sim.CANDIDATE)[DROP][2] - truths(sim.REFERENCE)[DROP][2]
    stated = replace(sim.STATED, pressure=SHARED)
    missed = {"one": [], "two": []}
    widths = {"one": [], "two": []}
    for seed in range(24):
        runs = [sim.campaign(base, s, 3, stated=stated, checked=False) for s in (seed, seed + 100)]
        for name, pair in (("one", sim.as_two(runs[0])), ("two", sim.as_two(*runs))):
            if name == "two":
                other = instruments(pair[1], "differential pressure", certificate="another")
                pair = pair[0], other
            found = of(beside(pair, drop), DROP)
            value, low, high = ends_of(found.own, found.other)
            missed[name].append(value - truth)
            widths[name].append((high - low) / 2)
    for name, errors in missed.items():
        # A 95 % interval is twice as wide as what it misses by, give or take 24 campaigns.
        assert 1.4 < np.mean(widths[name]) / np.sqrt(np.mean(np.square(errors))) < 3.2, name
    assert np.mean(widths["two"]) > 2 * np.mean(widths["one"])


def test_one_laboratory_by_id_and_name_and_one_instrument_by_all_that_is_said_of_it(bench, demands):
    one, two = sim.as_two(bench)
    plain = beside((one, two), demands)
    assert not plain.notes
    assert not plain.problems
    for change in (
        {"certificate": "another"}, {"calibrated": two.case.qualification.instrument[0].due},
        {"reading_u": "5.1 %"}, {"serial": "other"},
    ):  # fmt: skip
        other = beside((one, instruments(two, "differential pressure", **change)), demands)
        assert half(other) > 2 * half(plain), change
        assert "DP-11 is not described alike" in " ".join(other.notes)
    laboratory = two.case.qualification.laboratory[0]
    renamed = described(two, laboratory=(laboratory.model_copy(update={"name": "Another"}),))
    apart = beside((one, renamed), demands)
    assert half(apart) > 2 * half(plain)
    assert "laboratory ITH is not described alike" in " ".join(apart.notes)
    assert "different laboratories" in " ".join(apart.notes)
    # Under another id it may be another house of the same firm.
    moved = described(two, laboratory=(laboratory.model_copy(update={"id": "L2"}),))
    for kind in ("multipass", "pressure_drop", "bypass_valve"):
        moved = recorded(moved, kind, lambda r: replace(
            r, entry=r.entry.model_copy(update={"laboratory": "L2"})))  # fmt: skip
    assert half(beside((one, moved), demands)) == pytest.approx(half(apart), rel=0.2)


def test_a_laboratory_may_list_in_each_case_what_it_was_asked_for(bench, demands):
    one, two = sim.as_two(bench)
    laboratory = two.case.qualification.laboratory[0]
    none = described(two, laboratory=(laboratory.model_copy(update={"methods": ()}),))
    for pair in ((one, none), (none, one)):
        with with_trials(2000):
            found = set_beside(pair[0], pair[1], demands, limits())
        assert not found.notes
        assert not any(each.why for each in found.differences)


def test_a_fluid_that_is_described_otherwise_is_another(bench, demands):
    one, two = sim.as_two(bench)
    fluids = tuple(
        each.model_copy(update={"description": "another drum"})
        for each in two.case.qualification.fluid
    )
    found = beside((one, described(two, fluid=fluids)), demands)
    assert half(found) > half(beside((one, two), demands))
    assert "test fluid sweep fluid is not described alike" in " ".join(found.notes)


def test_what_laboratories_differ_by_is_the_larger_of_what_both_cases_state(bench, demands):
    one, two = sim.as_two(bench)
    laboratory = two.case.qualification.laboratory[0].model_copy(update={"name": "Another"})
    widths = []
    for u in ("4 %", "20 %"):
        study = Reproducibility(
            method="ISO 4548-1:1997", quantity="clean_pressure_drop", u=u, source="invented study"
        )
        stated = described(two, laboratory=(laboratory,), reproducibility=(study,))
        widths.append(half(beside((one, stated), demands)))
    assert widths[1] > 2 * widths[0]


@pytest.mark.parametrize(
    ("update", "words"),
    [
        ({"standard": "ISO 4548-12:2000"}, "method ISO 4548-12:2017"),
        ({"standard": "ISO 16889:2022"}, "and ISO 16889:2022"),
        ({"dust": "ISO 12103-1 A2"}, "test dust ISO 12103-1 A3"),
        ({"dust": ""}, "test dust is not stated"),
    ],
)
def test_what_was_not_tested_alike_has_no_difference(bench, demands, update, words):
    def changed(record):
        entry, more = record.entry, dict(update)
        if "dust" in more:
            kind = more.pop("dust")
            dust = entry.conditions.dust.model_copy(update={"kind": kind}) if kind else None
            more["conditions"] = entry.conditions.model_copy(update={"dust": dust})
        return replace(record, entry=entry.model_copy(update=more))

    one, two = sim.as_two(bench)
    found = beside((one, recorded(two, "multipass", changed)), demands)
    assert words in of(found, "efficiency 20").why
    assert "not tested alike" in of(found, "retained").why
    assert not of(found, DROP).why


def test_another_batch_of_dust_is_said(bench, demands):
    def changed(record):
        dust = record.entry.conditions.dust.model_copy(update={"batch": "B-2"})
        conditions = record.entry.conditions.model_copy(update={"dust": dust})
        return replace(record, entry=record.entry.model_copy(update={"conditions": conditions}))

    one, two = sim.as_two(bench)
    assert "what batches differ by is not in U" in " ".join(
        beside((one, recorded(two, "multipass", changed)), demands).notes
    )


def test_readings_of_one_candidate_are_none_of_another(bench, demands):
    """Copied whole, in part, or with every count a little larger: each is found."""
    one, two = sim.as_two(bench)
    given = {r.entry.specimen[1:]: r for r in one.records if r.entry.kind == "multipass"}

    def with_table(change):
        return recorded(
            two, "multipass", lambda r: replace(r, table=change(given[r.entry.specimen[1:]].table))
        )

    def more(table: MultipassTable):
        raw = {k: np.round(getattr(table, k) * 2.5) * 0.42 for k in ("upstream", "downstream")}
        return replace(table, **raw)

    with with_trials(2000):
        whole = set_beside(one, with_table(lambda t: t), demands[:1], limits())
        scaled = set_beside(one, with_table(more), demands[:1], limits())
        honest = set_beside(one, two, demands[:1], limits())
    assert any("holds the same readings as record" in each.what for each in whole.problems)
    assert "noise of its own" in {each.place for each in scaled.problems}
    assert not honest.problems


def test_one_rig_cannot_have_made_the_runs_of_both_in_a_day(bench, demands):
    def on_one_day(record):
        entry = record.entry.model_copy(update={"tested": date(2026, 2, 16), "finished": None})
        return replace(record, entry=entry)

    one, other = (recorded(each, "multipass", on_one_day) for each in sim.as_two(bench))
    with with_trials(2000):
        found = set_beside(one, other, demands[:1], limits()).problems
    assert {each.place for each in found} == {"time for each run"}
    assert "ONE-r0 multipass-C1" in " ".join(each.what for each in found)
    assert "TWO-r0 multipass-R1" in " ".join(each.what for each in found)


def test_a_certificate_that_says_something_else_is_of_another_instrument(bench, demands):
    one, two = sim.as_two(bench)
    said = []
    for u, candidate in ((0.1, one), (0.1, two), (0.2, two)):
        certificate = Certificate(
            number="K-1", begun=date(2026, 1, 1), ended=date(2026, 1, 1), laboratory="K", kind="x",
            marks=(), several=False, groups=((StatedValue(100.0, "kPa", u),),),
        )  # fmt: skip
        relied = Relied(
            instrument="DP-11", file="k.xml", certificate=certificate, taken=(), reach={}
        )
        said.append(replace(candidate, case=replace(candidate.case, certificates=(relied,))))
    first, same, other = said
    assert not beside((first, same), demands).notes
    assert half(beside((first, other), demands)) > 2 * half(beside((first, same), demands))


def test_the_order_turns_the_sign_and_nothing_else(bench, demands):
    one, two = sim.as_two(bench)
    there, back = beside((one, two), demands), beside((two, one), demands)
    for name in ("retained", DROP):
        first, second = (ends_of(of(p, name).own, of(p, name).other) for p in (there, back))
        assert first[0] == pytest.approx(-second[0])
        assert first[1] == pytest.approx(-second[2])


@pytest.mark.parametrize(("own", "other"), [("lower", ""), ("", "lower"), ("", "")])
def test_of_a_bound_on_either_side_no_difference_is_told(own, other, monkeypatch):
    results = iter(SimpleNamespace(bound=each) for each in (own, other))
    monkeypatch.setattr(choice, "attempt", lambda *_: next(results))
    for name in ("unlike_tests", "other_method"):
        monkeypatch.setattr(choice, name, lambda *_: "")
    quantity = SimpleNamespace(compute=None)
    found = choice._difference(None, [SimpleNamespace(id="E1", quantity=quantity, at={})])
    assert bool(found.why) is bool(own or other)
    assert (found.own is None) is bool(own or other)
