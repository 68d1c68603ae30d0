"""Memory that is given back and asked for again costs more than the work on it."""

import sys

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Numbers of the settings in `mallopt` of the GNU C library (its manual, 3.2.3)."""
LARGEST = 32 * 2**20
"""Bytes of the largest piece that the library lets come from its own heap."""


def keep_freed_memory() -> None:
    """Ask the C library to keep what is freed for what comes next; other libraries are left alone.

    Each large array is otherwise made of fresh pages of the system, which it first has to clear.
    """
    if sys.platform != "linux":
        return
    import ctypes

    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(TRIM_THRESHOLD, 2**30)
        mallopt(MMAP_THRESHOLD, LARGEST)
