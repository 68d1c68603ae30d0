"""A stranger's file is read by a copy of this process that has little room and can do little.

Limits of processor time, memory, files and their size hold there, no program is started and no
connection opened, whatever the file makes a library try.  Where processes cannot be copied (not
on POSIX), the work is done in place, without these limits.
"""

import os
import pickle
import select
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, NoReturn, TypeVar, cast

MIB = 2**20
REFUSED = frozenset((
    "subprocess.Popen", "os.exec", "os.posix_spawn", "os.spawn", "os.system", "pty.spawn",
    "os.startfile", "socket.connect", "socket.bind", "socket.getaddrinfo", "socket.sendto",
))  # fmt: skip
"""What Python tells of before it does it, and what is never needed to read a file."""

_limited: list["Allowed"] = []
"""The limits of this process, once it has any."""

S = TypeVar("S")
T = TypeVar("T")


class StoppedError(Exception):
    """The work was stopped at a limit; the message says at which."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """How much a file may cost."""

    seconds: int
    """Processor time of each process."""
    memory: int
    """Memory of its own that each process may have [MiB], shared code left out."""
    wait: float
    """Time on the clock after which nobody waits any more [s]."""


STRANGER = Allowed(seconds=16, memory=400 + 80 * (os.cpu_count() or 1), wait=150.0)
"""For a file from anyone.  The numerical libraries reserve some 80 MiB for each processor."""
COPIES = 10
"""So often the bytes of a file may lie in memory: read, cut, unpacked and handed on."""
FAMILIAR = Allowed(seconds=600, memory=8192, wait=1800.0)
"""For a file that a trusted person has sealed."""
ROOM = 320
"""What the work may take at least, whatever the process that was copied holds already [MiB]."""
FILES, LARGEST_FILE = 256, 512 * MIB
TOO_MUCH = "it takes more memory than a file may, or ends the process that reads it"
LATE = 2
"""Between the signal that ends a process for its time and the one that nothing survives [s]."""


def stranger(size: int) -> Allowed:
    """Return the limits for a file of `size` bytes from anyone."""
    return replace(STRANGER, memory=STRANGER.memory + COPIES * min(size, LARGEST_FILE) // MIB)


def mapped(function: Callable[[S], T], work: Sequence[S], jobs: int) -> Iterator[T]:
    """Yield what a function gives for each piece of work, in order, by `jobs` processes at once."""
    if jobs < 2 or len(work) < 2:
        yield from map(function, work)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(function, work)


def confined(work: Callable[[], T], limits: Allowed = STRANGER) -> T:
    """Return what `work` returns, or raise what it raises, done by a copy of this process.

    Raises StoppedError where it meets one of the `limits`.  In a copy that has limits already it is
    done in place.
    """
    if _limited or not hasattr(os, "fork"):
        return work()
    with tempfile.TemporaryDirectory(prefix="dossier-") as room:
        answer, status = _copied(work, limits, room)
    if answer is None:
        raise StoppedError(_why(status, limits))
    good, value = pickle.loads(answer)  # written by this program
    if good:
        return cast(T, value)
    raise value


LENGTH = 8
"""Bytes before the answer in the pipe that say how long it is."""


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


def _send(pipe: BinaryIO, content: bytes) -> None:
    """Write `content` to a pipe, so that it is seen whether it is whole."""
    pipe.write(len(content).to_bytes(LENGTH) + content)
    pipe.flush()


def _copied(work: Callable[[], Any], limits: Allowed, room: str) -> tuple[bytes | None, int | None]:
    """Return what the copy sent, if anything, and how it ended; temporary files lie in `room`."""
    reader, writer = os.pipe()

    def answer() -> None:
        os.close(reader)
        tempfile.tempdir = room
        os.setpgid(0, 0)
        _limit(limits)
        with os.fdopen(writer, "wb") as pipe:
            _send(pipe, _answer(work))

    sys.stdout.flush()
    child = forked(answer)
    os.close(writer)
    try:
        received = _received(reader, limits.wait)
    finally:
        os.close(reader)
        status = _ended(child)
    return received, status


def _answer(work: Callable[[], Any]) -> bytes:
    try:
        return pickle.dumps((True, work()))
    except MemoryError:
        return pickle.dumps((False, StoppedError(TOO_MUCH)))
    except Exception as error:  # noqa: BLE001  raised again by the process that waits
        import traceback

        told = "".join(traceback.format_exception(error))[-MOST_TOLD:]
        try:
            # What led to it is told in words: a library that can write tracebacks would follow one
            # of a thousand frames as deep as it goes.
            error.__traceback__ = error.__context__ = error.__cause__ = None
            error.add_note(told)
            written = pickle.dumps((False, error))
            pickle.loads(written)
        except Exception:  # noqa: BLE001  some errors cannot be written
            written = pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}"[:300])))
        return written


def _held() -> int:
    """Return the memory of its own that this process has as a copy [bytes]."""
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[5]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


MOST_TOLD = 20_000
"""Of the words on an error that come back from the copy [characters]."""


def _limit(limits: Allowed) -> None:
    """Set the limits of this process and of all that come from it; none is ever raised again."""
    import resource

    wanted = [
        (resource.RLIMIT_CPU, limits.seconds, limits.seconds + LATE),
        (resource.RLIMIT_CORE, 0, 0),
        (resource.RLIMIT_NOFILE, FILES, FILES),
        (resource.RLIMIT_FSIZE, LARGEST_FILE, LARGEST_FILE),
    ]
    if sys.platform == "linux":  # elsewhere it is not kept, or counts what is shared too
        most = max(limits.memory * MIB, _held() + ROOM * MIB)
        wanted.append((resource.RLIMIT_DATA, most, most))
    for kind, soft, hard in wanted:
        most = resource.getrlimit(kind)[1]
        if most != resource.RLIM_INFINITY:
            soft, hard = min(soft, most), min(hard, most)
        resource.setrlimit(kind, (soft, hard))
    _limited.append(limits)
    sys.addaudithook(_refuse)
    setattr(subprocess.Popen, "__init__", _no_program)  # noqa: B010  libraries ask in vain


def _refuse(event: str, _: object) -> None:
    if event in REFUSED:
        raise PermissionError(1, f"{event} is not allowed while a stranger's file is read")


def _no_program(*_: object, **__: object) -> NoReturn:
    _refuse("subprocess.Popen", ())
    raise AssertionError("a program is never allowed")


def _received(reader: int, wait: float) -> bytes | None:
    """Return the message whole, or None where it does not come in time or at all."""
    end, content = time.monotonic() + wait, bytearray()
    while True:
        left = end - time.monotonic()
        if left <= 0 or not select.select([reader], [], [], left)[0]:
            return None
        piece = os.read(reader, MIB)
        content += piece
        if len(content) >= LENGTH and len(content) - LENGTH == int.from_bytes(content[:LENGTH]):
            return bytes(content[LENGTH:])
        if not piece:
            return None


def _ended(child: int) -> int | None:
    """End the copy and all that came from it; return how it had ended by itself, if it had."""
    number, status = os.waitpid(child, os.WNOHANG)
    for _ in range(50):  # it has sent its answer or closed its end: it is about to end
        if number:
            break
        time.sleep(0.01)
        number, status = os.waitpid(child, os.WNOHANG)
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child, signal.SIGKILL)
    if not number:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return None
    return status


def _why(status: int | None, limits: Allowed) -> str:
    if status is None:
        return f"it takes longer than {limits.wait:.0f} s"
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU:
        return f"it takes more than {limits.seconds} s of processor time"
    return TOO_MUCH
