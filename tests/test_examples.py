"""The help of every command ends with an example: its options exist, and it does what it says."""

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

from dossier.command.cli import app
from tests.archive.sealed import run

ROOT = Path(__file__).parents[1]
GROUP = typer.main.get_command(app)
COMMANDS = GROUP.commands  # type: ignore[attr-defined]
READ_ONLY = {"check", "explain", "schema"}
"""Their examples are run where they stand; those that write are run in a copy."""
WRITES = {"build", "request"}

AS_INSTALLED = "from dossier.command.cli import app; app(prog_name='dossier')"


def examples(name):
    """The command lines after 'Example:' in a command's help, each on one line."""
    last = COMMANDS[name].help.replace("\b\n", "").split("\n\n")[-1]
    text = " ".join(last.replace("\\\n", " ").split())
    assert text.startswith("Example: dossier "), name
    return [part.strip() for part in text.split("Example: ")[1:]]


EXAMPLES = [(name, line) for name in COMMANDS for line in examples(name)]


def test_every_command_is_there():
    assert {
        "check", "build", "sign", "seal", "identity", "verify", "register", "compare", "new",
        "request", "explain", "schema", "constraints",
    } <= set(COMMANDS)  # fmt: skip


@pytest.mark.parametrize(("name", "line"), EXAMPLES)
def test_every_option_of_an_example_exists(name, line):
    program, command, *rest = shlex.split(line)
    assert (program, command) == ("dossier", name)
    COMMANDS[name].make_context(name, rest)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_ends_with_the_example(name):
    done = run(name, "--help", COLUMNS="80")
    shown = done.stdout.split("\nArguments:")[0].split("\nOptions:")[0].rstrip()
    lines = [line.strip() for line in COMMANDS[name].help.split("\b\n")[-1].splitlines()]
    assert lines[0].startswith("Example: ")
    assert [line.strip() for line in shown.splitlines()][-len(lines) :] == lines, "not wrapped"


@pytest.mark.parametrize(("name", "line"), [e for e in EXAMPLES if e[0] in READ_ONLY | WRITES])
def test_an_example_does_what_it_says(name, line, tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT)
    if name in WRITES:
        shutil.copytree(ROOT / "inputs", tmp_path / "inputs")
        monkeypatch.chdir(tmp_path)
    done = run(*shlex.split(line)[1:])
    assert done.returncode in {0, 1}, done.stderr
    assert done.stdout
    assert done.stderr == ""


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_of_a_shell_is_printed_and_completes(shell):
    """By the variable that the shell's own script sets: no shell has to be found out."""
    environment = {**os.environ, "_DOSSIER_COMPLETE": f"source_{shell}"}
    done = subprocess.run(
        [sys.executable, "-c", AS_INSTALLED],
        capture_output=True, text=True, env=environment, timeout=60, check=False,
    )  # fmt: skip
    assert "_DOSSIER_COMPLETE" in done.stdout, done.stderr


def test_completion_offers_commands_and_options():
    typed = (("dossier ex", "1", "explain"), ("dossier new --ra", "2", "--rated-flow"))
    for words, position, wanted in typed:
        environment = {
            **os.environ, "_DOSSIER_COMPLETE": "complete_bash", "COMP_WORDS": words,
            "COMP_CWORD": position,
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", AS_INSTALLED],
            capture_output=True, text=True, env=environment, timeout=60, check=False,
        )  # fmt: skip
        assert wanted in done.stdout.split(), done.stderr


def test_completion_of_the_present_shell_is_shown():
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash on this machine")
    line = f"{shlex.quote(sys.executable)} -m dossier --show-completion bash; true"
    done = subprocess.run(
        [bash, "-c", line], capture_output=True, text=True, timeout=60, check=False
    )
    assert "complete" in done.stdout, done.stderr
