"""Inputs from someone who means harm: each is refused in words, within bounds of time and memory.

Run with `-rP` to see the lines that the program prints.
"""

import os
import shutil
import threading
import time
from pathlib import Path

import pytest

from dossier import CaseError, read_case
from dossier.case import attached, read
from dossier.case.attached import NotReadError, ordinary, read_below, read_regular
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.raw_table import TableError
from dossier.case.tables.tables import read_sheet
from dossier.case.toml_text import TomlError, parse_toml
from dossier.make.outcome import WRONG_INPUT, explained
from tests.hostile import bombs
from tests.spelled import INPUTS

SECONDS = 10


@pytest.fixture
def case(tmp_path):
    """A copy of a demo case, with something beside the inputs folder that is nobody's business."""
    (tmp_path / "secret.csv").write_text("flow [L/min],differential pressure [kPa]\n1,1\n")
    return Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "inputs" / "polder-pumps"))


def refusal(folder):
    """Return what is printed of a case that must be refused, soon and with a hint each."""
    start = time.perf_counter()
    with pytest.raises(CaseError) as caught:
        read_case(folder)
    assert time.perf_counter() - start < SECONDS
    code, lines = explained(caught.value, debug=False)
    assert code == WRONG_INPUT
    assert all(each.file and each.what and each.hint for each in caught.value.problems)
    text = "\n".join(lines)
    assert "\x1b" not in text
    print(text[:600])
    return text


def rename(folder, new, old="records/mp-c1.csv"):
    path = folder / "case.toml"
    path.write_text(path.read_text().replace(f'"{old}"', f"'{new}'"))


# Paths.


@pytest.mark.parametrize(
    "path",
    [
        "../../secret.csv", "../../../../../../../../etc/passwd", "/etc/passwd", "/dev/zero",
        "/proc/self/environ", "records/../../../secret.csv", "/dev/stdin", "//etc/passwd",
        "~/.ssh/id_rsa", "file:///etc/passwd", "http://x.invalid/a.csv", "", ".", "records",
        "records/mp-c1.csv/x", "C:\\x.csv", "\\\\x.invalid\\share\\a.csv",
        "a" * 5000 + ".csv", "records/\u202evsc.exe",
    ],
)  # fmt: skip
def test_no_path_leaves_the_inputs(case, path):
    rename(case, path)
    said = refusal(case)
    assert "1,1" not in said
    assert "root:" not in said


@pytest.mark.parametrize(
    "target", ["../../secret.csv", "/etc/passwd", "/dev/zero", "/proc/self/environ"]
)
def test_no_link_leaves_the_inputs(case, target):
    path = case / "records" / "mp-c1.csv"
    path.unlink()
    target = target if target.startswith("/") else case.parent.parent / "secret.csv"
    path.symlink_to(target)
    assert "leads out of the inputs folder" in refusal(case)


def test_no_linked_folder_leaves_the_inputs(case, tmp_path):
    shutil.move(case / "records", tmp_path / "elsewhere")
    (case / "records").symlink_to(tmp_path / "elsewhere")
    assert "leads out of the inputs folder" in refusal(case)


@pytest.mark.parametrize("name", ["records/mp-c1.csv", "application.toml", "records"])
def test_a_link_within_the_inputs_is_attached_under_the_name_that_the_case_gives(case, name):
    """Who unpacks the attachments finds it again, where there are no links."""
    names = {each.name for each in read_case(case).inputs}
    shutil.move(case / name, case / "elsewhere")
    (case / name).symlink_to(case / "elsewhere")
    assert {each.name for each in read_case(case).inputs} == names


def test_an_absolute_path_into_the_inputs_is_none(case):
    rename(case, f"{case}/records/mp-c1.csv")
    assert "write 'records/mp-c1.csv': other machines" in refusal(case)


def test_links_that_lead_in_a_circle(case):
    path = case / "records" / "mp-c1.csv"
    path.unlink()
    path.symlink_to(path)
    refusal(case)


@pytest.mark.parametrize("name", ["application.toml", "signoff.toml", "case.toml"])
def test_case_files_may_not_be_links_out_of_the_inputs(case, tmp_path, name):
    shutil.move(case / name, tmp_path / name)
    (case / name).symlink_to(tmp_path / name)
    assert "leads out of the inputs folder" in refusal(case)


