"""A stranger's file costs little time and memory, starts no program and opens no connection."""

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import zlib
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pytest

from dossier.case.attached import NotADossierError
from dossier.report.house.house import ATTACHED
from dossier.system.confined import Allowed, StoppedError, confined
from tests.archive import made
from tests.archive.sealed import short_case
from tests.hostile import bombs
from tests.hostile.test_pdfs import PAGES, raw, stream

INPUTS = Path(__file__).parents[2] / "inputs"
SHORT = Allowed(seconds=1, memory=400, wait=30.0)
SECONDS, MEMORY = 20, 600


def test_what_is_done_apart_comes_back_as_it_was():
    assert confined(lambda: {"a": (1, "x" * 10**6)}) == {"a": (1, "x" * 10**6)}
    with pytest.raises(NotADossierError, match="none") as caught:
        confined(lambda: (_ for _ in ()).throw(NotADossierError("none")))
    assert "test_confined.py" in "".join(caught.value.__notes__)  # for --debug


def spin():
    while True:
        pass


@pytest.mark.parametrize(
    ("work", "limits", "line"),
    [
        (spin, SHORT, "1 s of processor time"),
        (lambda: bytearray(2**30), SHORT, "more memory"),
        (lambda: "x" * int(1.5e9), SHORT, "more memory"),
        (lambda: [bytearray(2**20) for _ in range(5000)], SHORT, "more memory"),
        (lambda: time.sleep(60), Allowed(seconds=9, memory=400, wait=1.0), "longer than 1 s"),
        (lambda: os._exit(0), SHORT, "ends the process"),
        (lambda: os.kill(os.getpid(), 9), SHORT, "ends the process"),
    ],
)
def test_work_without_end_is_stopped(work, limits, line):
    start = time.monotonic()
    with pytest.raises(StoppedError, match=line):
        confined(work, limits)
    assert time.monotonic() - start < SECONDS


@pytest.mark.parametrize(
    "work",
    [
        lambda: subprocess.run(["true"], check=False),
        lambda: os.system("true"),
        lambda: os.execv("/bin/true", ["true"]),
        lambda: os.posix_spawn("/bin/true", ["true"], {}),
        lambda: os.spawnv(os.P_WAIT, "/bin/true", ["true"]),
        lambda: socket.create_connection(("127.0.0.1", 9)),
        lambda: socket.getaddrinfo("x.invalid", 80),
    ],
)
def test_no_program_starts_and_no_connection_opens(work):
    if work.__code__.co_names[-1] == "P_WAIT" or "spawnv" in work.__code__.co_names:
        assert confined(work) == 127  # the copy that would have become the program could not
        return
    with pytest.raises(PermissionError, match="not allowed"):
        confined(work)


def test_what_comes_from_the_copy_ends_with_it(tmp_path):
    def work():
        child = os.fork()
        if not child:
            time.sleep(60)
        return child

    state = Path(f"/proc/{confined(work)}/stat")
    time.sleep(0.2)
    assert not state.exists() or state.read_text().rpartition(")")[2].split()[0] in "ZX"


def test_no_temporary_file_is_left_by_what_was_stopped(tmp_path, monkeypatch):
    def work():
        Path(tempfile.mkdtemp(), "left").write_text("x")
        spin()

    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(StoppedError):
        confined(work, SHORT)
    assert not list(tmp_path.iterdir())


def test_no_file_grows_without_end(tmp_path):
    def work():
        with (tmp_path / "big").open("wb") as file:
            file.truncate(2**30)

    with pytest.raises(OSError, match="too large"):
        confined(work)


@cache
def attached(*, short=False):
    """Return the files of a dossier of the demo case, or of the short one."""
    from dossier.make.decide import assess, decision_json, issue_date
    from dossier.make.read import read_case
    from dossier.record.decision_record import canonical, manifest_of

    with tempfile.TemporaryDirectory() as place:
        case = read_case(short_case(Path(place)) if short else INPUTS / "polder-pumps")
    assessment = assess(case, pages=False)
    decision = decision_json(case, assessment, issue_date(case))
    files = {each.name: each.content for each in (*case.inputs, case.signoff)}
    manifest = canonical(manifest_of(case, decision, assessment))
    return files | {"decision.json": decision, "manifest.json": manifest}


