"""A second process for work that the first need not wait for; the first goes on meanwhile."""

import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

LENGTH = 8
"""Bytes before each message in a pipe that say how long it is."""
redone = True
"""Whether work that another process has lost is done again here: not where it may have met a
limit, which it would meet again."""
ROOM = 1 << 20
"""Bytes of messages that can wait in a pipe, so that the sender need not wait."""


@dataclass(slots=True)
class Aside:
    """The other process."""

    number: int
    pipe: BinaryIO

    def next(self) -> bytes | None:
        """Wait for its next message; None where it ended without one, or MemoryError."""
        message = receive(self.pipe)
        if message is None and not redone:
            raise MemoryError("another process was stopped at a limit")
        return message

    def end(self) -> None:
        """Stop it, whether or not all its messages were taken."""
        self.pipe.close()
        os.kill(self.number, signal.SIGTERM)
        os.waitpid(self.number, 0)


def second_core() -> bool:
    """Return whether a second process pays: not where this is one of several at work."""
    if sys.platform != "linux" or multiprocessing.parent_process() is not None:
        return False
    if threading.current_thread() is not threading.main_thread():
        return False
    return len(os.sched_getaffinity(0)) > 1


def aside(work: Callable[[BinaryIO], None]) -> Aside | None:
    """Start a copy of this process that does `work` and sends messages; None where it cannot pay.

    Whatever goes wrong there ends its messages: this process then does the work itself, and meets
    the same error.
    """
    if not second_core():
        return None
    reader, writer = os.pipe()

    def answer() -> None:
        os.close(reader)
        with os.fdopen(writer, "wb") as pipe:
            widen(pipe)
            work(pipe)

    child = forked(answer)
    os.close(writer)
    return Aside(child, os.fdopen(reader, "rb"))


def forked(work: Callable[[], None]) -> int:
    """Start a copy of this process that does `work` and ends; return its number."""
    with warnings.catch_warnings():
        # Threads of the numerical libraries sleep and are not needed in the copy.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child:
        return child
    try:
        work()
    finally:
        os._exit(0)


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
