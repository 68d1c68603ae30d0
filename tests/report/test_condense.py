"""What is said once for many records loses no record and no number."""

import re
from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from dossier.case.model import Specimen
from dossier.report.pages.places import condensed, named, runs_of
from dossier.report.pages.reading_notes import _specimens


def test_three_that_count_up_are_a_run_and_two_are_not():
    assert named(["MP-C1", "MPF-C1", "MP-C2", "MPF-C2", "MP-C3"]) == "MP-C1 to C3, MPF-C1, MPF-C2"
    assert named(["C2", "C1", "C4", "C3"]) == "C1 to C4"
    assert named(["BV-C", "BV-R"]) == "BV-C, BV-R"
    assert named(["A-1-9", "A-1-10", "A-1-11"]) == "A-1-9 to 11"
    assert named(["C1", "C1", "C01"]) in {"C1, C01", "C01, C1"}


@given(st.lists(st.sampled_from([f"{s}{n}" for s in ("MP-C", "X", "Y-") for n in range(9)])))
def test_runs_hold_every_name_once(names):
    members = [name for _, group in runs_of(names) for name in group]
    assert sorted(members) == sorted(set(names))
    for text, group in runs_of(names):
        assert text == group[0] if len(group) == 1 else text.startswith(f"{group[0]} to ")


def test_sentences_that_differ_in_numbers_are_said_once_with_a_blank():
    found = [("A", "retained 97.6 % of 33.3 g"), ("B", "retained 98.5 % of 33.3 g")]
    assert condensed(found) == ("retained … % of 33.3 g (A\u00a097.6; B\u00a098.5)",)
    listed = [("A", "ISO 1:2017; lists X"), ("B", "ISO 2:2017; lists X")]
    assert condensed(listed) == ("ISO …; lists X (A\u00a01:2017; B\u00a02:2017)",)
    assert condensed([("A", "fine"), ("B", "fine"), ("C", "poor")]) == ("fine (A, B)", "poor (C)")
    assert condensed([("A", "27.8 mg/L"), ("B", "28.0 mg/L")]) == (
        "… mg/L (A\u00a027.8; B\u00a028.0)",
    )


WORD = st.sampled_from(["mean", "off", "g", "%", "of", "APC-21", "in"])
NUMBER = st.integers(0, 400).map(lambda n: f"{n / 10:.1f}")
SENTENCE = st.lists(st.one_of(WORD, NUMBER), min_size=1, max_size=6).map(" ".join)


@given(st.lists(SENTENCE, min_size=1, max_size=8))
def test_no_word_and_no_number_of_any_record_is_lost(sentences):
    found = [(f"r{chr(97 + i)}", text) for i, text in enumerate(sentences)]
    said = " ".join(condensed(found))
    tokens = set(re.split(r"[ ();,\u00a0]+", said))
    for name, text in found:
        assert name in tokens
        assert set(text.split(" ")) <= tokens


def test_specimens_of_which_the_same_is_said_share_a_row():
    said = {"filter": "candidate", "lot": "A", "drawn": "at random"}
    own = [Specimen(id=f"C{k}", **said) for k in range(1, 5)] + [
        Specimen(id="C5", **said | {"lot": "B"})
    ]
    case = SimpleNamespace(qualification=SimpleNamespace(specimen=own))
    rows = [row[:2] for row in _specimens(case).rows]
    assert rows == [("C1 to C4", "A"), ("C5", "B")]