def pdf(files):
    """Return a PDF written by hand with `files` attached."""
    names, objects = b"", []
    for name, content in files.items():
        number = 3 + len(objects)
        text = b"<FEFF" + name.encode("utf-16-be").hex().encode() + b">"
        names += b"%s %d 0 R " % (text, number)
        each = b"/UF %s /EF << /F %d 0 R >> >>" % (text, number + 1)
        objects += [b"<< /Type /Filespec " + each, stream(zlib.compress(content))]
    tree = b"/Names << /EmbeddedFiles << /Names [" + names + b"] >> >> >>"
    return raw([b"<< /Type /Catalog /Pages 2 0 R " + tree, PAGES, *objects])


def dossier(house=None, changes=None):
    """Return a dossier, unsealed, with other files of its case or a house, and digests to match."""
    files = dict(attached(short=changes is None))
    manifest = json.loads(files.pop("manifest.json"))
    files |= {f"polder-pumps/{key}": text for key, text in (changes or {}).items()}
    for key, text in (house or {}).items():
        files[ATTACHED + key] = text
        manifest["layout"] |= {"house folder": "h", "house files": "0" * 64}
    manifest["files"] = {key: made.sha256(content) for key, content in files.items()}
    return pdf(files | {"manifest.json": json.dumps(manifest).encode()})


SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9">%s</svg>'


def doubled(levels=40):
    each = b"".join(
        b'<g id="a%d"><use href="#a%d"/><use href="#a%d"/></g>' % (n + 1, n, n)
        for n in range(levels)
    )
    return SVG % (b'<path id="a0" d="M0 0h1"/>' + each)


TOML = b'name = "h"\nlogo = "logo.svg"\n'
HOUSES = {
    "loop": {"strength.html": b"{% for i in range(10**9) %}x{% endfor %}"},
    "long string": {"cautions.html": b"{{ 'x' * 1500000000 }}"},
    "lipsum": {"decision.html": b"{{ lipsum(n=10**6) }}"},
    "use": {"house.toml": TOML, "logo.svg": doubled()},
    "small page": {"house.css": b"@page { size: 1pt 1pt; margin: 0 }"},
    "columns": {"house.toml": b'name = "h"\n[[section]]\ntitle = "big"\nfile = "a.html"\n',
                "a.html": b"<table><tbody><tr>" + b"<td>x</td>" * 100_000},
    "program": {"charts.mplstyle": b"text.usetex: True\n"},
    "deep": {"house.toml": b"a = " + b"[" * 100_000},
}  # fmt: skip


def rows(text, count):
    """Return a record with its last row so many times, at later times."""
    head, last = text.decode().rstrip().rsplit("\n#", 1)[0].rsplit("\n", 1)
    first, rest = last.split(",", 1)
    more = "\n".join(f"{float(first) + n / 100:.2f},{rest}" for n in range(count))
    return f"{head}\n{more}\n".encode()


def requirements(text, count):
    block = text.decode().split("[[requirement]]")
    more = "".join(f"[[requirement]]{block[1].replace('E1', f'X{n}')}" for n in range(count))
    return (text.decode() + more).encode()


RECORD, CASE, ASKED = "records/mp-c1.csv", "case.toml", "application.toml"
CASES = {
    "columns in a record": (RECORD, lambda _: b",".join([b"a"] * 100_000) + b"\n1\n"),
    "rows in a record": (RECORD, lambda text: rows(text, 200_000)),
    "one endless cell": (RECORD, lambda _: b"1" * (60 * 2**20)),
    "requirements": (ASKED, lambda text: requirements(text, 180)),
    "deep case": (CASE, lambda _: b"a = " + b"[" * 100_000),
    "number": (CASE, lambda _: b"number = " + b"9" * 4000),
    "workbook": (RECORD, lambda _: bombs.archive(
        [(b"xl/worksheets/sheet1.xml", bombs.zeros(4096), 2**32 - 1)])),
}  # fmt: skip


