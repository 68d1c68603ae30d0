"""Files read whole and once: no pipe, no device, no link put in their place, none too large."""

import errno
import os
import stat
from pathlib import Path

NO_LINK = getattr(os, "O_NOFOLLOW", 0)
HOW = (
    os.O_RDONLY
    | getattr(os, "O_NONBLOCK", 0)  # a pipe without a writer must not stop us
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
MOST_AT_ONCE = 2**30
"""Bytes asked for in one call: what systems give at once, without a copy of the whole."""


class NotReadError(OSError):
    """A file that is not read; carries what is wrong with it and what to do."""

    def __init__(self, what: str, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(errno.EINVAL, what)


def read_regular(path: Path, most: int) -> bytes:
    """Return the content of the ordinary file at `path`, at most `most` bytes.

    A link is followed: the user named this path.  Raises NotReadError for a folder, a pipe, a
    device or a file that is larger, OSError where it cannot be opened.
    """
    return _content(os.open(path, HOW), most)


def ordinary(path: str, flags: int) -> int:
    """Return a handle of the ordinary file at `path`: an opener for `open`, as in its manual.

    Raises NotReadError for anything else, without waiting for the other end of a pipe.
    """
    handle = os.open(path, flags | HOW)
    try:
        _size_of(handle)
    except NotReadError:
        os.close(handle)
        raise
    return handle


def read_below(root: Path, target: Path, most: int) -> bytes:
    """Return the content of the ordinary file `target` below the folder `root`.

    Both are resolved paths.  Each step from `root` is taken from the folder reached so far and
    none follows a link, so what is exchanged after the check leads nowhere.  Raises NotReadError
    for anything but a file of at most `most` bytes, OSError where it cannot be opened.
    """
    steps = target.relative_to(root).parts
    if not steps:
        raise NotReadError("is a folder, not a file", "name the file in it")
    if os.open not in os.supports_dir_fd:
        return _content(os.open(target, HOW | NO_LINK), most)
    here = os.open(root, HOW)
    try:
        for step in steps[:-1]:
            inner = os.open(step, HOW | NO_LINK | os.O_DIRECTORY, dir_fd=here)
            os.close(here)
            here = inner
        return _content(os.open(steps[-1], HOW | NO_LINK, dir_fd=here), most)
    finally:
        os.close(here)


def _content(handle: int, most: int) -> bytes:
    """Return what an open file holds, and close it."""
    try:
        size = _size_of(handle)
        if size > most:
            hint = "split it, or leave out what is not needed"
            raise NotReadError(f"is larger than {_size(most)}", hint)
        parts, left = [], size + 1
        while left > 0 and (part := os.read(handle, min(left, MOST_AT_ONCE))):
            parts.append(part)
            left -= len(part)
    finally:
        os.close(handle)
    if left != 1:
        raise NotReadError("changed while it was read, or is no stored file", "copy it, try again")
    return b"".join(parts)


def _size_of(handle: int) -> int:
    found = os.fstat(handle)
    if stat.S_ISDIR(found.st_mode):
        raise NotReadError("is a folder, not a file", "name the file in it")
    if not stat.S_ISREG(found.st_mode):
        raise NotReadError("is a pipe or a device, not a file", "put the file itself there")
    return found.st_size


def _size(most: int) -> str:
    return f"{most // 2**20} MiB" if most >= 2**20 else f"{most // 2**10} KiB"