def test_an_application_outside_the_inputs(case):
    rename(case, "../../../x/application.toml", "application.toml")
    assert "leads out of the inputs folder" in refusal(case)


@pytest.mark.parametrize(
    "name", ["records/mp-c1.csv", "application.toml", "case.toml", "signoff.toml"]
)
@pytest.mark.parametrize("kind", ["pipe", "folder"])
def test_what_is_no_file_is_refused_without_waiting(case, name, kind):
    (case / name).unlink()
    os.mkfifo(case / name) if kind == "pipe" else (case / name).mkdir()
    assert "not a file" in refusal(case)


def test_a_link_put_in_place_after_the_check(case, tmp_path, monkeypatch):
    """Whoever exchanges the file between the look and the reading gets a refusal."""
    victim = case / "records" / "mp-c1.csv"

    def exchanged(root, target, most):
        if target == victim:
            victim.unlink()
            victim.symlink_to(tmp_path / "secret.csv")
        return read_below(root, target, most)

    monkeypatch.setattr(read, "read_below", exchanged)
    said = refusal(case)
    assert "records/mp-c1.csv" in said
    assert "not read" in said


def test_a_folder_exchanged_for_a_link_after_the_check(case, tmp_path):
    target = (case / "records" / "mp-c1.csv").resolve()
    shutil.copytree(case / "records", tmp_path / "elsewhere")
    shutil.rmtree(case / "records")
    (case / "records").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match=r"records|symbolic|directory"):
        read_below(case.parent.resolve(), target, 10**6)


def test_files_that_grow_while_they_are_read(tmp_path, monkeypatch):
    path = tmp_path / "x.csv"
    path.write_bytes(b"1,2\n")
    monkeypatch.setattr(attached, "_size_of", lambda handle: 3)
    with pytest.raises(NotReadError, match="changed while it was read"):
        read_regular(path, 100)


@pytest.mark.parametrize("path", ["/proc/self/environ", "/dev/zero", "/dev/tty", "/"])
def test_devices_and_made_up_files(path):
    with pytest.raises(OSError, match=r"file|device") as caught:
        read_regular(Path(path), 10**6)
    assert caught.value.filename == path
    if path != "/proc/self/environ":
        with pytest.raises(OSError, match=r"file|device"):
            ordinary(path, os.O_RDONLY)


def test_the_swap_under_load_never_lets_the_secret_through(case, tmp_path):
    """A thread exchanges file and link as fast as it can while the file is read again and again."""
    root, path = case.parent.resolve(), case / "records" / "mp-c1.csv"
    secret, good, stop = tmp_path / "secret.csv", path.read_bytes(), threading.Event()

    def swap():
        spare = case / "records" / "spare"
        while not stop.is_set():
            spare.symlink_to(secret)
            spare.replace(path)
            spare.write_bytes(good)
            spare.replace(path)

    thread = threading.Thread(target=swap)
    thread.start()
    try:
        for _ in range(2000):
            try:
                assert read_below(root, path, 10**6) == good
            except OSError:
                continue
    finally:
        stop.set()
        thread.join()


# Size.


@pytest.mark.parametrize("name", ["case.toml", "application.toml", "signoff.toml"])
def test_a_toml_file_of_a_gigabyte(case, name):
    bombs.sparse(case / name, 2**30, b"x = 1\n")
    assert "larger than 4 MiB" in refusal(case)


def test_a_record_of_a_gigabyte_in_one_line(case):
    bombs.sparse(case / "records" / "mp-c1.csv", 2**30, b"time [min],")
    ran = bombs.limited("check", case)
    print(ran.stderr)
    assert ran.returncode == WRONG_INPUT
    assert "may have 192 MiB" in ran.stderr


def test_a_record_as_large_as_any_may_be_in_one_line(case):
    bombs.sparse(case / "records" / "mp-c1.csv", 190 * 2**20, b"time [min],")
    ran = bombs.limited("check", case)
    print(ran.stderr)
    assert ran.returncode == WRONG_INPUT
    assert "holds NUL bytes" in ran.stderr  # a sparse file: what is not written reads as zeros


def test_many_large_records_together(case, monkeypatch):
    monkeypatch.setattr(read, "MAX_CASE", 20_000)
    assert "is larger than" in refusal(case)