RUN = """
import contextlib, io, json, os, resource, sys
from pathlib import Path
log = open(sys.argv[1], "a", buffering=1)
EVENTS = {"subprocess.Popen", "os.exec", "os.posix_spawn", "os.system", "os.spawn"}
sys.addaudithook(lambda event, _: event in EVENTS and log.write(event + chr(10)))
from dossier.command.cli import main
used = 0.0
for path in sys.argv[2:]:
    sys.argv = ["dossier", "verify", path]
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            main()
            code = 0
        except SystemExit as end:
            code = end.code
    before, used = used, sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
    # of itself as its own memory says: what getrusage says holds that of the one it came from
    own = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    most = max(int(own.split()[1]), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
    told = code, said.getvalue(), used - before, most // 1024
    print(json.dumps([Path(path).stem, *told]), flush=True)
"""


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Exit code, lines, processor time [s] and memory so far [MiB] of each verification.

    All in one process, as its start takes longer than most of them.
    """
    folder = tmp_path_factory.mktemp("strangers")
    contents = {"honest": dossier()} | {name: dossier(house=HOUSES[name]) for name in HOUSES}
    for name, (file, made_of) in CASES.items():
        contents[name] = dossier(changes={file: made_of(attached()[f"polder-pumps/{file}"])})
    paths = [folder / f"{name}.pdf" for name in contents]
    for path, content in zip(paths, contents.values(), strict=True):
        path.write_bytes(content)
    log = folder / "log"
    log.touch()
    ran = subprocess.run(
        [sys.executable, "-c", RUN, log, *paths],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert log.read_text() == ""  # no program was asked for, not even in vain
    assert "Traceback" not in ran.stdout + ran.stderr
    return {name: told for name, *told in map(json.loads, ran.stdout.splitlines())}


@pytest.mark.slow
@pytest.mark.parametrize("name", [*HOUSES, *CASES])
def test_bombs_in_a_dossier_are_told_in_time(name, measured):
    code, said, seconds, memory = measured[name]
    print(f"{name}: {seconds:.1f} s, {memory} MiB: {said.strip()[-300:]}")
    assert code == 3
    assert seconds < SECONDS
    assert memory < MEMORY


@pytest.mark.slow
def test_an_honest_dossier_needs_no_program_either(measured):
    code, said, seconds, memory = measured["honest"]
    print(f"honest: {seconds:.1f} s, {memory} MiB")
    assert code == 3
    assert "decision.json is identical" in said
    assert memory < MEMORY


@pytest.mark.parametrize(
    "name",
    ["..", "../elsewhere", "/etc", "a/b", "a\\b", "..\\x", ".", "", " a", "a\n", "C:", "\u202ea",
     "x" * 300, "a\0b", "../../../../../../etc"],
)  # fmt: skip
def test_the_name_of_a_case_is_one_plain_part_of_a_path(name, tmp_path):
    from dossier.record.dossier_file import read_dossier
    from dossier.verification.verify import verify

    path = tmp_path / "x.pdf"
    manifest = {"schema": "dossier manifest 1.0", "case": name, "files": {}}
    files = attached() | {"manifest.json": json.dumps(manifest).encode()}
    path.write_bytes(pdf(files))
    for read in (verify, read_dossier):
        with pytest.raises(NotADossierError, match="not of a known form"):
            read(path)


def test_a_trusted_file_that_meets_a_limit_is_given_more(monkeypatch):
    from dossier.system.confined import FAMILIAR
    from dossier.verification import verify as module

    given, verified = [], SimpleNamespace(sources=())

    def stopped(work, limits=SHORT):
        given.append(limits)
        if "familiar" in work.__qualname__:
            return answers.pop()
        if limits is FAMILIAR:
            return verified
        raise StoppedError("at a limit")

    monkeypatch.setattr(module, "confined", stopped)
    monkeypatch.setattr(module, "trust_of", lambda trust, *_: SimpleNamespace(given=bool(trust)))
    answers = [False, True]
    assert module.verify_confined(Path("x.pdf"), trust=[b"x"]) is verified
    with pytest.raises(StoppedError):
        module.verify_confined(Path("x.pdf"), trust=[b"x"])
    with pytest.raises(StoppedError):
        module.verify_confined(Path("x.pdf"))
    assert given.count(FAMILIAR) == 1
