"""Many dossiers at once, a process for each case, so that none can stop or change another.

What became of them is told as a bar, a table, a line, and a document that counts.
"""

import hashlib
import multiprocessing
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from dossier.case.attached import NotReadError, read_regular
from dossier.case.toml_text import MAX_TOML, TomlError, parse_toml
from dossier.make.outcome import DONE, OUR_BUG, WRONG_INPUT, Order, Outcome, build_one
from dossier.record.decision_record import as_json
from dossier.words.terminal_safe import shown

if TYPE_CHECKING:
    from dossier.batch.cluster import Cluster

PRELOAD = ["dossier.batch.preload"]
LAST = 4
"""Cases for each worker that count as the end of a batch."""


def build_many(
    cases: Sequence[Path], order: Order, *, jobs: int = 1, scheduler: str = "",
    tell: Callable[[Path, bool], None] = lambda case, ended: None,
) -> Iterator[Outcome]:  # fmt: skip
    """Yield what became of each case, in the order given, while others are built.

    `jobs` processes of this machine build them, or, where the address of a `scheduler` is given,
    the workers of its cluster.  On this machine each case has a process of its own, started from
    one that has made the slow imports: it gives its memory back when it ends, and its end,
    whatever the reason, is only its own.  Cases that would write the same file are refused.
    Towards the end the largest are started first, so that none is left when all others are done.
    `tell` hears of each case when it is begun, and when it has ended.
    Raises ValueError unless jobs is one or more, ClusterError where the cluster cannot be used.
    """
    if not jobs >= 1:
        raise ValueError(f"jobs must be one or more, not {jobs}")
    seen = [_glance(case) for case in cases]
    names = [name for name, _ in seen]
    done = dict(_clashes(cases, names))
    for place in done:
        tell(cases[place], True)
    waiting = [place for place in range(len(cases)) if place not in done]
    given = 0
    with _workers(jobs, scheduler) as workers:
        while given < len(cases):
            if given in done:
                yield replace(done.pop(given), name=names[given])
                given += 1
            elif waiting and workers.free():
                ending = len(waiting) <= LAST * workers.width()
                place = max(waiting, key=lambda each: seen[each][1]) if ending else waiting[0]
                waiting.remove(place)
                workers.start(place, cases[place], order)
                tell(cases[place], False)
            else:
                ended = workers.finished()
                done |= ended
                for each in ended:
                    tell(cases[each], True)


def _workers(jobs: int, scheduler: str) -> "_Processes | Cluster":
    if not scheduler:
        return _Processes(jobs)
    from dossier.batch.cluster import Cluster

    return Cluster(scheduler)


@dataclass(slots=True)
class _Running:
    place: int
    case: Path
    process: BaseProcess


@dataclass(slots=True)
class _Processes:
    """What builds cases while this process waits; leaving it stops what is still at work."""

    jobs: int
    running: dict[Any, _Running] = field(default_factory=dict)

    def __exit__(self, *_: object) -> None:
        for each in self.running.values():
            each.process.terminate()

    def __enter__(self) -> Self:
        return self

    def width(self) -> int:
        """Return how many cases can be at work at once."""
        return self.jobs

    def free(self) -> bool:
        """Return whether one more case can be started now."""
        return len(self.running) < self.jobs

    def start(self, place: int, case: Path, order: Order) -> None:
        """Start the case at `place`."""
        context = _context()
        listener, speaker = context.Pipe(duplex=False)
        process = context.Process(target=_work, args=(case, order, speaker))
        process.start()
        speaker.close()
        self.running[listener] = _Running(place, case, process)

    def finished(self) -> dict[int, Outcome]:
        """Wait for one or more cases to end; return their outcomes by place and forget them."""
        found: dict[int, Outcome] = {}
        ready: list[Any] = wait(list(self.running))
        for listener in ready:
            each = self.running.pop(listener)
            try:
                found[each.place] = listener.recv()
            except EOFError:
                each.process.join()
                words = f"its process ended without a result (exit code {each.process.exitcode})"
                found[each.place] = Outcome(each.case, OUR_BUG, problems=(words,), count=1)
            each.process.join()
            listener.close()
        return found


def _context() -> Any:
    """Return how processes are started here: those that cannot be forked load what they need."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOAD)
    return context


def _work(case: Path, order: Order, speaker: Connection) -> None:
    speaker.send(build_one(case, order))
    speaker.close()


def _clashes(cases: Sequence[Path], names: Sequence[str]) -> Iterator[tuple[int, Outcome]]:
    """Yield a refusal for each case whose dossier would bear the name of another's."""
    names = [name.casefold() for name in names]
    for place, (case, name) in enumerate(zip(cases, names, strict=True)):
        others = [str(c) for c, n in zip(cases, names, strict=True) if n == name and c != case]
        if name and names.count(name) > 1:
            also = ", ".join(others) or "itself, named twice"
            words = f"{name}: also the number and revision of {also}; each dossier needs its own"
            yield place, Outcome(case, WRONG_INPUT, problems=(words,), count=1)


