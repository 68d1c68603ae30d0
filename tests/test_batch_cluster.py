# mypy: disable-error-code="dict-item,assignment,attr-defined"
"""The same dossiers from the workers of a cluster, sent and returned as bytes."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from queue import SimpleQueue

import pytest

from dossier import build
from dossier.batch import cluster as batch_cluster
from dossier.batch.cluster import Cluster, ClusterError, made_with, packed
from dossier.batch.run import build_many
from dossier.case.problems import CaseError
from dossier.make.outcome import Order
from tests.archive import sealed

# The cluster's own library warns of its sockets, loops and threads; that is not ours to mend.
pytestmark = pytest.mark.filterwarnings("default")

INPUTS = Path(__file__).parents[1] / "inputs"


@pytest.fixture(scope="module")
def cluster():
    """A real scheduler and two worker processes; they do not know of this process's folder."""
    distributed = pytest.importorskip("distributed")
    import dask

    path = os.pathsep.join(filter(None, sys.path))
    before, os.environ["PYTHONPATH"] = os.environ.get("PYTHONPATH"), path
    try:
        with (
            dask.config.set({"distributed.scheduler.allowed-failures": 0}),  # one death is enough
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
            ) as made,
        ):
            yield made
    finally:
        os.environ.pop("PYTHONPATH")
        if before is not None:
            os.environ["PYTHONPATH"] = before


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "dossier", *map(str, arguments)],
        capture_output=True, text=True, timeout=300, check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip


def test_a_cluster_writes_the_same_bytes_and_a_bad_case_stops_none(cluster, tmp_path):
    first = sealed.short_case(tmp_path / "a")
    (first / "house").mkdir()
    (first / "house" / "house.toml").write_text('name = "Invented works"\n')
    (first / "case.toml").write_text('house = "house"\n' + (first / "case.toml").read_text())
    cases = [first, tmp_path / "nowhere", sealed.another_case(tmp_path / "b")]
    order = ("--out", tmp_path / "there", "--scheduler", cluster.scheduler_address)
    done = run("build", *cases, *order)
    assert done.returncode == 2, done.stderr
    assert f"{tmp_path / 'nowhere'}: no dossier\n1 problem:" in done.stderr
    assert "no such folder" in done.stderr
    assert "3 cases: 1 " in done.stdout
    assert str(tmp_path / "there" / "LFQ-0412-r0.pdf") in done.stdout
    for case in (cases[0], cases[2]):
        here = build(case, tmp_path / "here")
        for path in (here.pdf, here.json):
            assert (tmp_path / "there" / path.name).read_bytes() == path.read_bytes()
    again = run("build", cases[0], *order, "--only-stale")
    assert ": up to date: " in again.stdout


def bad_case(folder):
    folder.mkdir()
    (folder / "case.toml").write_text("number = 5\n")
    return folder


def test_a_case_whose_workers_die_is_one_outcome_of_many(cluster, tmp_path, monkeypatch):
    source = "import os, signal\n\ndef dies(parcel):\n    os.kill(os.getpid(), signal.SIGKILL)\n"
    scope = {}
    exec(source, scope)
    monkeypatch.setattr(batch_cluster, "build_parcel", scope["dies"])
    monkeypatch.setattr(batch_cluster, "packed", lambda *_: b"")
    bad = bad_case(tmp_path / "bad")
    with Cluster(cluster.scheduler_address) as workers:
        order = Order(out=tmp_path / "out")
        workers.start(0, Path("dies"), order)
        killed = workers.finished()[0]
        assert killed.code == 70
        assert "every worker that built it died" in killed.problems[0]
        monkeypatch.undo()
        workers.start(1, bad, order)
        (told,) = workers.finished().values()
        assert told.code == 2
        assert "case.toml" in told.problems[1]


class Deserted:
    """A cluster whose workers leave after so many looks."""

    looks = 0

    def nthreads(self):
        self.looks += 1
        return {"worker": 1} if self.looks < 4 else {}


def test_a_cluster_that_all_workers_have_left_ends_the_batch(monkeypatch):
    monkeypatch.setattr(batch_cluster, "LOOK_EVERY", 0.01)
    monkeypatch.setattr(batch_cluster, "GONE_FOR", 0.03)
    workers = object.__new__(Cluster)
    workers._early, workers._sent, workers._ended = {}, {1: None, 2: None}, SimpleQueue()
    workers._client = Deserted()
    with pytest.raises(ClusterError, match="gone for 0 s, with 2 cases not come back: start"):
        workers.finished()
    assert workers._client.looks >= 4  # it waited for those that were there


def test_no_scheduler_is_one_line_and_exit_code_2(tmp_path, monkeypatch):
    monkeypatch.setattr(batch_cluster, "ANSWER_WITHIN", 1)
    with pytest.raises(ClusterError, match="no scheduler answers"):
        Cluster("tcp://127.0.0.1:9")
    with pytest.raises(ClusterError, match="no scheduler answers"):
        list(build_many([tmp_path], Order(out=tmp_path), scheduler="nonsense://x"))


def test_without_the_library_one_line_says_what_to_install(tmp_path):
    (tmp_path / "distributed.py").write_text("raise ImportError('not here')\n")
    done = subprocess.run(
        [sys.executable, "-m", "dossier", "build", str(INPUTS / "polder-pumps"),
         "--scheduler", "tcp://127.0.0.1:9", "--out", str(tmp_path / "out")],
        capture_output=True, text=True, timeout=120, check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.splitlines() == [batch_cluster.MISSING]


def test_what_another_program_made_is_refused(tmp_path):
    here = made_with()
    for name, words in (("numpy", "numpy 0.1, here is"), ("program", "another state")):
        assert words in batch_cluster._different(here | {name: "0.1"}, here)
    assert "pango" in batch_cluster._different({k: here[k] for k in here if k != "pango"}, here)
    assert not batch_cluster._different(here, here)


def test_a_parcel_holds_what_the_case_names_and_nothing_outside(tmp_path):
    inputs = tmp_path / "inputs"
    case = Path(shutil.copytree(INPUTS / "polder-pumps", inputs / "polder-pumps"))
    (case / "notes.txt").write_text("not named by the case")
    parcel = packed(case, Order(out=tmp_path))
    assert "polder-pumps/case.toml" in parcel.files
    assert "polder-pumps/notes.txt" not in parcel.files
    record = next(name for name in parcel.files if name.endswith(".csv"))
    secret = tmp_path / "secret.csv"
    secret.write_text("a")
    (inputs / record).unlink()
    (inputs / record).symlink_to(secret)
    with pytest.raises(CaseError, match="leads out of the inputs folder"):
        packed(case, Order(out=tmp_path))
