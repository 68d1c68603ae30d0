"""Many cases in one call: none stops, changes or overwrites another."""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from dossier.batch import run as batch
from dossier.batch.run import build_many, summary
from dossier.make.outcome import Order, Outcome
from tests.archive import sealed

INPUTS = Path(__file__).parents[1] / "inputs"


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "dossier", *map(str, arguments)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        timeout=300,
        check=False,
    )


def test_one_bad_case_never_stops_the_rest_and_files_are_those_of_single_builds(tmp_path):
    cases = [
        sealed.short_case(tmp_path / "a"),
        tmp_path / "nowhere",
        sealed.another_case(tmp_path / "b"),
    ]
    done = run("build", *cases, "--out", tmp_path / "many", "--jobs", "2")
    assert done.returncode == 2
    assert f"{tmp_path / 'nowhere'}: no dossier" in done.stderr
    assert "no such folder" in done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith(f"{cases[0]}: {tmp_path / 'many' / 'LFQ-0412-r0.pdf'}: ")
    assert lines[1].startswith(f"{cases[2]}: {tmp_path / 'many' / 'LFQ-0413-r0.pdf'}: ")
    assert lines[-1] == "3 cases: 1 approved, 1 not approved, 1 with problems, no dossier made"
    alone = run("build", cases[0], "--out", tmp_path / "one")
    assert alone.returncode == 0
    for path in (tmp_path / "one").glob("*.*"):
        if path.is_dir():
            continue
        assert path.read_bytes() == (tmp_path / "many" / path.name).read_bytes()


def test_the_exit_code_is_the_worst_of_all(tmp_path):
    case = sealed.another_case(tmp_path / "inputs")
    assert run("build", case, tmp_path / "x", tmp_path / "y", "--out", tmp_path).returncode == 2


def test_cases_that_would_overwrite_each_other_are_refused(tmp_path):
    copy = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "copy"))
    found = list(build_many([INPUTS / "polder-pumps", copy], Order(out=tmp_path / "out")))
    assert [each.code for each in found] == [2, 2]
    assert "also the number and revision of" in found[0].problems[0]
    assert str(copy) in found[0].problems[0]
    assert not (tmp_path / "out").exists()


def test_a_case_named_twice_is_refused(tmp_path):
    case = INPUTS / "polder-pumps"
    ends = []
    found = list(build_many([case, case], Order(out=tmp_path / "out"),
                            tell=lambda _, ended: ends.append(ended)))  # fmt: skip
    assert ends == [True, True]
    assert all("named twice" in each.problems[0] for each in found)


def killed(case):
    if case.name == "second":
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(case, 0, "approved", "approved", (case,))


def test_a_process_that_dies_is_one_outcome_of_many(tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "PRELOAD", [])
    monkeypatch.setattr(batch, "_work", work)
    cases = [tmp_path / name for name in ("first", "second", "third")]
    heard = []
    found = list(build_many(cases, Order(out=tmp_path), jobs=2,
                            tell=lambda case, ended: heard.append((case, ended))))  # fmt: skip
    assert sorted(heard) == sorted((case, ended) for case in cases for ended in (False, True))
    assert all(heard.index((case, False)) < heard.index((case, True)) for case in cases)
    assert [each.case for each in found] == cases
    assert [each.code for each in found] == [0, 70, 0]
    assert "ended without a result (exit code -9)" in found[1].problems[0]


def work(case, *rest):
    rest[-1].send(killed(case))
    rest[-1].close()


def test_where_no_process_can_be_forked_each_is_started_anew(tmp_path, monkeypatch):
    monkeypatch.setattr("multiprocessing.get_all_start_methods", lambda: ["spawn"])
    assert batch._context().get_start_method() == "spawn"
    monkeypatch.setattr(batch, "_work", work)
    (found,) = build_many([tmp_path / "first"], Order(out=tmp_path))
    assert found.code == 0


def test_no_process_is_no_batch(tmp_path):
    with pytest.raises(ValueError, match="one or more"):
        list(build_many([tmp_path], Order(out=tmp_path), jobs=0))


def test_the_summary_counts_every_outcome():
    made = [Outcome(Path("a"), 0, "approved"), Outcome(Path("b"), 2), Outcome(Path("c"), 2)]
    assert summary(made) == "3 cases: 1 approved, 2 with problems, no dossier made"


class OneByOne(contextlib.nullcontext):
    """Workers that finish what they started before they start the next."""

    def __init__(self, started):
        self.started, self.now = started, {}

    def __enter__(self):
        return self

    def width(self):
        return 1

    def free(self):
        return not self.now

    def start(self, place, case, order):
        self.started.append(place)
        self.now[place] = Outcome(case, 0)

    def finished(self):
        now, self.now = self.now, {}
        return now


def test_the_largest_of_the_last_cases_are_started_first(tmp_path, monkeypatch):
    started = []
    monkeypatch.setattr(batch, "_workers", lambda jobs, scheduler: OneByOne(started))
    sizes = [1, 9, 3, 2, 7, 5, 7]
    cases = [tmp_path / f"c{place}" for place in range(len(sizes))]
    for place, (case, size) in enumerate(zip(cases, sizes, strict=True)):
        case.mkdir()
        (case / "case.toml").write_text(f'number = "N{place}"\nrevision = 0\n#{size * "-"}\n')
    found = list(build_many(cases, Order(out=tmp_path)))
    assert [each.case for each in found] == cases  # told in the order given
    assert started == [0, 1, 2, 4, 6, 5, 3]
