"""Cases changed as a careless laboratory, a supplier or an applicant would change them.

Each meets its line, none ends approved, none gains a pass that the honest case does not have,
but by a changed requirement that is a condition on page one.
`pytest tests/hostile/test_gate.py -rP` prints what each tries and the line it meets.
"""

import re
import shutil
from pathlib import Path

import pytest

from dossier import CaseError, assess, read_case
from dossier.make.decide import sign_off
from dossier.make.verdict_text import print_assessment
from dossier.record import signoff
from tests.hostile import gate_claims, gate_cover, gate_loop, gate_rules, gate_stats
from tests.spelled import INPUTS

ROWS = [
    *gate_cover.COVER,
    *gate_loop.LOOP,
    *gate_rules.RULES,
    *gate_stats.STATS,
    *gate_claims.CLAIMS,
]


def passes(assessment):
    return {f.demand.id for f in assessment.findings if f.verdict.value == "pass"}


@pytest.fixture(scope="module")
def honest(few_draws, remembered):
    return {
        name: passes(assess(read_case(INPUTS / name), pages=False))
        for name in {r.case for r in ROWS}
    }


@pytest.mark.parametrize("row", ROWS, ids=[row.name for row in ROWS])
def test_a_changed_case_meets_its_line(row, honest, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(
        signoff, "content_digest", lambda *_, **__: "0" * 64
    )  # none of them is signed
    folder = Path(shutil.copytree(INPUTS / row.case, tmp_path / row.case))
    asked = (folder / "application.toml").read_bytes()
    row.change(folder)
    if row not in gate_cover.COVER and (folder / "application.toml").read_bytes() != asked:
        # These hand in another application, not one that was changed after it was put on file.
        (folder / "requested.toml").unlink()
    try:
        case = read_case(folder)
        assessment = assess(case, pages=False)
    except CaseError as error:
        told = " ".join(str(error).split())
    else:
        assert assessment.decision.value != "approved"
        moved = {c.subject for c in assessment.conditions if c.kind == "changed requirement"}
        assert not passes(assessment) - honest[row.case] - moved
        print_assessment(case, assessment, sign_off(case, assessment))
        told = " ".join(capsys.readouterr().out.split())
    met = re.search(row.line, told)
    print(f"{row.tries}: {met.group() if met else ''}")
    assert met, told


def test_there_are_enough_of_them():
    assert len(ROWS) >= 60
    assert len({row.name for row in ROWS}) == len(ROWS)
