"""The digest of the program: every file of it and every version, and nothing that Python leaves."""

import re
import zlib
from importlib.metadata import version

import pytest

from dossier.record import program


@pytest.fixture
def tree(tmp_path, monkeypatch):
    """A program of two files with a folder of templates, and made-up versions of libraries."""
    for name in ("dossier/a.py", "dossier/record/program.py", "templates/page.html"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    monkeypatch.setattr(program, "__file__", str(tmp_path / "dossier/record/program.py"))
    monkeypatch.setattr("dossier.report.assets.template_folder", lambda: tmp_path / "templates")
    stated = {"versions": "1", "layout_versions": "1", "libraries_of": "1"}
    for name in stated:
        monkeypatch.setattr(
            f"dossier.record.program.{name}", lambda name=name: {name: stated[name]}
        )
    return tmp_path, stated


def digest():
    return program.program_digest.__wrapped__()


def test_what_python_leaves_beside_the_files_changes_nothing(tree):
    folder, _ = tree
    before = digest()
    (folder / "dossier" / "__pycache__").mkdir()
    (folder / "dossier" / "__pycache__" / "a.pyc").write_bytes(b"x")
    assert digest() == before


@pytest.mark.parametrize(
    "change",
    [
        lambda folder, _: (folder / "dossier/a.py").write_text("other"),
        lambda folder, _: (folder / "dossier/a.py").rename(folder / "dossier/b.py"),
        lambda folder, _: (folder / "dossier/new.py").write_text(""),
        lambda folder, _: (folder / "templates/page.html").write_text("other"),
        lambda _, stated: stated.update(versions="2"),
        lambda _, stated: stated.update(layout_versions="2"),
        lambda _, stated: stated.update(libraries_of="2"),
    ],
)
def test_every_file_and_every_version_counts(change, tree):
    before = digest()
    assert digest() == before
    change(*tree)
    assert digest() != before


def test_pango_tells_its_version_where_its_library_has_another_name(monkeypatch):
    monkeypatch.setattr(program, "_told_pango", lambda: "1.2.3")
    assert program._told("libnowhere.so.9", "pango_version_string") == "1.2.3"
    assert program._told("libnowhere.so.9", "hb_version_string") is None


def test_what_the_pages_depend_on_is_stated_in_the_version_that_is_installed():
    found = program.layout_versions()
    for name in ("weasyprint", "pydyf", "fonttools", "tinycss2", "jinja2", "pillow"):
        assert found[name] == version(name)
    assert found["zlib"] == zlib.ZLIB_RUNTIME_VERSION
    assert re.fullmatch(r"[0-9]+([.][0-9]+)+", found["pango"])
