"""The arrows between the rooms point one way, and the slow imports wait until they are needed."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import dossier

PACKAGE = Path(dossier.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
ALLOWED = {
    "case": {"case", "physics"},
    "physics": {"physics", "words"},
    "words": {"words"},
    "evidence": {"case", "physics", "evidence", "words"},
    "decision": {"case", "physics", "evidence", "decision", "words"},
    "request": {"case", "physics", "evidence", "request", "words"},
    "start": {"case", "physics", "evidence", "start", "words"},
    "report": {"case", "physics", "evidence", "decision", "request", "report", "words"},
    "archive": {"case", "physics", "evidence", "decision", "report", "archive", "words"},
}
PURE_FORBIDDEN = {"typer", "jinja2", "matplotlib", "pandas", "weasyprint", "pathlib", "os", "io"}
PURE_FORBIDDEN |= {"datetime.datetime", "time", "random", "scipy.stats", "rich"}


def imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(path):
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else None


@pytest.mark.parametrize("path", [m for m in MODULES if room(m)], ids=lambda p: p.stem)
def test_rooms_depend_one_way_only(path):
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "dossier" and len(parts) > 1 and parts[1] in ALLOWED:
            assert parts[1] in ALLOWED[room(path)], f"{path.name} imports {name}"


@pytest.mark.parametrize(
    "path",
    [m for m in MODULES if room(m) in {"physics", "evidence", "decision"}],
    ids=lambda p: p.stem,
)
def test_pure_rooms_import_nothing_that_reads_prints_or_draws(path):
    for name in imported(path):
        assert name not in PURE_FORBIDDEN, f"{path.name} imports {name}"
        assert name.split(".")[0] not in PURE_FORBIDDEN, f"{path.name} imports {name}"


def test_modules_stay_small():
    sizes = sorted(len(m.read_text(encoding="utf-8").splitlines()) for m in MODULES)
    assert sizes[-1] <= 400
    assert sizes[len(sizes) // 2] <= 150


def loaded_by(*arguments):
    code = (
        "import sys\nfrom dossier.command.cli import main\n"
        f"sys.argv = ['dossier', *{list(arguments)!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print('\\n'.join(sorted(sys.modules)), file=sys.stderr)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    return set(run.stderr.split())


def test_help_waits_for_no_slow_import():
    slow = {"pandas", "matplotlib", "weasyprint", "scipy", "numpy", "pint", "pydantic", "rich"}
    assert not slow & loaded_by("--help")


def test_an_error_in_a_toml_file_waits_for_no_drawing(tmp_path):
    (tmp_path / "case.toml").write_text("number = ")
    slow = {"matplotlib", "weasyprint", "scipy.stats", "scipy.optimize"}
    assert not slow & loaded_by("check", str(tmp_path))


def test_explain_and_schema_wait_for_no_drawing():
    slow = {"pandas", "matplotlib", "weasyprint", "scipy.stats"}
    assert not slow & loaded_by("explain", "efficiency")
    assert not slow & loaded_by("schema", "case")
