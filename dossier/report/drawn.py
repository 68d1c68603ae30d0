"""Charts drawn by a second process, while the first one prepares the layout."""

import base64
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import BinaryIO

__all__ = [
    "CHART",
    "Draw",
    "Later",
    "data_uri",
    "drawn_later",
    "now_or_later",
    "receive",
    "second_core",
    "send",
    "widen",
]

Draw = Callable[[], bytes]
CHART = "asset:chart-"
"""Beginning of the address of a chart that is drawn later; its number follows."""
LENGTH = 8
"""Bytes before each picture in the pipe that say how long it is."""
ROOM = 1 << 20
"""Bytes of pictures that can wait in the pipe, so that drawing need not wait for the layout."""


@dataclass(slots=True)
class Later:
    """Charts that are asked for now and drawn later; until then each is an address."""

    wanted: list[Draw] = field(default_factory=list)
    ready: list[bytes] = field(default_factory=list)
    other: "_Other | None" = None

    def address(self, draw: Draw) -> str:
        """Note one chart and return the address under which `picture` has it."""
        self.wanted.append(draw)
        return f"{CHART}{len(self.wanted) - 1}"

    def picture(self, address: str) -> bytes:
        """Return the chart of an address as SVG; ValueError where there is none."""
        number = address.removeprefix(CHART)
        if not number.isdecimal() or int(number) >= len(self.wanted):
            raise ValueError(f"{address[:80]!r} is not a chart of this dossier")
        while len(self.ready) <= int(number):
            there = self.other.next() if self.other is not None else None
            self.ready.append(self.wanted[len(self.ready)]() if there is None else there)
        return self.ready[int(number)]

    @contextmanager
    def started(self) -> Iterator[None]:
        """Start a process that draws the charts, in order, while this one goes on.

        Where no second process can be had, or it fails, they are drawn here when they are
        wanted: the pictures are the same.
        """
        self.other = _fork(self.wanted) if self.wanted and second_core() else None
        try:
            yield
        finally:
            if self.other is not None:
                self.other.end()


@dataclass(slots=True)
class _Other:
    """The process that draws."""

    number: int
    pipe: BinaryIO

    def next(self) -> bytes | None:
        """Wait for its next picture; None where it failed."""
        return receive(self.pipe)

    def end(self) -> None:
        """Stop it, whether or not all its pictures were taken."""
        self.pipe.close()
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
    """Return the picture as a data URI, or its address inside `drawn_later`."""
    later = _later.get()
    return data_uri(draw()) if later is None else later.address(draw)


def data_uri(picture: bytes) -> str:
    """Return an SVG picture as an address that holds it."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture).decode("ascii")


def second_core() -> bool:
    """Return whether a second process pays: not where this is one of several at work."""
    if sys.platform != "linux" or multiprocessing.parent_process() is not None:
        return False
    if threading.current_thread() is not threading.main_thread():
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
        return _Other(child, os.fdopen(reader, "rb"))
    try:
        os.close(reader)
        with os.fdopen(writer, "wb") as pipe:
            widen(pipe)
            for draw in wanted:
                send(pipe, draw())
    finally:
        os._exit(0)  # the first process draws what did not come, and meets the same error


def send(pipe: BinaryIO, content: bytes) -> None:
    """Write `content` to a pipe, so that `receive` gets it whole."""
    pipe.write(len(content).to_bytes(LENGTH) + content)
    pipe.flush()


def receive(pipe: BinaryIO) -> bytes | None:
    """Wait for what was sent; None where the sender ended before it was whole."""
    head = pipe.read(LENGTH)
    if len(head) < LENGTH:
        return None
    content = pipe.read(int.from_bytes(head))
    return content if len(content) == int.from_bytes(head) else None


def widen(pipe: BinaryIO) -> None:
    """Make room in a pipe, as far as the system allows."""
    if sys.platform == "linux":
        import contextlib
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(pipe.fileno(), fcntl.F_SETPIPE_SZ, ROOM)
