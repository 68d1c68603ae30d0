"""Numbers on the page: rounding rules of JCGM 100:2008, 7.2.6, worked by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.report import format as fmt
from dossier.words import speaking
from dossier.words.catalogue import ENGLISH, LANGUAGES
from tests.words import messages

THIN, SPACE = "\u202f", "\u00a0"
PM = "\u00a0±\u00a0"


@pytest.mark.parametrize(
    ("u", "decimals"),
    [(0.42, 2), (4.2, 1), (42.0, 0), (420.0, -1), (0.042, 3), (1.0, 1), (0.0996, 2), (99.6, -1)],
)
def test_two_significant_digits_of_an_uncertainty(u, decimals):
    assert fmt.decimals_for(u) == decimals


# JCGM 100:2008, 7.2.2: m = 100.021 47 g with u = 0.35 mg; 7.2.4: +/- 0.000 79 g (from memory).
@pytest.mark.parametrize(
    ("value", "expanded", "texts"),
    [
        (100.02147, 0.00079, ("100.02147", "0.00079")),
        (97.3149, 0.4217, ("97.31", "0.42")),
        (31.2, 1.257, ("31.2", "1.3")),
        (15312.4, 1234.0, (f"15{THIN}300", "1200")),
        (0.0009, 0.42, ("0.00", "0.42")),
        (2.5, 10.0, ("2", "10")),  # half to even
        (3.5, 10.0, ("4", "10")),
        (5.0, 0.0, ("5.000", "0")),
    ],
)
def test_value_and_uncertainty_to_the_same_decimal(value, expanded, texts):
    assert fmt.with_uncertainty(value, expanded) == texts


def test_the_printed_value_stays_on_its_side_of_the_limit():
    assert fmt.with_uncertainty(94.996, 0.4, [95.0])[0] == "94.996"
    assert fmt.with_uncertainty(95.004, 0.4, [95.0])[0] == "95.004"
    assert fmt.with_uncertainty(95.0, 0.4, [95.0])[0] == "95.00"
    assert fmt.with_interval(94.996, 94.6, 95.392, [95.0]).startswith(f"94.996{PM}")


@given(
    st.floats(min_value=-1e4, max_value=1e4),
    st.floats(min_value=1e-4, max_value=1e3),
    st.floats(min_value=-1e4, max_value=1e4),
)
def test_rounding_never_crosses_or_reaches_a_limit(value, expanded, limit):
    if abs(value - limit) <= 1e-6:
        return
    text, _ = fmt.with_uncertainty(value, expanded, [limit])
    printed = float(text.replace(THIN, "").replace("\u2212", "-"))
    assert (printed > limit) == (value > limit)
    assert printed != limit


def test_even_and_uneven_intervals():
    assert fmt.with_interval(97.312, 96.9, 97.724) == f"97.31{PM}0.41"
    assert fmt.with_interval(97.3, 96.1, 98.0) == "97.30 (96.10 to 98.00)"
    assert fmt.with_interval(120.0, 80.0, math.inf) == "120 (at least 80)"
    assert fmt.with_interval(math.inf, 80.0, math.inf) == "unbounded"


def test_bounds_carry_their_sign():
    assert fmt.bound_text("2000", "larger than") == f">{SPACE}2000"
    assert fmt.bound_text("0.5", "smaller than") == f"<{SPACE}0.5"
    assert fmt.bound_text("7", "") == "7"


def test_digits_in_groups_of_three_from_five_digits_up():
    assert fmt.fixed(1234.0, 0) == "1234"
    assert fmt.fixed(12345.678, 1) == f"12{THIN}345.7"
    assert fmt.fixed(-1234567.0, 0) == f"\u22121{THIN}234{THIN}567"
    assert fmt.fixed(-0.0004, 2) == "0.00"


@pytest.mark.parametrize(
    ("value", "digits", "keep", "text"),
    [
        (38.0, 4, False, "38"),
        (38.0, 4, True, "38.00"),
        (0.0996, 2, True, "0.10"),
        (14.5, 4, False, "14.5"),
        (0.0, 4, False, "0"),
    ],
)
def test_significant_digits(value, digits, keep, text):
    assert fmt.significant(value, digits, keep=keep) == text


def test_units_are_spelled_and_kept_with_their_number():
    assert fmt.with_unit(f"97.31{PM}0.42", "%") == f"(97.31{PM}0.42){SPACE}%"
    assert fmt.with_unit("16", "um(c)") == f"16{SPACE}µm(c)"
    assert fmt.with_unit("40", "1") == "40"
    assert fmt.quantity_text(-10.0, "degC") == f"\u221210{SPACE}°C"
    assert fmt.percent(0.05) == f"5{SPACE}%"


def test_running_text_spells_units_and_leaves_words_alone():
    assert fmt.speak("of 20 um(c) at 105 degC") == f"of 20{SPACE}µm(c) at 105{SPACE}°C"
    assert fmt.speak("110 mm2/s; a drum(c) and a vacuum") == (
        f"110{SPACE}mm²/s; a drum(c) and a vacuum"
    )
    assert fmt.speak("100% of rows, -0.4% off") == f"100{SPACE}% of rows, \u22120.4{SPACE}% off"
    assert fmt.speak("MP-1 by ISO 4548-12 on 2026-02-16") == "MP-1 by ISO 4548-12 on 2026-02-16"


def test_a_unit_that_is_a_word_in_the_language_is_spelled_after_a_number_alone():
    with speaking("de"):
        assert fmt.speak("um mehr als 10 um, um 4") == f"um mehr als 10{SPACE}µm, um 4"


@pytest.mark.parametrize("language", sorted(set(LANGUAGES) - {ENGLISH}))
def test_no_word_of_a_translation_turns_into_a_unit(language):
    with speaking(language):
        for (_, forms), translated in messages.held(language).items():
            for form, words in zip(forms, translated, strict=True):
                new = fmt.speak(words).count("µm") - words.count("µm")
                assert new in (0, form.count(" um")), words


def test_hidden_characters_show_as_a_box():
    assert fmt.clean("CAN\u202e1-\u0000X") == "CAN□1-□X"
    assert fmt.chart_text(f"1{THIN}000") == f"1{SPACE}000"


@pytest.mark.parametrize("u", [0.0, -1.0, math.inf, math.nan])
def test_an_uncertainty_that_is_none_is_refused(u):
    with pytest.raises(ValueError, match="finite and above zero"):
        fmt.decimals_for(u)


@given(st.floats(1e-6, 1e6))
def test_a_bound_is_never_printed_as_more_than_it_is(value):
    def read(text):
        return float(text.replace("\u202f", ""))

    assert read(fmt.beyond(value, "larger than")) <= value * (1 + 1e-12)
    assert read(fmt.beyond(value, "smaller than")) >= value * (1 - 1e-12)


def test_nothing_is_larger_than_all():
    assert fmt.beyond(99.99999, "larger than") == "99.99"
