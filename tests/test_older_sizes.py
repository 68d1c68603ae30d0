"""Sizes of older calibrations: converted with a sentence that reaches the finding, or refused."""

import json
import shutil
from pathlib import Path

import pytest

from dossier import CaseError, assess, read_case
from dossier.make.decide import decision_json
from tests.spelled import INPUTS
from tests.words.foreign import pages_of


@pytest.fixture
def case(tmp_path):
    """The ferry against the limits of a public specification, in the sizes of ISO 4402.

    The example's invented engine takes the flow and the valve that the ferry's filters were tested
    for.
    """
    public = Path(
        shutil.copytree(INPUTS / "public-specification", tmp_path / "public-specification")
    )
    asked = public / "application.toml"
    engine = asked.read_text().replace('"80 L/min"', '"60 L/min"').replace('"160 kPa"', '"140 kPa"')
    # Its circuit returns the fine part's oil to the sump, as theirs does.
    engine = engine.replace(
        'arrangement   = "full_flow"', 'arrangement = "combined"\npartial_flow_share = "10 %"'
    )
    asked.write_text(engine)
    folder = Path(shutil.copytree(INPUTS / "chain-ferry", tmp_path / "chain-ferry"))
    (folder / "requested.toml").unlink()
    file = folder / "case.toml"
    text = file.read_text()
    file.write_text(
        text.replace(
            'application = "application.toml"',
            'application = "../public-specification/application.toml"',
        ).partition("[[concession]]")[0]
    )
    return folder


def test_limits_in_older_sizes_are_converted_and_the_conversion_is_said(case):
    read = read_case(case)
    findings = {f.demand.id: f for f in assess(read).findings}
    # ISO/TR 16386 (from memory): 10 um by ISO 4402 is 9.8 um(c), 25 um is 21.2 um(c).
    assert findings["FF-1"].upper == pytest.approx(9.8)
    assert findings["FF-2"].upper == pytest.approx(21.2)
    assert any("ISO 4402" in note and "9.8" in note for note in findings["FF-1"].estimate.notes)
    assert findings["FF-3"].upper == pytest.approx(10e-6 / 3600)  # one specimen leaks 0.17 mL/min
    assert findings["FF-3"].verdict.value == "fail"
    assert findings["FF-5"].demand.shown(findings["FF-5"].lower) == pytest.approx(100)


def test_the_conversion_reaches_the_page(case, few_draws, monkeypatch):
    text = " ".join(pages_of(case, monkeypatch).text)
    assert "ISO 4402" in text
    assert "9.8" in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('max = "25 um"', 'max = "250 um"', "250"),
        ('max = "25 um"', 'max = "25 um(c)"', "does not fit size_calibration"),
        ('size_calibration = "ISO 4402"', 'size_calibration = "um(b)"', "does not fit"),
    ],
)
def test_what_the_table_does_not_hold_is_refused(case, old, new, words):
    file = case.parent / "public-specification" / "application.toml"
    file.write_text(file.read_text().replace(old, new))
    with pytest.raises(CaseError, match=words):
        read_case(case)


def test_a_record_counted_by_an_older_calibration_is_converted(tmp_path):
    folder = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    for path in (folder / "records").glob("mp-*.csv"):
        path.write_text(path.read_text().replace(" um(c)", " um(b)"))
    file = folder / "case.toml"
    file.write_text(
        file.read_text().replace(
            'kind = "multipass"', 'kind = "multipass"\nsize_calibration = "um(b)"'
        )
    )
    read = read_case(folder)
    # 0.898 um(c) in one um(b), from memory: 20 um(b) is 17.96 um(c).
    assert 17.96 in read.records[0].table.sizes.round(3)
    document = json.loads(decision_json(read, assess(read)))
    verdicts = {f["requirement"]: f for f in document["findings"]}
    assert verdicts["E1"]["verdict"] == "not demonstrated"
    assert "no counts at 20" in verdicts["E1"]["reason"]
    assert verdicts["S1"]["verdict"] == "pass"
