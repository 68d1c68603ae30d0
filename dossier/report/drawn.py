"""Charts drawn by a second process, while the first one prepares the layout."""

import multiprocessing
import os
import pickle
import secrets
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field

__all__ = ["Later", "drawn_later", "now_or_later"]

Draw = Callable[[], str]


@dataclass(slots=True)
class Later:
    """Charts that are asked for now and drawn later; until then each is a place-holder."""

    wanted: list[Draw] = field(default_factory=list)
    name: str = field(default_factory=lambda: f"chart-{secrets.token_hex(8)}-")
    """What no text of a case can hold by design."""

    def place_holder(self, draw: Draw) -> str:
        """Note one chart and return what stands for it."""
        self.wanted.append(draw)
        return f"{self.name}{len(self.wanted) - 1}."

    def fill(self, text: str, pictures: Sequence[str]) -> str:
        """Return `text` with each place-holder replaced by its picture."""
        for number, picture in enumerate(pictures):
            text = text.replace(f"{self.name}{number}.", picture)
        return text

    @contextmanager
    def started(self) -> Iterator[Callable[[], list[str]]]:
        """Start a process that draws the charts; the value gives the pictures, in order.

        This one can go on meanwhile.  Where no second process can be had, or it fails, they are
        drawn here: the pictures are the same.
        """
        other = _fork(self.wanted) if self.wanted and _second_core() else None
        try:
            yield lambda: self._taken(other)
        finally:
            if other is not None:
                other.end()

    def _taken(self, other: "_Other | None") -> list[str]:
        there = other.pictures() if other is not None else None
        return [draw() for draw in self.wanted] if there is None else there


@dataclass(slots=True)
class _Other:
    """The process that draws."""

    number: int
    reader: int
    ended: bool = False

    def pictures(self) -> list[str] | None:
        """Wait for its pictures; None where it failed."""
        with os.fdopen(self.reader, "rb") as pipe:
            written = pipe.read()
        self.ended = True
        _, status = os.waitpid(self.number, 0)
        if os.waitstatus_to_exitcode(status) != 0:
            return None
        pictures: list[str] = pickle.loads(written)
        return pictures

    def end(self) -> None:
        """Stop it, if its pictures were not taken."""
        if not self.ended:
            os.close(self.reader)
            os.kill(self.number, signal.SIGTERM)
            os.waitpid(self.number, 0)


_later: ContextVar[Later | None] = ContextVar("_later", default=None)


@contextmanager
def drawn_later() -> Iterator[Later]:
    """Collect the charts asked for inside, instead of drawing each at once."""
    later = Later()
    token = _later.set(later)
    try:
        yield later
    finally:
        _later.reset(token)


def now_or_later(draw: Draw) -> str:
    """Return the picture, or its place-holder inside `drawn_later`."""
    later = _later.get()
    return draw() if later is None else later.place_holder(draw)


def _second_core() -> bool:
    """Return whether a second process pays: not where this is one of several at work."""
    if sys.platform != "linux" or multiprocessing.parent_process() is not None:
        return False
    return len(os.sched_getaffinity(0)) > 1


def _fork(wanted: Sequence[Draw]) -> _Other:
    """Start a copy of this process that draws `wanted`."""
    reader, writer = os.pipe()
    with warnings.catch_warnings():
        # The copy only draws; threads of the numerical libraries sleep and are not needed in it.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child:
        os.close(writer)
        return _Other(child, reader)
    code = 1
    try:
        os.close(reader)
        with os.fdopen(writer, "wb") as pipe:
            pickle.dump([draw() for draw in wanted], pipe)
        code = 0
    finally:
        os._exit(code)  # the first process draws then, and meets the same error
