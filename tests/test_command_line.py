"""The commands as a user runs them, in a process of its own where that is what is shown."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dossier import CaseError
from dossier.make.api import today
from tests.archive import sealed

INPUTS = Path(__file__).parents[1] / "inputs"


def run(*arguments, cwd=None, **environment):
    return subprocess.run(
        [sys.executable, "-m", "dossier", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**os.environ, **environment},
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize(
    ("case", "code", "decision"),
    [
        ("polder-pumps", 0, "approved"),
        ("ropeway-drive", 1, "not approved"),
        ("canal-fleet", 0, "approved"),
        ("chain-ferry", 1, "approved with conditions"),
    ],
)
def test_check_prints_the_decision_and_tells_it_by_its_exit_code(case, code, decision):
    done = sealed.run("check", INPUTS / case)
    assert done.returncode == code
    assert done.stdout.rstrip().endswith(f"decision: {decision}")
    assert done.stderr == ""


ONE_THREAD = """
import os, sys
from dossier.command.cli import main
sys.argv = ["dossier", "check", sys.argv[1]]
try:
    main()
finally:
    print("numpy" in sys.modules, len(os.listdir("/proc/self/task")))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="counts threads by Linux's own list")
def test_a_command_takes_one_thread():
    clean = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", ONE_THREAD, INPUTS / "polder-pumps"],
        capture_output=True, text=True, env=clean, timeout=120, check=True,
    )  # fmt: skip
    assert done.stdout.endswith("\nTrue 1\n")


def test_check_json_holds_what_the_schema_promises():
    done = run("check", INPUTS / "ropeway-drive", "--json")
    assert done.returncode == 1
    assert done.stderr == ""
    document = json.loads(done.stdout)
    assert done.stdout == json.dumps(document, sort_keys=True, indent=2, ensure_ascii=False) + "\n"
    assert document["case"]["number"] == "LFQ-0427"
    assert document["case"]["revision"] == 0
    assert document["decision"] == "not approved"
    names = {
        "requirement", "quantity", "verdict", "value", "u", "unit", "limit",
        "probability_conforming", "reason", "per_specimen",
    }  # fmt: skip
    assert all(names <= set(finding) for finding in document["findings"])
    digests = {
        f"ropeway-drive/{name}": hashlib.sha256((INPUTS / "ropeway-drive" / name).read_bytes())
        for name in (
            "application.toml", "case.toml", "instruments.csv", "records/laboratory.xlsx",
            "requested.toml", "runs.csv",
        )
    }  # fmt: skip
    assert document["inputs"] == {name: digest.hexdigest() for name, digest in digests.items()}
    assert isinstance(document["seed"], int)
    assert {"dossier", "numpy", "scipy"} <= set(document["versions"])


def test_building_twice_gives_the_same_bytes_whatever_the_machine_is_set_to(tmp_path):
    settings = (
        {"PYTHONHASHSEED": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"},
        {"PYTHONHASHSEED": "2", "TZ": "America/Lima", "LC_ALL": "C.UTF-8"},
    )
    written, case = [], sealed.short_case(tmp_path / "inputs")
    for number, environment in enumerate(settings):
        done = run("build", case, "--out", tmp_path / str(number), **environment)
        assert done.returncode == 0, done.stderr
        folder = tmp_path / str(number)
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        written.append({p.relative_to(folder).as_posix(): p.read_bytes() for p in files})
    assert set(written[0]) == {"LFQ-0412-r0.pdf", "LFQ-0412-r0.json"}
    assert written[0] == written[1]


@pytest.mark.parametrize("zone", ["XXX+24", "XXX-24", "XXX+100"])
def test_a_clock_a_day_off_is_an_error_of_the_machine(zone, monkeypatch):
    try:
        with monkeypatch.context() as set_otherwise:
            set_otherwise.setenv("TZ", zone)
            time.tzset()
            with pytest.raises(CaseError, match="the environment: TZ: is a day or more from"):
                today()
    finally:
        time.tzset()


def test_every_problem_is_listed_with_file_place_and_cure(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))
    text = (case / "case.toml").read_text()
    text = text.replace('flow = "80 L/min"', 'flow = "80 kPa"', 1).replace("purpose =", "purpos =")
    (case / "case.toml").write_text(text)
    (case / "records" / "mp-c2.csv").write_text("time [min]\n1\n")
    app = (case / "application.toml").read_text()
    (case / "application.toml").write_text(app.replace('"20 um(c)"', '"20 um"', 1))
    done = sealed.run("check", case)
    assert done.returncode == 2
    assert done.stdout == ""
    for words in (
        "case.toml: defaults . multipass . conditions . flow: unit 'kPa' is not a unit of flow",
        "case.toml: purpos: is not a key of the case format. Did you mean 'purpose'?",
        "requirement 'E1': at . size: '20 um' does not say how the counter was calibrated",
    ):
        assert words.lower() in done.stderr.lower()
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("check", "no-such-folder"), 2, "no such folder"),
        (("check",), 2, "Missing argument"),
        (("burn", "x"), 2, "No such command"),
        (("check", ".", "--issued", "tomorrow"), 2, "Invalid value"),
        (("--help",), 0, "check"),
        (("--version",), 0, "dossier"),
    ],
)
def test_calls_that_go_wrong_say_so_in_a_line(arguments, code, words, tmp_path):
    done = run(*arguments, cwd=tmp_path, PYTHONPATH=os.pathsep.join(sys.path))
    assert done.returncode == code
    assert words.lower() in (done.stdout + done.stderr).lower()
    assert "Traceback" not in done.stderr
