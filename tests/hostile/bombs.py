"""Files that are small where they lie and huge once unpacked, made by hand in a moment."""

import io
import json
import os
import resource
import struct
import subprocess
import sys
import zipfile
import zlib
from functools import cache

from openpyxl import Workbook

MIB = 2**20


@cache
def zeros(mib):
    """Return a raw deflate stream of that many MiB of blanks: one block of 16, repeated."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = packer.compress(b" " * (16 * MIB)) + packer.flush(zlib.Z_FULL_FLUSH)
    return block * (mib // 16) + b"\x03\x00"


def archive(parts):
    """Return a ZIP file of (name, packed bytes, size that its header states)."""
    body, index = b"", b""
    for name, packed, stated in parts:
        rest = struct.pack("<HHHHIIIHH", 0, 8, 0, 0, 0, len(packed), stated, len(name), 0)
        index += b"PK\x01\x02" + struct.pack("<HH", 20, 20) + rest
        index += struct.pack("<HHHII", 0, 0, 0, 0, len(body)) + name
        body += b"PK\x03\x04" + struct.pack("<H", 20) + rest + name + packed
    end = struct.pack("<HHHHIIH", 0, 0, len(parts), len(parts), len(index), len(body), 0)
    return body + index + b"PK\x05\x06" + end


def packed(content):
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    return packer.compress(content) + packer.flush()


def book(**cells):
    """Return a workbook with one sheet, named S, of the given cells."""
    made = Workbook()
    made.active.title = "S"
    for name, value in cells.items():
        made.active[name] = value
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def rewritten(content, edit, name="xl/worksheets/sheet1.xml"):
    """Return a workbook with one part changed by hand."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", 8) as new:
        for entry in old.infolist():
            part = old.read(entry)
            new.writestr(entry.filename, edit(part) if entry.filename == name else part)
    return out.getvalue()


def sparse(path, size, start=b""):
    """Write a file of that size that takes no room on the disk."""
    with path.open("wb") as file:
        file.write(start)
        file.truncate(size)
    return path


def limited(*arguments, memory=1536 * MIB, seconds=60):
    """Run the program with that much address space and no more; return what it said."""

    def bound():
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))

    return subprocess.run(
        [sys.executable, "-m", "dossier", *map(str, arguments)],
        capture_output=True, text=True, timeout=seconds, check=False, preexec_fn=bound,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "NO_COLOR": "1"},
    )  # fmt: skip


EACH = """
import contextlib, io, json, sys, time
from dossier.command.cli import main
for call in json.load(sys.stdin):
    sys.argv, said, start = ["dossier", *call], io.StringIO(), time.perf_counter()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            code = main()
        except SystemExit as end:
            code = end.code
    print(json.dumps([code or 0, said.getvalue(), time.perf_counter() - start]), flush=True)
"""


def each_limited(calls, memory, seconds):
    """Run many calls one after the other in one program of so much address space.

    Return exit code, what was said and the time [s] of each.
    """

    def bound():
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))

    ran = subprocess.run(
        [sys.executable, "-c", EACH], input=json.dumps([[*map(str, call)] for call in calls]),
        capture_output=True, text=True, timeout=seconds * len(calls), check=True, preexec_fn=bound,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "NO_COLOR": "1"},
    )  # fmt: skip
    return [json.loads(line) for line in ran.stdout.splitlines()]
