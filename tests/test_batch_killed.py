"""SIGKILL at any moment leaves the old file or the new one, and nothing that reads as a dossier."""

import os
import random
import signal
import time
from datetime import date
from pathlib import Path

import pytest

from dossier import build
from dossier.make.outcome import Order, build_one
from dossier.record import dossier_file as files
from dossier.record.dossier_file import BUILT, UP_TO_DATE, save_files
from dossier.register import register
from tests.archive import sealed

# The copies only write files; threads of the numerical libraries are not needed in them.
pytestmark = pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")

STEM = "LFQ-0001-r0"
OLD = b"%PDF-old" + b"o" * 1_500_000, b'{"old": 1}' * 9_000
NEW = b"%PDF-new" + b"n" * 900_000, b'{"new": 1}' * 15_000


@pytest.fixture
def out(tmp_path):
    save_files(STEM, *OLD, tmp_path / "out")
    return tmp_path / "out"


def forked(work):
    """Start a copy of this process that does `work` and no more; return its number."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    return child


def judge(out):
    """Every file is whole, old or new."""
    pair = (out / f"{STEM}.pdf").read_bytes(), (out / f"{STEM}.json").read_bytes()
    assert pair[0] in (OLD[0], NEW[0])
    assert pair[1] in (OLD[1], NEW[1])
    assert list(register._pdfs(out)) == [f"{STEM}.pdf"]
    return pair[0] == NEW[0], pair[1] == NEW[1]


def test_killed_at_random_moments_each_file_is_the_old_or_the_new(out):
    chance = random.Random(6)

    def rewrite():
        while True:
            save_files(STEM, *NEW, out)
            save_files(STEM, *OLD, out)

    seen = set()
    for _ in range(30):
        child = forked(rewrite)
        time.sleep(chance.uniform(0.001, 0.05))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        seen.add(judge(out))
    assert len(seen) > 1


STEPS = ("mkstemp", "fsync", "chmod", "replace")


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("which", range(2), ids=("PDF", "JSON"))
def test_killed_at_each_step_each_file_is_the_old_or_the_new(out, step, which):
    owner = {"mkstemp": files.tempfile, "fsync": os}.get(step, Path)  # type: ignore[attr-defined]
    original, calls = getattr(owner, step), []

    def deadly(*arguments, **named):
        calls.append(step)
        if len(calls) == which + 1:
            os.kill(os.getpid(), signal.SIGKILL)
        return original(*arguments, **named)

    def work():
        setattr(owner, step, deadly)
        save_files(STEM, *NEW, out)

    _, status = os.waitpid(forked(work), 0)
    assert os.WIFSIGNALED(status)
    assert judge(out) == (which > 0, False)
    assert save_files(STEM, *NEW, out, only_stale=True).done == BUILT
    assert judge(out) == (True, True)
    assert save_files(STEM, *NEW, out, only_stale=True).done == UP_TO_DATE


def test_what_a_killed_run_left_is_cleared_once_it_is_nobodys(out):
    left = [out / f".{STEM}.pdf.abcd_123", out / f".{STEM}.json.abcd_123"]
    others = [out / ".profile.abcd_123", out / f".{STEM}.pdf", out / "notes.txt"]
    for path in (*left, *others):
        path.write_bytes(NEW[0])
    save_files(STEM, *NEW, out)
    assert all(path.exists() for path in left)
    for path in (*left, *others):
        os.utime(path, (0, time.time() - files.LEFT_OVER - 60))
    save_files(STEM, *NEW, out)
    assert not any(path.exists() for path in left)
    assert all(path.exists() for path in others)


def test_only_what_is_older_than_an_hour_is_nobodys(out):
    """The age of a link is its own, whatever it leads to."""
    old, young, link = (out / f".{STEM}.pdf.abcd_12{k}" for k in range(3))
    for path, age in ((old, files.LEFT_OVER + 60), (young, files.LEFT_OVER - 60)):
        path.write_bytes(NEW[0])
        os.utime(path, (0, time.time() - age))
    target = out / "notes.txt"
    target.write_bytes(NEW[0])
    os.utime(target, (0, 0))
    link.symlink_to(target)
    save_files(STEM, *NEW, out)
    assert [path.exists() for path in (old, young, link, target)] == [False, True, True, True]


@pytest.mark.slow
def test_a_build_killed_while_it_replaces_a_dossier(tmp_path):
    case, out = sealed.short_case(tmp_path / "inputs"), tmp_path / "out"
    chance = random.Random(7)
    new = [path.read_bytes() for path in _pair(build(case, tmp_path / "new"))]
    old_pair = build(case, tmp_path / "old", date(2026, 12, 1))
    old = [path.read_bytes() for path in _pair(old_pair)]
    for _ in range(4):
        save_files("LFQ-0412-r0", *old, out)
        child = forked(lambda: build_one(case, Order(out=out)))
        while not ended(child) and not list(out.glob(".LFQ*.pdf.*")):
            time.sleep(0.0005)
        time.sleep(chance.uniform(0, 0.02))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found = [(out / f"LFQ-0412-r0.{kind}").read_bytes() for kind in ("pdf", "json")]
        assert found[0] in (old[0], new[0])
        assert found[1] in (old[1], new[1])


def ended(child):
    """Whether a process has ended; it can still be waited for."""
    return os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def _pair(built):
    return built.pdf, built.json
