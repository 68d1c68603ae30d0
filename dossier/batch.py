"""Many dossiers at once: a process for each case, so that none can stop or change another."""

import multiprocessing
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path

from dossier.case.bounded import NotReadError, read_regular
from dossier.case.toml_text import MAX_TOML, TomlError, parse_toml
from dossier.outcome import OUR_BUG, WRONG_INPUT, decided, explained

__all__ = ["Outcome", "build_many", "summary"]

PRELOAD = ["dossier.preload"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one case."""

    case: Path
    code: int
    """Exit code that the case alone would give."""
    decision: str = ""
    """The decision, empty where none was reached."""
    line: str = ""
    """The decision and how far it is signed."""
    files: tuple[Path, ...] = ()
    problems: tuple[str, ...] = ()
    """What to print where no dossier was made."""


@dataclass(slots=True)
class _Running:
    place: int
    process: ForkServerProcess


def build_many(
    cases: Sequence[Path],
    out: Path,
    issued: date | None = None,
    *,
    jobs: int = 1,
    debug: bool = False,
    house: Path | None = None,
) -> Iterator[Outcome]:
    """Yield what became of each case, in the order given, while `jobs` processes build them.

    Each case has a process of its own, started from one that has made the slow imports: it gives
    its memory back when it ends, and its end, whatever the reason, is only its own.  Cases that
    would write the same file are refused.  Raises ValueError unless jobs is one or more.
    """
    if not jobs >= 1:
        raise ValueError(f"jobs must be one or more, not {jobs}")
    done = dict(_clashes(cases))
    waiting = [place for place in range(len(cases)) if place not in done]
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOAD)
    running: dict[Connection, _Running] = {}
    given = 0
    try:
        while given < len(cases):
            while waiting and len(running) < jobs:
                place = waiting.pop(0)
                listener, process = _start(context, cases[place], out, issued, debug, house)
                running[listener] = _Running(place, process)
            if given not in done:
                done |= _finished(running, cases)
            while given in done:
                yield done.pop(given)
                given += 1
    finally:
        for each in running.values():
            each.process.terminate()


def _start(
    context: ForkServerContext,
    case: Path,
    out: Path,
    issued: date | None,
    debug: bool,
    house: Path | None,
) -> tuple[Connection, ForkServerProcess]:
    listener, speaker = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(case, out, issued, debug, house, speaker))
    process.start()
    speaker.close()
    return listener, process


def _finished(running: dict[Connection, _Running], cases: Sequence[Path]) -> dict[int, Outcome]:
    """Wait for one or more processes to end; return their outcomes by place and forget them."""
    found: dict[int, Outcome] = {}
    for listener in wait(list(running)):
        assert isinstance(listener, Connection)
        each = running.pop(listener)
        try:
            found[each.place] = listener.recv()
        except EOFError:
            each.process.join()
            words = f"its process ended without a result (exit code {each.process.exitcode})"
            found[each.place] = Outcome(cases[each.place], OUR_BUG, problems=(words,))
        each.process.join()
        listener.close()
    return found


def _work(
    case: Path,
    out: Path,
    issued: date | None,
    debug: bool,
    house: Path | None,
    speaker: Connection,
) -> None:
    speaker.send(_outcome(case, out, issued, debug, house))
    speaker.close()


def _outcome(
    case: Path, out: Path, issued: date | None, debug: bool, house: Path | None
) -> Outcome:
    from dossier.api import build
    from dossier.terminal import decision_line

    try:
        built = build(case, out, issued, house=house)
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        code, lines = explained(error, debug=debug)
        return Outcome(case, code, problems=tuple(lines))
    decision = built.assessment.decision.value
    line = decision_line(built.assessment, built.signoff)
    return Outcome(case, decided(decision), decision, line, (built.pdf, built.json))


def _clashes(cases: Sequence[Path]) -> Iterator[tuple[int, Outcome]]:
    """Yield a refusal for each case whose dossier would bear the name of another's."""
    names = [_name(case) for case in cases]
    for place, (case, name) in enumerate(zip(cases, names, strict=True)):
        others = [str(c) for c, n in zip(cases, names, strict=True) if n == name and c != case]
        if name and names.count(name) > 1:
            also = ", ".join(others) or "itself, named twice"
            words = f"{name}: also the number and revision of {also}; each dossier needs its own"
            yield place, Outcome(case, WRONG_INPUT, problems=(words,))


def _name(case: Path) -> str:
    """Return number and revision as they will name the file; empty if they cannot be read."""
    try:
        document = parse_toml(read_regular(case / "case.toml", MAX_TOML))
    except (OSError, NotReadError, TomlError):
        return ""
    number, revision = document.get("number"), document.get("revision")
    return f"{number}-r{revision}" if isinstance(number, str) else ""


def summary(outcomes: Sequence[Outcome]) -> str:
    """Return one line that counts what became of all cases."""
    words = Counter(each.decision or "with problems, no dossier made" for each in outcomes)
    counted = ", ".join(f"{count} {word}" for word, count in sorted(words.items()))
    return f"{len(outcomes)} cases: {counted}"
