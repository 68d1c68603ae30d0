"""US customary units beside SI and instead: they print, and decide nothing."""

import re
from base64 import b64decode

import pint
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dossier.evidence.statistics.combine import with_trials
from dossier.make import decide
from dossier.make.read import read_case
from dossier.report import format as fmt
from dossier.report.pages import results
from dossier.report.pages.contents import build_content
from dossier.report.running import in_print, printing, retold, written_in
from dossier.report.scales import BESIDE, INSTEAD, customary, scales
from dossier.words import say, speaking
from tests.report import sample
from tests.report.test_facts import INPUTS, said

REGISTRY = pint.UnitRegistry()
PM = fmt.PLUS_MINUS


def plain(text):
    return text.replace(fmt.SPACE, " ").replace(fmt.THIN, "")


@pytest.mark.parametrize("unit", sorted(customary()))
def test_us_customary_units_are_those_of_another_program(unit):
    """Against the registry of pint, which takes the definitions of NIST, there and back."""
    scale = customary()[unit]
    own, other = (
        {"K": "delta_degC"}.get(each, each).replace("3", "**3") for each in (unit, scale.unit)
    )
    for value in (0.0, 1.0, 37.5):
        by_pint = REGISTRY.Quantity(value, own).to(other).magnitude
        assert scale.of(value) == pytest.approx(by_pint, rel=1e-9, abs=1e-9)
        assert scale.back(scale.of(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "unit", "shown"),
    [
        # by hand: 32 kPa is 4.641 psi, 80 L/min 21.13 gal/min, 105 degC 221 degF, 1 in 25.4 mm
        ("32", "kPa", "32 kPa (4.6 psi)"),
        ("80", "L/min", "80 L/min (21.1 US gal/min)"),
        ("105", "degC", "105 °C (221 °F)"),
        ("−10.5", "degC", "−10.5 °C (13.1 °F)"),
        ("160 to 200", "kPa", "160 to 200 kPa (23.2 to 29.0 psi)"),
        ("24.0 ± 1.4", "kPa", "(24.0 ± 1.4) kPa (3.48 ± 0.20 psi)"),
        ("90.0 ± 1.5", "degC", "(90.0 ± 1.5) °C (194.0 ± 2.7 °F)"),
        ("2.5", "bar", "2.5 bar (36.3 psi)"),
        ("25.40", "mm", "25.40 mm (1.0000 in)"),
        ("95", "%", "95 %"),
        ("unbounded", "kPa", "unbounded kPa"),
    ],
)
def test_numbers_print_beside_and_instead_with_a_place_no_coarser(text, unit, shown):
    text = text.replace(" ± ", PM)
    assert fmt.with_unit(text, unit).endswith(fmt.unit_text(unit))  # in SI nothing follows
    with printing(BESIDE):
        assert plain(fmt.with_unit(text, unit)) == shown
    with printing(INSTEAD):
        alone = plain(fmt.with_unit(text, unit))
    end = shown.partition(f" {fmt.unit_text(unit)} (")[2].removesuffix(")")
    assert alone.replace("(", "").replace(")", "") == (end or shown.replace("kPa", "psi"))


def test_a_value_given_in_psi_prints_as_it_was_given():
    with printing(INSTEAD):
        for psi in (29, 23.2, 87):
            assert plain(fmt.quantity_text(psi * 6.894757293168361, "kPa")) == f"{psi} psi"
            assert plain(in_print(f"at {psi * 6.894757293168361:.4g} kPa")) == f"at {psi} psi"


@pytest.mark.parametrize("form", [BESIDE, INSTEAD])
@pytest.mark.parametrize(("least", "written"), [(32e3, "kPa"), (30 * 6894.7572931684, "psi")])
@given(
    off=st.one_of(st.just(0.0), st.floats(-0.3, 0.3), st.floats(-1e-5, 1e-5)),
    u=st.floats(0.1, 5e3), bound=st.sampled_from(["", "", "larger than", "smaller than"]),
)  # fmt: skip
def test_a_printed_result_is_on_the_side_of_its_printed_limit_that_it_was_found_on(
    form, least, written, off, u, bound
):
    asked = sample.demand(sample.CLEAN, "P1", upper=least, unit=written)
    found = sample.finding(asked, sample.estimate(least * (1 + off), u, bound=bound), "pass")
    with printing(form):
        texts = results.limit_text(found), results.estimate_text(found)
    units = ["kPa", "psi"] if form == BESIDE and written == "kPa" else ["psi"]
    assert all(text.count(unit) == 1 for text in texts for unit in units)
    for at, unit in enumerate(units):
        end, value = (fmt.read(fmt.NUMBER.search(text.split(units[0])[at])[0]) for text in texts)
        exact = {"kPa": 32, "psi": 30 if written == "psi" else pytest.approx(4.6412076, rel=1e-4)}
        assert end == exact[unit]
        if not bound or (bound == "larger than") == (off > 0):  # else it proves nothing
            assert (value > end) - (value < end) == fmt.apart(1 + off, 1.0)


