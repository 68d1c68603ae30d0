"""One dossier by two processes: the same bytes as by one, and never less than one would say."""

import os

import pytest

from dossier import CaseError
from dossier.make import api
from dossier.make import two_processes as apart
from dossier.make.outcome import Order
from dossier.system.second_process import aside, receive, second_core, send
from tests.archive import sealed

pytestmark = pytest.mark.skipif(not second_core(), reason="one processor only")


@pytest.fixture
def case(tmp_path):
    return sealed.short_case(tmp_path / "inputs")


def test_two_processes_write_the_same_files_as_one(case, laid_out_anew, tmp_path):
    written = apart.build_apart(case, Order(out=tmp_path / "two"))
    built = api.build(case, tmp_path / "one")
    assert written is not None
    assert written.decision == built.assessment.decision.value
    for one, two in zip((built.pdf, built.json), written.files, strict=True):
        assert one.read_bytes() == two.read_bytes()


def test_problems_come_from_the_other_process(case, tmp_path):
    text = (case / "case.toml").read_text()
    (case / "case.toml").write_text(text.replace("purpose =", "purpos ="))
    with pytest.raises(CaseError) as caught:
        apart.build_apart(case, Order(out=tmp_path / "out"))
    assert any("purpos" in str(problem) for problem in caught.value.problems)
    assert not (tmp_path / "out").exists()


def test_a_case_with_house_templates_is_left_to_one_process(case, tmp_path):
    (case.parent / "house").mkdir()
    text = (case / "case.toml").read_text()
    (case / "case.toml").write_text(f'house = "../house"\n{text}')
    assert apart.build_apart(case, Order(out=tmp_path / "out")) is None
    assert not (tmp_path / "out").exists()


def test_a_process_that_ends_before_it_hands_over_writes_nothing(case, tmp_path, monkeypatch):
    monkeypatch.setattr(apart, "_hand_over", lambda *_: os.kill(os.getpid(), 9))
    assert apart.build_apart(case, Order(out=tmp_path / "out")) is None
    assert not (tmp_path / "out").exists()


def test_a_process_that_ends_while_it_draws_writes_nothing(
    laid_out_anew, case, tmp_path, monkeypatch
):
    def some(wanted, pipes):
        send(pipes[0], wanted[0]())

    monkeypatch.setattr(apart, "_draw", some)
    assert apart.build_apart(case, Order(out=tmp_path / "out")) is None
    assert not (tmp_path / "out").exists()


def test_messages_arrive_whole_or_not_at_all():
    other = aside(lambda pipe: (send(pipe, b"one"), send(pipe, b""), pipe.write(b"\0" * 7)))
    assert other is not None
    assert other.next() == b"one"
    assert other.next() == b""
    assert other.next() is None
    other.end()


def test_what_was_cut_short_is_not_received():
    reader, writer = os.pipe()
    with os.fdopen(writer, "wb") as pipe:
        pipe.write((5).to_bytes(8) + b"abc")
    with os.fdopen(reader, "rb") as pipe:
        assert receive(pipe) is None
