"""Run mutants through reading and assessment, in this process, and judge what came of each."""

import os
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from dossier import assess, read_case
from dossier.case.problems import CaseError
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import sign_off
from dossier.make.outcome import OUR_BUG, explained
from tests.archive.sealed import sign_all
from tests.hostile.mutants import BROKEN, CASES, SIGNED, Files, Mutant, intact_files, mutant

SLOWEST = 10.0
"""Seconds that a mutant may take."""
FEW_DRAWS = 4000
RANK = {"approved": 2, "approved with conditions": 1}
SHARES = {"polder-pumps": 0.45, "ropeway-drive": 0.35, "chain-ferry": 0.2}


class TooSlow(BaseException):
    """Not an Exception: nothing in the program may catch it."""


@dataclass(frozen=True)
class Told:
    """What became of one mutant."""

    operator: str
    kind: str
    outcome: str
    """refused, fewer passes, unchanged, other verdicts, new pass."""
    fault: str = ""
    """Which property does not hold; empty where all do."""
    seconds: float = 0.0
    told: str = ""


@dataclass(frozen=True)
class Verdicts:
    passes: frozenset[str]
    all: tuple[tuple[str, str], ...]
    decision: str
    signed: bool


def verdicts(folder: Path) -> Verdicts:
    case = read_case(folder)
    assessment = assess(case)
    found = tuple((f.demand.id, f.verdict.value) for f in assessment.findings)
    passing = frozenset(name for name, verdict in found if verdict == "pass")
    return Verdicts(passing, found, assessment.decision.value, sign_off(case, assessment).complete)


@contextmanager
def few_draws() -> Iterator[None]:
    """Draw less often: the intact case is judged with the same draws, and a run takes minutes."""
    with with_trials(FEW_DRAWS):
        yield


class Bench:
    """A copy of one case that takes each mutant in turn and is restored after it."""

    def __init__(self, name: str, place: Path) -> None:
        self.name, self.folder, self.files = name, place / name, intact_files(name)
        for file, content in self.files.items():
            self._write(file, content)
        # Signed with the few draws of this run: else no sign-off holds and none could be broken.
        sign_all(self.folder, day=date(2026, 6, 1))
        self.files["signoff.toml"] = (self.folder / "signoff.toml").read_bytes()
        self.intact = verdicts(self.folder)
        assert self.intact.signed

    def _write(self, file: str, content: bytes | None) -> None:
        path = self.folder / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink() if content is None else path.write_bytes(content)

    def run(self, seed: int) -> Told:
        made = mutant(self.name, self.files, seed)
        for file, content in made.files.items():
            self._write(file, content)
        start = time.perf_counter()
        try:
            with stopped_after(SLOWEST):
                outcome, fault = judged(made, self.folder, self.intact, self.files)
        except TooSlow:
            outcome, fault = "hang", f"not done after {SLOWEST} s"
        seconds = time.perf_counter() - start
        for file in made.files:
            self._write(file, self.files.get(file)) if file in self.files else None
        told = f"{self.name} #{seed} {made.operator}: {made.told}"
        return Told(made.operator, made.kind, outcome, fault, seconds, told)


@contextmanager
def stopped_after(seconds: float) -> Iterator[None]:
    def late(*_: object) -> None:
        raise TooSlow

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def judged(made: Mutant, folder: Path, then: Verdicts, files: Files) -> tuple[str, str]:
    """Return the outcome of a mutant and the property that it breaks, if any."""
    try:
        now = verdicts(folder)
    except CaseError as error:
        return "refused", untold(error)
    except Exception as error:  # noqa: BLE001  the property under test
        code, lines = explained(error, debug=True)
        return "traceback" if code == OUR_BUG else "refused", " ".join(lines[-6:])[-600:]
    return compared(made, then, now, files)


def compared(made: Mutant, then: Verdicts, now: Verdicts, files: Files) -> tuple[str, str]:
    gained = sorted(now.passes - then.passes)
    better = RANK.get(now.decision, 0) > RANK.get(then.decision, 0)
    outcome = (
        "new pass" if gained
        else "fewer passes" if then.passes - now.passes
        else "unchanged" if now.all == then.all else "other verdicts"
    )  # fmt: skip
    if made.kind == BROKEN and (gained or better):
        return outcome, f"passes {gained}, decision {then.decision} -> {now.decision}"
    if made.kind == SIGNED:
        return _of_sign_offs(made, then, now, outcome, files)
    if now.signed:
        return outcome, "sign-offs hold over changed inputs"
    return outcome, ""


def _of_sign_offs(
    made: Mutant, then: Verdicts, now: Verdicts, outcome: str, files: Files
) -> tuple[str, str]:
    if (now.all, now.decision) != (then.all, then.decision):
        return outcome, "sign-offs move verdicts"
    if not now.signed:
        return "draft", ""
    content = made.files["signoff.toml"] or b""
    if _bound(content) != _bound(files["signoff.toml"]):
        return "signed", "holds with another role, day or digest"
    return "signed, same roles and digests", ""


def _bound(content: bytes) -> list[tuple[str, str]]:
    import tomllib

    entries = tomllib.loads(content.decode())["signed"]
    return sorted((e["role"], e["digest"]) for e in entries)


def untold(error: CaseError) -> str:
    """Return what a refusal lacks: its file, what is wrong, or what to do about it."""
    if not error.problems:
        return "refused without a word"
    for each in error.problems:
        if not (each.file and each.what and each.hint):
            return f"a problem without file, words or hint: {each!r}"
        if len(str(each)) > 2000:
            return f"a problem of {len(str(each))} characters: {str(each)[:200]}"
    return ""


def run(numbers: range, case: str) -> list[Told]:
    """Return what became of the mutants of these numbers of one case."""
    place = Path(tempfile.mkdtemp(prefix="mutants-"))
    try:
        with few_draws():
            bench = Bench(case, place)
            return [bench.run(seed) for seed in numbers]
    finally:
        shutil.rmtree(place)


def run_all(count: int, first: int = 0, jobs: int | None = None) -> list[Told]:
    """Return what became of `count` mutants, shared among the demo cases and `jobs` processes."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    work = []
    for case in CASES:
        last = first + round(count * SHARES[case])
        work += [(range(k, min(k + 50, last)), case) for k in range(first, last, 50)]
    jobs = jobs or os.cpu_count() or 1
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return [told for part in pool.map(run, *zip(*work, strict=True)) for told in part]
