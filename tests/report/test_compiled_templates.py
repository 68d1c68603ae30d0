"""Templates are compiled once; what is kept of one is never taken for another."""

import sys

from dossier.report import assets


def text(folder, monkeypatch, form=str):
    monkeypatch.setattr(assets, "template_folder", lambda: folder)
    return assets.templates(form).get_template("page.html").render(word="w")


def test_a_compiled_template_is_kept_and_a_changed_one_compiled_anew(tmp_path, monkeypatch):
    page = tmp_path / "page.html"
    page.write_text("a {{ word }}", encoding="utf-8")
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    assert text(tmp_path, monkeypatch) == "a w"
    [kept] = (tmp_path / "__pycache__").iterdir()
    before = kept.stat().st_mtime_ns
    assert text(tmp_path, monkeypatch, str.upper) == "a W"
    assert kept.stat().st_mtime_ns == before
    page.write_text("b {{ word }}", encoding="utf-8")
    assert text(tmp_path, monkeypatch) == "b w"


def test_nothing_is_kept_where_python_keeps_no_byte_code(tmp_path, monkeypatch):
    (tmp_path / "page.html").write_text("{{ word }}", encoding="utf-8")
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert text(tmp_path, monkeypatch) == "w"
    assert [each.name for each in tmp_path.iterdir()] == ["page.html"]
