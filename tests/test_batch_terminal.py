"""What a batch prints: results on standard output, a bar on a terminal only, then a summary."""

import json
import os
import pty
import re
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from rich.progress import Progress

from dossier.batch.run import ProgressBar, print_summary, summary, summary_json
from dossier.make.outcome import Outcome
from dossier.record.dossier_file import BUILT, UP_TO_DATE


def batch(tmp_path, *options, terminal, **environment):
    """Run a batch of two cases with problems; return (standard output, standard error)."""
    cases = [tmp_path / name for name in ("one", "two")]
    for case in cases:
        case.mkdir(exist_ok=True)
        (case / "case.toml").write_text("number = 5\n")
    command = [sys.executable, "-m", "dossier", "build", *map(str, cases), *map(str, options)]
    mine, theirs = pty.openpty() if terminal else os.pipe()
    clean = {k: v for k, v in os.environ.items() if k not in {"NO_COLOR", "FORCE_COLOR"}}
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=theirs,
        env=clean | {"PYTHONPATH": os.pathsep.join(sys.path), "TERM": "xterm"} | environment,
    )  # fmt: skip
    out = process.communicate(timeout=120)[0]
    os.set_blocking(mine, False)
    told = bytearray()
    with suppress(OSError):  # there is no more
        while piece := os.read(mine, 65536):
            told += piece
    os.close(mine)
    os.close(theirs)
    assert process.returncode == 2
    return out.decode(), told.decode()


def test_a_bar_is_drawn_on_a_terminal_and_results_stay_on_standard_output(tmp_path):
    out, told = batch(tmp_path, terminal=True)
    assert "0/2" in told
    assert "1/2" in told
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", told)
    assert re.search("0/2 .* one", plain)  # the case that is being built
    assert "\x1b[3" in told  # a colour
    assert "no dossier\r\n" in told
    assert "\x1b" not in out
    assert out.splitlines()[-1] == "2 cases: 2 with problems, no dossier made"


def test_without_colour_there_is_a_bar_and_no_colour(tmp_path):
    _, told = batch(tmp_path, terminal=True, NO_COLOR="1")
    assert "1/2" in told
    assert "\x1b[3" not in told
    assert "\x1b[9" not in told


def test_without_a_terminal_there_is_no_bar(tmp_path):
    out, told = batch(tmp_path, terminal=False, FORCE_COLOR="1")
    assert "\x1b" not in told + out
    assert "1/2" not in told
    assert "no dossier\n" in told


def test_a_bar_names_the_cases_at_work_and_moves_as_each_ends():
    progress = Progress()
    bar = ProgressBar(progress, progress.add_task("", total=3))
    seen = []
    for name, ended in (("a", False), ("b", False), ("b", True), ("c", False), ("a", True)):
        bar.tell(Path("in", name), ended)
        now = bar.progress.tasks[0]
        seen.append((now.description, now.completed))
    assert seen == [("a", 0), ("a, b", 0), ("a", 1), ("a, c", 1), ("c", 2)]


def outcomes(tmp_path):
    pdf, beside = tmp_path / "A-1-r0.pdf", tmp_path / "A-1-r0.json"
    pdf.write_bytes(b"abc")
    beside.write_bytes(b"")
    return [
        Outcome(Path("in/a"), 0, "approved", "decision: approved", (pdf, beside), name="A-1-r0",
                standing="signed off", done=BUILT),
        Outcome(Path("in/b"), 0, "approved", "calculated", (pdf, beside), name="B-1-r0",
                standing="draft", done=UP_TO_DATE),
        Outcome(Path("in/" + 30 * "long-"), 2, problems=("2 problems:", "x", "y"), count=2),
    ]  # fmt: skip


def test_the_table_fits_and_an_unsigned_approval_never_reads_as_one(tmp_path, capsys):
    print_summary(outcomes(tmp_path))
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 100
    assert "would be approved" in next(line for line in lines if "in/b" in line)
    assert "would be" not in next(line for line in lines if "in/a" in line)
    counted = "3 cases: 1 approved, 1 with problems, no dossier made, 1 would be approved"
    assert summary(outcomes(tmp_path)) == counted


def test_the_summary_for_programs_says_all_and_always_the_same(tmp_path):
    written = summary_json(outcomes(tmp_path))
    assert written == summary_json(outcomes(tmp_path))
    document = json.loads(written)
    assert document["schema"] == "dossier batch 1.0"
    assert document["exit_code"] == 2
    assert document["done"] == {"built": 1, "up to date": 1, "no dossier": 1}
    first, second, third = document["cases"]
    # SHA-256 of the three letters "abc": FIPS 180-2, appendix B.1, from memory
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert first["pdf"]["sha256"] == digest
    assert (second["decision"], second["standing"]) == ("approved", "draft")
    assert (third["pdf"], third["decision"], third["problems"]) == (
        None, None, ["2 problems:", "x", "y"]
    )  # fmt: skip


def test_the_summary_is_written_beside_the_dossiers(tmp_path):
    batch(tmp_path, "--summary", tmp_path / "done.json", terminal=False)
    document = json.loads((tmp_path / "done.json").read_bytes())
    assert [each["exit_code"] for each in document["cases"]] == [2, 2]


ONE_CHILD = """
import os, sys
import dossier.batch.preload
import numpy
square = numpy.ones((400, 400))
square @ square
slow = {"pandas", "weasyprint", "dossier.command.cli", "dossier.make.api", "rfc8785", "jinja2"}
print(len(os.listdir("/proc/self/task")), sorted(slow - set(sys.modules)))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="counts threads by Linux's own list")
def test_a_process_of_a_batch_has_one_thread_and_nothing_slow_to_import():
    clean = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", ONE_CHILD], capture_output=True, text=True, check=True,
        env=clean | {"PYTHONPATH": os.pathsep.join(sys.path)}, timeout=120,
    )  # fmt: skip
    assert done.stdout == "1 []\n"
