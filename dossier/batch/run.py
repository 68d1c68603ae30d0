"""Many dossiers at once: a process for each case, so that none can stop or change another."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from dossier.case.bounded import NotReadError, read_regular
from dossier.case.toml_text import MAX_TOML, TomlError, parse_toml
from dossier.make.outcome import OUR_BUG, WRONG_INPUT, Order, Outcome, build_one

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
