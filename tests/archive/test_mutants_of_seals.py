"""Some mutants of a sealed dossier in each run; thousands by `python -m tests.hostile.seals`."""

from tests.hostile import seals


def test_no_mutant_of_a_sealed_dossier_is_verified(dossier, tmp_path):
    made = seals.Sealed(tuple(dossier.versions), tuple(dossier.trust))
    told = seals.run(made, range(100), tmp_path)
    assert not [each.fault for each in told if each.fault]
    assert {each.kind for each in told} == set(seals.KINDS)


def test_the_file_itself_would_be_verified(dossier, tmp_path, monkeypatch):
    """A judge that calls nothing a fault would pass every program."""
    made = seals.Sealed(tuple(dossier.versions), tuple(dossier.trust))
    monkeypatch.setattr(seals, "mutant", lambda *_: ("none", dossier.data))
    (told,) = seals.run(made, [0], tmp_path)
    assert "verified" in told.fault
