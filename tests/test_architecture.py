"""The arrows between the rooms point one way, and the slow imports wait until they are needed."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import dossier

PACKAGE = Path(dossier.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
# Each room may use itself and those before it; the package's own front door stands behind all.
ROOMS = [
    "words", "system", "physics", "case", "evidence", "decision", "start", "request", "report",
    "record", "make", "verification", "seal", "register", "batch", "command",
]  # fmt: skip
PURE = {"physics", "evidence", "decision"}
PURE_FORBIDDEN = {"typer", "jinja2", "pandas", "weasyprint", "pathlib", "os", "io"}
PURE_FORBIDDEN |= {"datetime.datetime", "time", "random", "scipy.stats", "rich"}


def imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(path):
    return path.relative_to(PACKAGE).parts[0]


def test_the_root_holds_rooms_and_nothing_else():
    loose = {path.name for path in PACKAGE.glob("*.py")}
    assert loose == {"__init__.py", "__main__.py"}
    assert {room(path) for path in MODULES} - loose == set(ROOMS)
    assert not set(ROOMS) & set(dossier.__all__)  # `dossier.verify` is a function, always


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_rooms_depend_one_way_only(path):
    own = ROOMS.index(room(path)) if room(path) in ROOMS else len(ROOMS)
    for name in imported(path):
        parts = name.split(".")
        if parts[0] != "dossier" or len(parts) == 1:
            continue
        assert parts[1] in ROOMS, f"{path.name} imports {name}: what is public is for others"
        assert ROOMS.index(parts[1]) <= own, f"{path.name} imports {name}"


@pytest.mark.parametrize("path", [m for m in MODULES if room(m) in PURE], ids=lambda p: p.stem)
def test_pure_rooms_import_nothing_that_reads_prints_or_draws(path):
    for name in imported(path):
        assert name not in PURE_FORBIDDEN, f"{path.name} imports {name}"
        assert name.split(".")[0] not in PURE_FORBIDDEN, f"{path.name} imports {name}"


def test_modules_stay_small():
    sizes = sorted(len(m.read_text(encoding="utf-8").splitlines()) for m in MODULES)
    assert sizes[-1] <= 400
    assert sizes[len(sizes) // 2] <= 220


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
    slow = {"pandas", "weasyprint", "scipy", "numpy", "pint", "pydantic", "rich"}
    assert not slow & loaded_by("--help")


def test_an_error_in_a_toml_file_waits_for_no_drawing(tmp_path):
    (tmp_path / "case.toml").write_text("number = ")
    slow = {"weasyprint", "scipy.stats", "scipy.optimize"}
    assert not slow & loaded_by("check", str(tmp_path))


def test_explain_and_schema_wait_for_no_drawing():
    slow = {"pandas", "weasyprint", "scipy.stats"}
    assert not slow & loaded_by("explain", "efficiency")
    assert not slow & loaded_by("schema", "case")


def test_every_kind_of_record_is_known_wherever_kinds_are_told_apart():
    from dossier.case.tables import written
    from dossier.case.whole import KINDS
    from dossier.decision import cautions
    from dossier.evidence import spoken
    from dossier.report.pages import validity
    from dossier.request import points, reported

    places = {
        "spoken": spoken._RECORDS,
        "cautions": cautions.KINDS,
        "validity": validity.ALL_OF,
        "points": points._ORDER,
        "reported": reported._CONDITIONS,
        "written": written.STEMS,
    }
    lacking = {name: set(KINDS) - set(place) for name, place in places.items()}
    assert not {name: kinds for name, kinds in lacking.items() if kinds}