@given(
    st.lists(
        st.tuples(st.floats(0.01, 5000.0) | st.sampled_from([99.99, 100.0]), st.integers(0, 3)),
        min_size=2, max_size=5,
    )
)  # fmt: skip
@example([(100.0, 0), (99.99, 2)])
@example([(20.0, 0), (20.0, 2)])
def test_no_two_numbers_of_a_sentence_change_places(values):
    texts = [fmt.fixed(value, places) for value, places in values]
    with printing(INSTEAD):
        shown = [
            fmt.NUMBER.search(each)[0]
            for each in in_print(" kPa; ".join(texts) + " kPa").split(";")
        ]
        scale = scales("kPa")[0]
    for text, number in zip(texts, shown, strict=True):
        assert fmt.fixed(scale.back(fmt.read(number)), fmt.decimals_shown(text)) == text
    pairs = {(fmt.read(text), fmt.read(each)) for text, each in zip(texts, shown, strict=True)}
    assert [each for _, each in sorted(pairs)] == sorted(each for _, each in pairs)
    assert len(pairs) == len({value for value, _ in pairs})  # equal ones stay equal


def test_sentences_are_turned_and_what_people_wrote_is_not():
    with printing(INSTEAD):
        assert plain(say("of {low} to {high} kPa", low="160", high="200")) == "of 23.2 to 29.0 psi"
        assert plain(say("{flow:.1f} L/min within {k} K", flow=95.0, k=2)) == (
            "25.1 US gal/min within 3.6 °F"
        )
        assert say("{text}: oil temperature / °C", text="at 20 kPa") == (
            "at 20 kPa: oil temperature / °F"
        )
        kept = "“30 min at 23 degC”, column 'flow [L/min]', 10 per mL, 5 mg/L"
        assert plain(retold(f"{kept}, 2 bar")) == f"{kept.replace('degC', '°C')}, 29 psi"
    with speaking("de"), printing(INSTEAD):
        assert plain(in_print("1,50 kPa und 10 bis 12 kPa")) == "0,2176 psi und 1,45 bis 1,74 psi"


def test_conditions_get_both_units_beside():
    text = "at 80\u00a0L/min, 105\u00a0°C, 20\u00a0µm(c)"
    assert in_print(text) == text
    with printing(BESIDE):
        assert plain(in_print(text)) == "at 80 L/min (21.13 US gal/min), 105 °C (221 °F), 20 µm(c)"


def test_a_sentence_of_a_person_stays_inside_one_of_the_program():
    leave = "up to 0.9 mm longer than drawn"
    with printing(INSTEAD, [leave, "80 L/min"]):
        assert plain(retold(f"D1: {leave}; at 80 L/min")) == f"D1: {leave}; at 21.13 US gal/min"


SI = r"(?<![\w/\[])(kPa|L/min|mL/min|mL|°C|degC|(?<=\d[ \u00a0])(Pa|bar|L|K|mm))(?![\w/\]²³])"


@pytest.fixture(scope="module", params=["polder-pumps", "chain-ferry"])
def decided(request):
    with with_trials(500):
        case = read_case(INPUTS / request.param)
        return case, decide.assess(case)


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_si_unit_that_has_another_is_left_but_in_what_people_wrote(decided, language):
    case, assessment = decided
    asked = {fmt.speak(text) for text in written_in(case)}
    people = sorted((text for text in asked if re.search(SI, text)), key=len, reverse=True)
    with speaking(language), printing(INSTEAD, written_in(case)):
        page = build_content(
            case, assessment, issued=decide.issue_date(case), manifest={"versions": {"numpy": "2"}},
            decision_json=b"{}", signoff=decide.sign_off(case, assessment), style="",
        )  # fmt: skip
        pictures = [chart.uri for chart in page.charts]
    shown = [*said(page), *(b64decode(each.partition(",")[2]).decode() for each in pictures)]
    left = []
    for text in shown:
        for own in people:
            text = text.replace(own, "")
        text = re.sub("“[^”]*”|(?:per|je)\u00a0mL|\\(1/mL\\)", "", text)
        left += [text] if re.search(SI, text) else []
    assert not left
    assert sum(text.count("psi") for text in shown) > 40
    rows = {row[0][0]: row for row in page.requirements.rows}
    for each in (f for f in assessment.findings if f.demand.unit == "kPa" and f.estimate):
        numbers = " ".join(said(rows[each.demand.id][-1])).replace(",", ".")
        first = each.estimate.per_specimen[0].value / 6894.757
        listed = [float(n) for n in re.findall(r"[\d.]*\d", numbers)]
        assert (
            "as " in numbers
            or "wie" in numbers
            or any(n == pytest.approx(first, rel=0.02) for n in listed)
        )