def test_a_csv_of_a_million_columns(case):
    header = ",".join(f"upstream {n} um(c) [1/mL]" for n in range(1_000_000))
    (case / "records" / "mp-c1.csv").write_text(header + "\n" + "1," * 999_999 + "1\n")
    assert "longer than 131072 bytes" in refusal(case)
    (case / "records" / "mp-c1.csv").write_text("a," * 50_000 + "\n" + "1," * 50_000 + "\n")
    assert "50001 columns" in refusal(case)
    (case / "records" / "mp-c1.csv").write_text("," * 100_000 + "\n" + "," * 100_000 + "\n")
    assert "the file is empty" in refusal(case)


@pytest.mark.parametrize(
    "content",
    [b"a [kPa]\n" + b"x" * 200_000, b'a,b\n1,"' + b"x\n" * 100_000,
     b"a,b\n" + b'"' * 60_001 + b",1\n", b"a" * 140_000 + b",b\n1,2\n",
     b"a,b\n1,2\n" * 5 + b"1" * 140_000 + b",2\n"],
)  # fmt: skip
def test_long_cells_and_open_quotes(content):
    with pytest.raises(TableError) as caught:
        read_csv("x.csv", content)
    assert caught.value.hint


# TOML.


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 100_000, "x = " + "[" * 13 + "]" * 13, "x = " + "{a=" * 50_000,
        ".".join("a" * 1_000_000) + " = 1", "[" + ".".join("a" * 30_000) + "]",
        " . ".join(["'a'"] * 20_000) + " = 1", '"a".' * 5_000 + "a = 1",
        "x = 0x" + "f" * 60_000, "x = " + "9" * 60_000, "x = 1e" + "9" * 1000 + "\nx.y = 1",
        "x = 99999999999999999999", "x = 2026-99-99", "x = 0000-00-00", "x = 25:61:61",
        "k" * 70_000 + " = 1", 'x = "\\u001b[2J"', '"\\u001b[2J" = 1', 'x = ["a", {b = "\\u0007"}]',
        'x = "\\u0000"', 'x = "\\uD800"', "x = '''" + "\n" * 100, "\ufeff\ufeffx = 1", "x = 1\x00",
        "\n".join(f"k{n} = {n}" for n in range(150_000)), "[a]\n[a]", "a = 1\na = 2",
        "[a]\nb.c = 1\n[a.b]\n", "a" * 10 + ".b" * 45 + " = 1",
    ],
)  # fmt: skip
def test_toml_bombs(text):
    start = time.perf_counter()
    with pytest.raises(TomlError) as caught:
        parse_toml(text.encode("utf-8", "surrogatepass"))
    assert time.perf_counter() - start < SECONDS / 2
    assert caught.value.what
    assert caught.value.hint
    print(f"{caught.value.place[:60]}: {caught.value.what[:160]}. {caught.value.hint}")


def test_toml_that_a_person_writes_is_read():
    text = 'a.b.c = "x. y. z. 1.2.3.4"\nd = """two\nlines\t."""\ne = ["' + "..." * 500 + '"]\n'
    assert parse_toml(text.encode())["a"]["b"]["c"].startswith("x.")


@pytest.mark.parametrize("key", ["instrument", "deviation", "concession", "record"])
def test_a_flood_of_entries_is_refused_in_time_and_in_few_words(case, key):
    with (case / "case.toml").open("a") as file:
        file.write(f"\n[[{key}]]\n" * 20_000)
    said = refusal(case)
    assert len(said) < 10**6


# Workbooks.

SHEETS = [f"xl/worksheets/sheet{n}.xml".encode() for n in range(1, 4)]


