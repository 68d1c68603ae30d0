"""A revision, or a dossier that replaces another, says what changed; one made before is read."""

from datetime import date

import pytest

from dossier import read_case
from dossier.case.problems import CaseError
from tests.evidence.test_strength_quantities import burst
from tests.small_case import requirement, write

ON = date(2026, 3, 1)


def folder(tmp_path, *lines, revision=0):
    made = write(tmp_path / "case", [burst("1000", "1010")], [requirement("burst_pressure",
                 min="1 MPa")])  # fmt: skip
    text = (made / "case.toml").read_text().replace("revision = 0", f"revision = {revision}")
    (made / "case.toml").write_text("\n".join([*lines, text]))
    return made


def test_a_first_revision_needs_no_word(tmp_path):
    assert read_case(folder(tmp_path), on=ON).qualification.changes == ""


@pytest.mark.parametrize(
    ("lines", "revision", "since"),
    [((), 1, "revision 0"), (('replaces = "OLD-1 r2"',), 0, "OLD-1 r2"),
     (('changes = "None."',), 3, "revision 2")],
)  # fmt: skip
def test_a_later_one_says_what_changed(tmp_path, lines, revision, since):
    made = folder(tmp_path, *lines, revision=revision)
    with pytest.raises(CaseError) as caught:
        read_case(made, on=ON)
    (problem,) = caught.value.problems
    assert (problem.file, problem.place) == ("case.toml", "changes")
    assert since in problem.what
    assert "changes = '" in problem.hint
    assert read_case(made).qualification.revision == revision  # as a verification reads it


def test_a_sentence_will_do(tmp_path):
    said = 'changes = "Lot 26-014 added, since the first one is used up."'
    assert read_case(folder(tmp_path, said, revision=1), on=ON).qualification.changes