def _glance(case: Path) -> tuple[str, int]:
    """Return number and revision as they will name the file, and the length of case.toml.

    Empty and 0 if they cannot be read.  The longer it is, the longer the case will take.
    """
    try:
        content = read_regular(case / "case.toml", MAX_TOML)
        document = parse_toml(content)
    except (OSError, NotReadError, TomlError):
        return "", 0
    number, revision = document.get("number"), document.get("revision")
    return f"{number}-r{revision}" if isinstance(number, str) else "", len(content)


def summary(outcomes: Sequence[Outcome]) -> str:
    """Return one line that counts what became of all cases."""
    words = Counter(each.reads or "with problems, no dossier made" for each in outcomes)
    counted = ", ".join(f"{count} {word}" for word, count in sorted(words.items()))
    return f"{len(outcomes)} case{'s' if len(outcomes) != 1 else ''}: {counted}"


def summary_json(outcomes: Sequence[Outcome]) -> bytes:
    """Return the summary for programs: the same bytes for the same outcomes.

    Keys: `schema`; `exit_code`, the worst of all; `done`, how many of each; `cases` in the order
    given, each with `case`, `dossier`, `decision`, `standing`, `digest` (what sign-offs bind),
    `done`, `exit_code`, `pdf` and `json` (path and SHA-256) and `problems`; what there is not is
    null.
    """
    document = {
        "schema": "dossier batch 1.0",
        "exit_code": max((each.code for each in outcomes), default=DONE),
        "done": dict(Counter(each.done for each in outcomes)),
        "cases": [_row(each) for each in outcomes],
    }
    return as_json(document).encode("utf-8", "surrogateescape")


def _row(outcome: Outcome) -> dict[str, Any]:
    pdf, beside = outcome.files if outcome.files else (None, None)
    return {
        "case": outcome.case.as_posix(),
        "dossier": outcome.name or None,
        "decision": outcome.decision or None,
        "standing": outcome.standing or None,
        "digest": outcome.digest or None,
        "done": outcome.done,
        "exit_code": outcome.code,
        "pdf": _file(pdf),
        "json": _file(beside),
        "problems": outcome.problems,
    }


def _file(path: Path | None) -> dict[str, str] | None:
    if path is None:
        return None
    return {"path": path.as_posix(), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}


WIDTH = 100


def print_summary(outcomes: Sequence[Outcome]) -> None:
    """Print a table of what became of each case, at most 100 columns wide."""
    from rich.console import Console

    from dossier.make.verdict_text import plain_table

    console = Console(highlight=False, markup=False, emoji=False, width=WIDTH, no_color=True)
    headings = ("case", "dossier", "decision", "standing", "done", "problems")
    rows = [
        (str(each.case), each.name, each.reads, each.standing, each.done, str(each.count or ""))
        for each in outcomes
    ]
    table = plain_table(headings, rows, right=("problems",))
    table.columns[-1].no_wrap = True
    with console.capture() as printed:
        console.print(table)
    for line in printed.get().splitlines():
        print(line.rstrip())  # noqa: T201  this is a terminal


@dataclass(frozen=True, slots=True)
class ProgressBar:
    """What is at work and how much is done, on a terminal."""

    progress: Any
    """None where there is no terminal."""
    task: Any = None
    working: list[str] = field(default_factory=list)

    def tell(self, case: Path, ended: bool) -> None:
        """Name a case while it is built; move on when it has ended."""
        name = case.name or str(case)
        if not ended:
            self.working.append(name)
        elif name in self.working:
            self.working.remove(name)
        if self.progress is not None:
            words = shown(", ".join(self.working))
            self.progress.update(self.task, description=words, advance=int(ended), refresh=True)

    def through(self, outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        """Yield outcomes, the bar taken away while the caller prints what came."""
        for each in outcomes:
            if self.progress is not None:
                self.progress.stop()
            yield each
            if self.progress is not None:
                self.progress.start()


@contextmanager
def following(total: int) -> Iterator[ProgressBar]:
    """Give a bar that names the cases at work, drawn only where standard error is a terminal."""
    if not sys.stderr.isatty():
        yield ProgressBar(None)
        return
    from rich import progress as bars
    from rich.console import Console

    columns: list[Any] = [bars.SpinnerColumn(), bars.BarColumn(20), bars.MofNCompleteColumn()]
    columns += [bars.TimeElapsedColumn(), bars.TextColumn("left"), bars.TimeRemainingColumn()]
    columns.append(bars.TextColumn("{task.description}", markup=False))
    alone: dict[str, Any] = {"transient": True, "redirect_stdout": False, "redirect_stderr": False}
    progress = bars.Progress(*columns, console=Console(stderr=True), **alone)
    progress.start()
    try:
        yield ProgressBar(progress, progress.add_task("", total=total))
    finally:
        progress.stop()
