"""One dossier by two processes: another decides the case and draws, this one lays out the pages.

The layout is loaded while the case is decided, and what deciding needs in memory is given back
before the layout needs most.
"""

import os
import pickle
import signal
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

from dossier.case.problems import CaseError
from dossier.record.files import refuse_sealed, save_files, stem_of
from dossier.record.signoff import reads
from dossier.report.charts.deferred import CHART, Draw
from dossier.system.second_process import receive, second_core, send, widen

PIPES = 2
"""Pictures come from so many processes at once, by turns."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written, and the decision in words."""

    pdf: Path
    json: Path
    decision: str
    """As it reads on the day of the build."""
    line: str
    """The decision and how far it is signed, and the digest that sign-offs bind."""


@dataclass(frozen=True, slots=True)
class _Decided:
    """What the deciding process hands over before the pictures."""

    sheet: Any
    document: bytes
    stem: str
    decision: str
    line: str


def build_apart(
    folder: Path,
    out: Path,
    issued: date | None = None,
    *,
    replace: bool = False,
    on: date | None = None,
) -> Written | None:
    """Write the dossier of a case as `api.build` does, to the byte.

    None where it cannot be done apart: no second processor, a house's templates, or the other
    process failed; `api.build` then does it, or meets the same error.  Raises MissingLibraryError,
    and CaseError for problems of the inputs and, unless `replace`, where the PDF there is sealed.
    """
    if not second_core():
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of forking beside sleeping threads
        other = _start(folder, issued, on)
    try:
        return _laid_out(other, out, replace=replace)
    finally:
        other.end()


@dataclass(slots=True)
class _Other:
    """The process that decides, and what comes from it."""

    number: int
    pipes: Sequence[BinaryIO]
    ready: dict[str, bytes] = field(default_factory=dict)
    lost: bool = False

    def picture(self, address: str) -> bytes:
        """Return the chart of an address; each pipe brings every so-manieth, in order."""
        while address not in self.ready:
            number = len(self.ready)
            content = receive(self.pipes[number % PIPES])
            if content is None:
                self.lost = True
                raise ValueError("the process that draws has ended")
            self.ready[f"{CHART}{number}"] = content
        return self.ready[address]

    def end(self) -> None:
        """Stop it, if it is still at work."""
        for pipe in self.pipes:
            pipe.close()
        os.kill(self.number, signal.SIGTERM)
        os.waitpid(self.number, 0)


def _start(folder: Path, issued: date | None, on: date | None) -> _Other:
    ends = [os.pipe() for _ in range(PIPES)]
    child = os.fork()
    if not child:
        _decide(folder, issued, on, [os.fdopen(writer, "wb") for _, writer in ends])
    for _, writer in ends:
        os.close(writer)
    return _Other(child, [os.fdopen(reader, "rb") for reader, _ in ends])


def _laid_out(other: _Other, out: Path, *, replace: bool) -> Written | None:
    from dossier.report.layout.pdf import lay_out, load_weasyprint, without_collector

    load_weasyprint()
    handed = receive(other.pipes[0])
    found = pickle.loads(handed) if handed is not None else None
    if isinstance(found, list):
        raise CaseError(found)
    if not isinstance(found, _Decided):
        return None
    if not replace:
        refuse_sealed(out / f"{found.stem}.pdf")
    with without_collector():
        rendered = lay_out(found.sheet, other.picture)
    if other.lost:
        return None
    saved = save_files(found.stem, rendered.without_fault(), found.document, out, replace=replace)
    return Written(saved.pdf, saved.json, found.decision, found.line)


def _decide(
    folder: Path, issued: date | None, on: date | None, pipes: Sequence[BinaryIO]
) -> NoReturn:
    """Decide the case and send it on, then its pictures; this is the other process."""
    try:
        for pipe in pipes:
            widen(pipe)
        try:
            _hand_over(folder, issued, on, pipes)
        except CaseError as error:
            send(pipes[0], pickle.dumps(list(error.problems)))
    finally:
        os._exit(0)  # whatever went wrong: the first process sees what is missing


def _hand_over(
    folder: Path, issued: date | None, on: date | None, pipes: Sequence[BinaryIO]
) -> None:
    from dossier.make import api
    from dossier.make.verdict_text import bound_line, decision_line

    case = api.case_in(folder, on)
    if case.qualification.house is not None:
        return
    assessment = api.assess(case, issued)
    day = api.issue_date(case, issued)
    signoff = api.sign_off(case, assessment, issued, on)
    with api.composed(case, assessment, day, on=on) as (ready, document):
        found = _Decided(
            ready.sheet(), document, stem_of(case.qualification),
            reads(assessment.decision.value, signoff),
            f"{bound_line(signoff)}\n{decision_line(assessment, signoff)}",
        )  # fmt: skip
        send(pipes[0], pickle.dumps(found))
        _draw(ready.charts.wanted, pipes)


def _draw(wanted: Sequence[Draw], pipes: Sequence[BinaryIO]) -> None:
    """Draw the charts in as many processes as there are pipes; this one takes the first share."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401  loaded once, before the processes part

    helpers = []
    for share in range(1, PIPES):
        helper = os.fork()
        if not helper:
            _send_all(wanted[share::PIPES], pipes[share])
            os._exit(0)
        helpers.append(helper)
    _send_all(wanted[::PIPES], pipes[0])
    for helper in helpers:
        os.waitpid(helper, 0)


def _send_all(wanted: Sequence[Draw], pipe: BinaryIO) -> None:
    for draw in wanted:
        send(pipe, draw())