WORKBOOKS = {
    "honest": ([(name, 3500, 3500) for name in SHEETS], "unpacks to 10500 MiB or more"),
    "lying": ([(name, 3500, 0) for name in SHEETS], "unpacks to 256 MiB or more"),
    "shared strings": ([(b"xl/sharedStrings.xml", 10_000, 0)], "unpacks to 256 MiB or more"),
    "many parts": ([(b"x%d.bin" % n, 16, 16) for n in range(640)], "unpacks to 10240 MiB or more"),
    "many lying parts": (
        [(b"x%d.bin" % n, 16, 0) for n in range(640)], "another size than its header states",
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """What `check` says of a case with each of these workbooks: one program with bounds for all."""
    folder = tmp_path_factory.mktemp("workbooks")
    for name, (parts, _) in WORKBOOKS.items():
        case = Path(shutil.copytree(INPUTS / "polder-pumps", folder / name))
        made = [(n, bombs.zeros(mib // 16 * 16), stated * 2**20) for n, mib, stated in parts]
        (case / "records" / "mp-c1.xlsx").write_bytes(bombs.archive(made))
        rename(case, "records/mp-c1.xlsx#S")
    calls = [("check", folder / name) for name in WORKBOOKS]
    return dict(zip(WORKBOOKS, bombs.each_limited(calls, 1536 * bombs.MIB, SECONDS), strict=True))


@pytest.mark.parametrize("name", WORKBOOKS)
def test_a_workbook_of_ten_gigabytes_when_unpacked(checked, name):
    code, said, took = checked[name]
    print(said)
    assert code == WRONG_INPUT
    assert WORKBOOKS[name][1] in said
    assert took < SECONDS


def refused_sheet(content):
    with pytest.raises(TableError) as caught:
        read_sheet("x.xlsx", content, "S")
    print(f"{caught.value.place}: {caught.value.what}. {caught.value.hint}")
    return caught.value.what


FAR = (
    lambda part: part.replace(b'r="B2"', b'r="XFD1048576"'),
    lambda part: part.replace(b'r="B2"', b"r='&#88;FD1048576'"),
    lambda part: part.replace(b'w r="2"', b'w r="1048576"').replace(b'"B2"', b'"ZZ1048576"'),
    lambda part: part.replace(b'"B2"', b'"ABCD2"').replace(b'<row r="2"', b'<row r="9999"'),
)


@pytest.mark.parametrize("edit", FAR)
def test_two_cells_a_world_apart(edit):
    assert "a sheet spans" in refused_sheet(bombs.rewritten(bombs.book(A1="x", B2=1), edit))


LAUGHS = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;">]>'
OUTSIDE = b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
ABROAD = b'<!DOCTYPE x SYSTEM "http://x.invalid/x.dtd">'


@pytest.mark.parametrize("start", [LAUGHS, OUTSIDE, ABROAD])
@pytest.mark.parametrize("name", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/styles.xml"])
def test_entities_that_grow_or_pull_in_files(start, name):
    book = bombs.book(A1="a [kPa]", A2=1)

    def edit(part):
        head, mark, rest = part.partition(b"?>")
        return head + mark + start + rest if mark else start + part

    assert "document type" in refused_sheet(bombs.rewritten(book, edit, name))


def test_archives_that_are_no_workbook():
    for content in (
        b"", b"PK", b"PK\x03\x04" + b"\0" * 100, b"\xd0\xcf\x11\xe0" + bombs.book(A1=1),
        bombs.archive([(b"content.xml", bombs.packed(b"<x/>"), 4)]),
        bombs.archive([(b"xl/workbook.bin", bombs.packed(b"x"), 1)]),
        bombs.archive([(b"a.xml", bombs.packed(b"<x/>"), 4)] * 2100),
        bombs.archive([(b"a.xml", bombs.packed(b"<x/>")[:-1], 4)]),
        bombs.archive([(b"../../evil.xml", bombs.packed(b"<x/>"), 4)]),
    ):  # fmt: skip
        refused_sheet(content)


def test_formulas_links_and_macros_are_not_run():
    """A formula counts by the value stored beside it; without one it is refused."""
    book = bombs.book(
        A1="flow [L/min]", B1="differential pressure [kPa]", A2=1, B2='=WEBSERVICE("http://x.invalid")',
        A3=2, B3="=1+1",
    )  # fmt: skip
    table = read_sheet("x.xlsx", book, "S")
    assert table.texts(table.columns[1]) == ["", ""]
    assert any("B2" in problem.place for problem in table.problems)
    value = b"<f>1+1</f><v>7</v>"
    stored = bombs.rewritten(
        book,
        lambda part: part.replace(b"<f>1+1</f><v />", value).replace(b"<f>1+1</f><v></v>", value),
    )
    assert read_sheet("x.xlsx", stored, "S").texts(table.columns[1]) == ["", "7"]


def test_control_characters_in_a_record_are_refused(case):
    path = case / "records" / "pd-c1.csv"
    text = path.read_text()
    for old, new in (("flow", "flow\x1b]0;x\x07"), ("#", "# \x1b[2J"), ("# ", "# \x9b31m")):
        path.write_text(text.replace(old, new, 1))
        if new not in path.read_text():
            path.write_text(new + "\n" + text)
        said = refusal(case)
        assert "control character" in said or "is not understood" in said
