"""One dossier by two processes: another decides the case and draws, this one lays out the pages.

The layout is loaded while the case is decided, and what deciding needs in memory is given back
before the layout needs most.
"""

import os
import pickle
import signal
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from dossier.case.problems import CaseError
from dossier.make.outcome import Order, Outcome, succeeded, written
from dossier.record.files import refuse_sealed, save_files, stem_of
from dossier.report.charts.deferred import CHART, Draw
from dossier.system.second_process import forked, receive, second_core, send, widen

PIPES = 2
"""Pictures come from so many processes at once, by turns."""


@dataclass(frozen=True, slots=True)
class _Decided:
    """What the deciding process hands over before the pictures."""

    sheet: Any
    document: bytes
    stem: str
    outcome: Outcome


def build_apart(folder: Path, order: Order) -> Outcome | None:
    """Write the dossier of a case as `api.build` does, to the byte.

    None where it cannot be done apart: no second processor, a house's templates, or the other
    process failed; `build_one` then does it, or meets the same error.  Raises MissingLibraryError,
    and CaseError for problems of the inputs and, unless replaced, where the PDF there is sealed.
    """
    if order.house or not second_core():
        return None
    other = _start(folder, order)
    try:
        return _laid_out(other, order)
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


def _start(folder: Path, order: Order) -> _Other:
    ends = [os.pipe() for _ in range(PIPES)]
    child = forked(lambda: _decide(folder, order, [os.fdopen(end, "wb") for _, end in ends]))
    for _, writer in ends:
        os.close(writer)
    return _Other(child, [os.fdopen(reader, "rb") for reader, _ in ends])


def _laid_out(other: _Other, order: Order) -> Outcome | None:
    from dossier.report.layout.pdf import lay_out, load_weasyprint, without_collector

    load_weasyprint()
    handed = receive(other.pipes[0])
    found = pickle.loads(handed) if handed is not None else None
    if isinstance(found, list):
        raise CaseError(found)
    if not isinstance(found, _Decided):
        return None
    if not order.replace:
        refuse_sealed(order.out / f"{found.stem}.pdf")
    with without_collector():
        rendered = lay_out(found.sheet, other.picture)
    if other.lost:
        return None
    pdf = rendered.without_fault()
    saved = save_files(found.stem, pdf, found.document, order.out, replace=order.replace)
    return written(found.outcome, saved)


def _decide(folder: Path, order: Order, pipes: Sequence[BinaryIO]) -> None:
    """Decide the case and send it on, then its pictures; this is the other process.

    Whatever goes wrong, the first process sees what is missing.
    """
    for pipe in pipes:
        widen(pipe)
    try:
        _hand_over(folder, order, pipes)
    except CaseError as error:
        send(pipes[0], pickle.dumps(list(error.problems)))


def _hand_over(folder: Path, order: Order, pipes: Sequence[BinaryIO]) -> None:
    from dossier.make import api

    case = api.case_in(folder, order.on)
    if case.qualification.house is not None:
        return
    assessment = api.assess(case, order.issued)
    day = api.issue_date(case, order.issued)
    signoff = api.sign_off(case, assessment, order.issued, order.on)
    with api.composed(case, assessment, day, on=order.on) as (ready, document):
        outcome = succeeded(folder, assessment, signoff)
        found = _Decided(ready.sheet(), document, stem_of(case.qualification), outcome)
        send(pipes[0], pickle.dumps(found))
        _draw(ready.charts.wanted, pipes)


def _draw(wanted: Sequence[Draw], pipes: Sequence[BinaryIO]) -> None:
    """Draw the charts in as many processes as there are pipes; this one takes the first share."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401  loaded once, before the processes part

    helpers = [
        forked(lambda share=share: _send_all(wanted[share::PIPES], pipes[share]))  # type: ignore[misc]
        for share in range(1, PIPES)
    ]
    _send_all(wanted[::PIPES], pipes[0])
    for helper in helpers:
        os.waitpid(helper, 0)


def _send_all(wanted: Sequence[Draw], pipe: BinaryIO) -> None:
    for draw in wanted:
        send(pipe, draw())
