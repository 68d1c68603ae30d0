"""Freed memory stays for what comes next, where the C library can be asked for it."""

import ctypes
import platform
import subprocess
import sys

import pytest

from dossier.system import allocator

FAULTS = """
import resource, sys
from dossier.system.allocator import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
for _ in range(5):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    held = [b"x" * (20 * 2**20) for _ in range(3)]
    del held
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def faults(way):
    done = subprocess.run(
        [sys.executable, "-c", FAULTS, way], capture_output=True, text=True, check=True
    )
    return int(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of the GNU C library")
def test_no_page_is_asked_for_again():
    assert faults("kept") < 0.01 * faults("given back")


def test_another_c_library_is_left_alone(monkeypatch):
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())
    allocator.keep_freed_memory()
    monkeypatch.setattr(sys, "platform", "another")
    monkeypatch.setattr(ctypes, "CDLL", None)
    allocator.keep_freed_memory()
