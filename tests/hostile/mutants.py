"""Mutants of the demo cases: what is done to which file, and what must still hold afterwards.

Three kinds of mutant, by what the change means, not by what comes of it:

BROKEN   evidence is made invalid, goes missing or is garbled: bytes that are no text, cells that
         are no number, lost columns, rows, sheets and files, a unit of another dimension, a key of
         the wrong type, the same measurement twice.  Nothing may pass that the intact case does
         not pass, and the decision may not be better.
CHANGED  a readable statement becomes another readable statement: another digit, limit, date or
         label.  That is another measurement or another requirement, so a verdict may move either
         way; but nobody has signed it, so no sign-off holds.
SIGNED   only signoff.toml is touched.  Verdicts stay, and the sign-offs hold only where every one
         of them still names its role and the digest that was signed.
"""

import random
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tests.hostile import tables
from tests.spelled import INPUTS

CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")
BROKEN, CHANGED, SIGNED = "broken", "changed", "signed"

Files = Mapping[str, bytes]
LINE = re.compile(r"^(\w+) *= *(.+?)(\s+#.*)?$")
NUMBER = re.compile(r'"([<>]? ?)(-?[0-9][0-9.]*)( [^"]+)"')
UNITS = {
    "pressure": ("kPa", "psi", "bar", "Pa", "MPa"),
    "flow": ("L/min", "mL/min", "m3/h", "L/h"),
    "time": ("h", "min", "s", "d"),
    "volume": ("L", "mL", "m3"),
    "concentration": ("mg/L", "g/L", "kg/m3"),
    "temperature": ("degC", "K", "degF"),
    "mass": ("g", "mg", "kg"),
    "rate": ("g/h", "mg/h"),
    "count": ("1/mL", "1/L"),
    "share": ("%",),
    "viscosity": ("mm2/s", "m2/s"),
    "density": ("kg/L", "g/L"),
    "size": ("um(c)",),
}
ODD = ("true", "42", "-1", "3.5", '"text"', "[]", "{}", "[1, 2]", "1979-05-27", "nan", "inf", '""',
       "1e999", "07:32:00", "[[]]", "9" * 30, "-0.0",
       '"\\u0000"', '"\\u001b[31m"', "1979-05-27T07:32:00Z")  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change to a case."""

    case: str
    operator: str
    kind: str
    told: str
    """What was done, for a report."""
    files: Mapping[str, bytes | None]
    """Name below the case folder -> new content, None for a file that is taken away."""


Operator = Callable[[random.Random, Files], tuple[str, str, dict[str, bytes | None]] | None]
OPERATORS: dict[str, tuple[int, Operator]] = {}
"""Name -> weight and function; the function returns kind, words and files, or None."""


def operator(weight: int) -> Callable[[Operator], Operator]:
    def register(function: Operator) -> Operator:
        OPERATORS[function.__name__.replace("_", " ")] = (weight, function)
        return function

    return register


def intact_files(case: str) -> dict[str, bytes]:
    folder = INPUTS / case
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def mutant(case: str, files: Files, seed: int) -> Mutant:
    """Return the mutant of that number: the same for the same seed.

    A changed application goes with the request on file, which would refuse it unread.
    """
    rng = random.Random(f"{case} {seed}")
    names = list(OPERATORS)
    weights = [OPERATORS[name][0] for name in names]
    while True:
        name = rng.choices(names, weights)[0]
        made = OPERATORS[name][1](rng, files)
        if made is not None and any(files.get(k) != v for k, v in made[2].items()):
            off_file = {"requested.toml": None} if "application.toml" in made[2] else {}
            return Mutant(case, name, *made[:2], off_file | made[2])


def _pick(rng: random.Random, files: Files, *suffixes: str) -> str | None:
    names = [n for n in files if n.endswith(suffixes) and n != "signoff.toml"]
    return rng.choice(names) if names else None


# Bytes, whatever the file holds.


@operator(6)
def bytes_that_are_no_text(rng, files):
    name = rng.choice([n for n in files if n != "signoff.toml"])
    content = bytearray(files[name])
    for _ in range(rng.choice((1, 1, 3, 20))):
        content[rng.randrange(len(content))] = rng.choice((0, 1, 7, 27, 127, 128, 192, 254, 255))
    return BROKEN, name, {name: bytes(content)}


@operator(4)
def bits_flipped_in_a_workbook(rng, files):
    name = _pick(rng, files, ".xlsx")
    if name is None:
        return None
    content = bytearray(files[name])
    for _ in range(rng.choice((1, 1, 2, 8))):
        content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    return BROKEN, name, {name: bytes(content)}


@operator(6)
def characters_exchanged(rng, files):
    name = _pick(rng, files, ".toml", ".csv")
    content = bytearray(files[name])
    for _ in range(rng.choice((1, 1, 2, 5))):
        content[rng.randrange(len(content))] = rng.randrange(32, 127)
    return CHANGED, name, {name: bytes(content)}


@operator(5)
def bytes_deleted(rng, files):
    name = rng.choice([n for n in files if n != "signoff.toml"])
    content = files[name]
    start, length = rng.randrange(len(content)), rng.choice((1, 2, 5, 40, 400))
    kind = BROKEN if name.endswith(".xlsx") else CHANGED
    return kind, f"{name} at {start}", {name: content[:start] + content[start + length :]}


@operator(5)
def bytes_inserted(rng, files):
    name = rng.choice([n for n in files if n != "signoff.toml"])
    content = files[name]
    start = rng.randrange(len(content))
    new = rng.choice(
        (b"0", b"\n", b",", b";", b'"', b"[", b"#", b"=", b" " * 80, b"e9", b"-", b"'''")
    )
    kind = BROKEN if name.endswith(".xlsx") else CHANGED
    return kind, f"{name} at {start}: {new!r}", {name: content[:start] + new + content[start:]}


@operator(4)
def cut_off(rng, files):
    name = rng.choice([n for n in files if n != "signoff.toml"])
    content = files[name]
    kind = CHANGED if name == "application.toml" else BROKEN  # fewer requirements are asked
    return kind, name, {name: content[: rng.randrange(len(content))]}


@operator(3)
def another_encoding(rng, files):
    name = _pick(rng, files, ".toml", ".csv")
    text = files[name].decode()
    code = rng.choice(("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp500", "utf-7"))
    if rng.random() < 0.3:
        return (
            BROKEN,
            f"{name} latin-1",
            {name: ("# Prüfung\n" + text).encode("latin-1", "replace")},
        )
    return BROKEN, f"{name} {code}", {name: text.encode(code)}


@operator(3)
def a_file_gone_emptied_or_exchanged(rng, files):
    name = _pick(rng, files, ".toml", ".csv", ".xlsx")
    how = rng.choice(("gone", "empty", "blank", "other kind", "copy"))
    other = rng.choice([n for n in files if n != name])
    new = {
        "gone": None,
        "empty": b"",
        "blank": b"\n \n\n",
        "other kind": b"PK\x03\x04 not",
        "copy": files[other],
    }
    return BROKEN, f"{name} {how}", {name: new[how]}


# The two case files, line by line.


def _lines(content):
    """Return the lines of a TOML file with the number of each that is `key = value`."""
    lines = content.decode().split("\n")
    return lines, [k for k, line in enumerate(lines) if LINE.match(line)]


PLAN = (
    "specimens",
    "size_calibration",
    "path",
    "application",
    "replaces",
    "rule",
    "effect",
    "seed",
)
"""Keys of case.toml that say what is meant, not what was found: without them it means another."""


def _kind(name, line):
    return CHANGED if name == "application.toml" or line.split(" ")[0] in PLAN else BROKEN


@operator(9)
def a_line_dropped(rng, files):
    name = rng.choice(("case.toml", "case.toml", "application.toml"))
    lines, _ = _lines(files[name])
    # Blank lines and comments state nothing, and sign-offs are bound to what a file states.
    k = rng.choice([k for k, line in enumerate(lines) if line.strip() and line[0] != "#"])
    kind = _kind(name, lines[k])
    if lines[k].startswith("["):
        kind = CHANGED  # what follows may become part of something else
    return kind, f"{name}: {lines[k][:50]}", _joined(name, lines[:k] + lines[k + 1 :])


@operator(5)
def a_key_renamed(rng, files):
    name = rng.choice(("case.toml", "application.toml"))
    lines, keys = _lines(files[name])
    k = rng.choice(keys)
    key = lines[k].split(" ")[0]
    new = rng.choice(
        (key + "s", key.upper(), key[:-1] or "x", '"<b>"', '"a\\u001b[2J"', "'../x'", "x" * 5000)
    )
    told = f"{name}: {key} -> {new[:20]}"
    return (
        _kind(name, lines[k]),
        told,
        _joined(name, [*lines[:k], new + lines[k][len(key) :], *lines[k + 1 :]]),
    )


@operator(3)
def a_key_doubled(rng, files):
    name = rng.choice(("case.toml", "application.toml"))
    lines, keys = _lines(files[name])
    k = rng.choice(keys)
    return BROKEN, f"{name}: {lines[k][:40]}", _joined(name, lines[: k + 1] + lines[k:])


@operator(3)
def a_block_doubled(rng, files):
    name = rng.choice(("case.toml", "application.toml"))
    blocks = re.split(r"(?m)^(?=\[\[)", files[name].decode())
    k = rng.randrange(1, len(blocks))
    kind = CHANGED if blocks[k].startswith(("[[deviation", "[[concession")) else BROKEN
    return (
        kind,
        f"{name}: {blocks[k][:30]!r}",
        {name: "".join([*blocks, "\n" + blocks[k]]).encode()},
    )


@operator(3)
def a_block_dropped(rng, files):
    name = rng.choice(("case.toml", "case.toml", "application.toml"))
    blocks = re.split(r"(?m)^(?=\[\[)", files[name].decode())
    k = rng.randrange(1, len(blocks))
    kind = CHANGED if name == "application.toml" else BROKEN
    return (
        kind,
        f"{name}: {blocks[k][:30]!r}",
        {name: "".join(blocks[:k] + blocks[k + 1 :]).encode()},
    )


@operator(10)
def a_value_of_another_type(rng, files):
    name = rng.choice(("case.toml", "case.toml", "application.toml"))
    lines, keys = _lines(files[name])
    k = rng.choice(keys)
    key, old, _ = LINE.match(lines[k]).groups()
    new = rng.choice(ODD)
    kind = CHANGED if _type(old) is _type(new) or name == "application.toml" else BROKEN
    if key in PLAN:
        kind = CHANGED
    return (
        kind,
        f"{name}: {key} = {new[:30]}",
        _joined(name, [*lines[:k], f"{key} = {new}", *lines[k + 1 :]]),
    )


def _type(text):
    try:
        return type(tomllib.loads(f"x = {text}")["x"])
    except ValueError:
        return None


@operator(9)
def a_number_that_cannot_be(rng, files):
    name = rng.choice(("case.toml", "case.toml", "application.toml"))
    lines, keys = _lines(files[name])
    places = [(k, m) for k in keys for m in NUMBER.finditer(lines[k])]
    k, match = rng.choice(places)
    sign, value, unit = match.groups()
    new = rng.choice(
        (
            "nan",
            "inf",
            "-inf",
            "1e400",
            f"-{value}",
            "1e300",
            "0",
            "1e-300",
            "9" * 400,
            "٣",
            "1_000",
            "0x10",
        )
    )
    readable = name == "application.toml" or new in {"1e300", "0", "1e-300"} or " deg" in unit
    text = f'"{sign}{new}{unit}"'
    line = lines[k][: match.start()] + text + lines[k][match.end() :]
    told = f"{name}: {lines[k].split(' ')[0]} {value} -> {new[:12]}"
    return CHANGED if readable else BROKEN, told, _joined(name, [*lines[:k], line, *lines[k + 1 :]])


@operator(7)
def a_wrong_unit(rng, files):
    name = rng.choice(("case.toml", "case.toml", "application.toml"))
    lines, keys = _lines(files[name])
    places = [(k, m) for k in keys for m in NUMBER.finditer(lines[k]) if _dimension(m[3][1:])]
    k, match = rng.choice(places)
    old = match[3][1:]
    dimension = rng.choice(list(UNITS))
    new = rng.choice(UNITS[dimension])
    kind = CHANGED if dimension == _dimension(old) or name == "application.toml" else BROKEN
    line = lines[k][: match.start(3)] + f" {new}" + lines[k][match.end(3) :]
    told = f"{name}: {lines[k].split(' ')[0]} {old} -> {new}"
    return kind, told, _joined(name, [*lines[:k], line, *lines[k + 1 :]])


def _dimension(unit):
    return next((name for name, units in UNITS.items() if unit in units), None)


@operator(5)
def a_date_moved(rng, files):
    name = rng.choice(("case.toml", "application.toml"))
    text = files[name].decode()
    match = rng.choice(list(re.finditer(r"(?<== )\d{4}-\d\d-\d\d", text)))
    new = rng.choice(
        (
            "2026-02-30",
            "0001-01-01",
            "9999-12-31",
            "2024-02-29",
            "2027-06-30",
            "2026-02-01",
            "2025-12-31",
        )
    )
    return (
        CHANGED,
        f"{name}: {match[0]} -> {new}",
        {name: (text[: match.start()] + new + text[match.end() :]).encode()},
    )


@operator(2)
def calibrations_that_ended_before_the_tests(rng, files):
    text = files["case.toml"].decode()
    blocks = re.split(r"(?m)^(?=\[\[)", text)
    places = [k for k, block in enumerate(blocks) if block.startswith("[[instrument]]")]
    for k in rng.sample(places, rng.randint(1, len(places))):
        blocks[k] = re.sub(r"calibrated = \S+", "calibrated = 2019-01-02", blocks[k])
        blocks[k] = re.sub(r"due = \S+", "due = 2020-01-01", blocks[k])
    return BROKEN, "", {"case.toml": "".join(blocks).encode()}


@operator(4)
def records_exchanged_between_the_filters(rng, files):
    text = files["case.toml"].decode()
    blocks = re.split(r"(?m)^(?=\[\[)", text)
    records = [k for k, block in enumerate(blocks) if block.startswith("[[record]]")]
    one, other = rng.sample(records, 2)
    key = rng.choice(("file", "filter", "specimen"))
    values = [re.search(rf"(?m)^{key} = .*$", blocks[k]) for k in (one, other)]
    if None in values:
        return None
    for k, new in ((one, values[1][0]), (other, values[0][0])):
        blocks[k] = re.sub(rf"(?m)^{key} = .*$", new, blocks[k])
    return (
        CHANGED,
        f"{key}: {values[0][0]} / {values[1][0]}",
        {"case.toml": "".join(blocks).encode()},
    )


@operator(5)
def nests_and_floods(rng, files):
    name = rng.choice(("case.toml", "application.toml"))
    what, text = rng.choice(FLOODS)
    old = files[name].decode()
    new = f"{text}\n{old}" if rng.random() < 0.6 else f"{old}\n{text}\n"
    return BROKEN, f"{name}: {what}", {name: new.encode()}


FLOODS = (
    ("arrays 50 deep", "x = " + "[" * 50 + "]" * 50),
    ("arrays 5000 deep", "x = " + "[" * 5000 + "]" * 5000),
    ("tables 5000 deep", "x = " + "{a=" * 5000 + "1" + "}" * 5000),
    ("a key of 20000 parts", ".".join("a" * 20_000) + " = 1"),
    ("a table name of 5000 parts", "[" + ".".join("a" * 5000) + "]"),
    ("a long word", f'notes = "{"x" * 300_000}"'),
    ("a long key", "k" * 100_000 + " = 1"),
    ("a number of 10000 digits", "x = " + "9" * 10_000),
    ("a hexadecimal of 20000 digits", "revision = 0x" + "f" * 20_000),
    ("many keys", "\n".join(f"k{n} = 1" for n in range(20_000))),
    ("many tables", "\n".join(f"[[fluid]]\nid = {n}" for n in range(20_000))),
    ("control characters", 'title = "\\u0000\\u001b[2J\\u0007\\u009b31m"'),
    ("turned text", 'purpose = "\u202eabc\u2066"'),
    ("a lone half of a pair", 'purpose = "\\ud800"'),
    ("a date out of range", "issued = 2026-13-45"),
    ("an open string", 'x = """' + "a\n" * 1000),
)


def _joined(name, lines):
    return {name: "\n".join(lines).encode()}


# Tables, cell by cell.

NO_VALUES = (
    "NaN", "inf", "-inf", "1e400", "=1+1", "@x", "abc", "--5", "1.2.3", "", "#DIV/0!", "<script>",
    "\x1b[2J", "9" * 400, "5 kPa", "0x1F", "1 000.5", "True", "é", "５", "-5", "1e",
)  # fmt: skip
NO_NAMES = (
    "", "<img src=x>", "\x1b]0;x\x07", "=1+1", "a" * 9000, "upstream 10 um(c)", "[kPa]",
)  # fmt: skip


def _table(rng, files):
    """Return name, sheet and rows of any table of the case."""
    names = [(n, s) for n in files for s in tables.sheets(n, files[n])]
    name, sheet = rng.choice(names)
    return name, sheet, tables.rows(name, files[name], sheet)


def _put(files, name, sheet, rows):
    return {name: tables.with_rows(name, files[name], sheet, rows)}


@operator(14)
def a_cell_that_is_no_value(rng, files):
    name, sheet, rows = _table(rng, files)
    r, c = rng.randrange(1, len(rows)), rng.randrange(len(rows[0]))
    if not tables.number(rows[r][c]):
        return None
    new = rng.choice(NO_VALUES)
    if new == "-5" and "temperature" in str(rows[0][c]):
        return None
    rows[r][c] = new
    return (
        BROKEN,
        f"{name} {sheet} row {r} {rows[0][c]}: {new[:20]!r}",
        _put(files, name, sheet, rows),
    )


@operator(3)
def a_cell_of_another_size(rng, files):
    name, sheet, rows = _table(rng, files)
    r, c = rng.randrange(1, len(rows)), rng.randrange(len(rows[0]))
    if not tables.number(rows[r][c]):
        return None
    new = rng.choice(("1e300", "0", "1e-300", "123456789", "1e12"))
    rows[r][c] = new
    return CHANGED, f"{name} {sheet} row {r} {rows[0][c]}: {new}", _put(files, name, sheet, rows)


@operator(6)
def a_column_dropped_or_emptied(rng, files):
    name, sheet, rows = _table(rng, files)
    c = rng.randrange(len(rows[0]))
    told = f"{name} {sheet} {rows[0][c]}"
    if rng.random() < 0.5:
        return (
            BROKEN,
            f"{told} dropped",
            _put(files, name, sheet, [r[:c] + r[c + 1 :] for r in rows]),
        )
    share = rng.choice((0.1, 0.5, 1.0))
    for row in rows[1:]:
        if rng.random() < share:
            row[c] = ""
    return BROKEN, f"{told} emptied {share}", _put(files, name, sheet, rows)


@operator(5)
def a_column_under_another_name(rng, files):
    name, sheet, rows = _table(rng, files)
    c = rng.randrange(len(rows[0]))
    old = str(rows[0][c])
    new = rng.choice(
        (
            old + "x",
            old.replace("[", "("),
            str(rows[0][c - 1]),
            old.replace("um(c)", "um"),
            *NO_NAMES,
        )
    )
    rows[0][c] = new
    return BROKEN, f"{name} {sheet}: {old} -> {new[:30]!r}", _put(files, name, sheet, rows)


@operator(5)
def a_column_in_another_unit(rng, files):
    name, sheet, rows = _table(rng, files)
    places = [c for c, h in enumerate(rows[0]) if _dimension(_unit(h))]
    if not places:
        return None
    c = rng.choice(places)
    dimension = rng.choice(list(UNITS))
    new = rng.choice(UNITS[dimension])
    kind = CHANGED if dimension == _dimension(_unit(rows[0][c])) else BROKEN
    told = f"{name} {sheet}: {rows[0][c]} -> {new}"
    rows[0][c] = re.sub(r"\[[^\]]*\]", f"[{new}]", str(rows[0][c]))
    return kind, told, _put(files, name, sheet, rows)


def _unit(heading):
    found = re.search(r"\[([^\]]*)\]", str(heading))
    return found[1] if found else ""


@operator(5)
def columns_exchanged(rng, files):
    name, sheet, rows = _table(rng, files)
    if len(rows[0]) < 2:
        return None
    counts = [c for c, h in enumerate(rows[0]) if str(h).startswith(("upstream", "downstream"))]
    pick = counts if counts and rng.random() < 0.7 else range(len(rows[0]))
    a, b = rng.sample(list(pick), 2)
    kind = BROKEN if pick is counts else CHANGED
    told = f"{name} {sheet}: {rows[0][a]} <-> {rows[0][b]}"
    rows[0][a], rows[0][b] = rows[0][b], rows[0][a]
    return kind, told, _put(files, name, sheet, rows)


@operator(8)
def rows_shuffled_doubled_or_lost(rng, files):
    name, sheet, rows = _table(rng, files)
    head, body = rows[:1], rows[1:]
    how = rng.choice(
        (
            "shuffled",
            "one doubled",
            "all doubled",
            "first half",
            "last half",
            "one",
            "none",
            "every second",
        )
    )
    k = rng.randrange(len(body))
    half = len(body) // 2
    new = {
        "shuffled": rng.sample(body, len(body)), "one doubled": [*body[:k], body[k], *body[k:]],
        "all doubled": body + body, "first half": body[:half], "last half": body[half:],
        "one": body[k : k + 1], "none": [], "every second": body[::2],
    }  # fmt: skip
    return BROKEN, f"{name} {sheet} {how}", _put(files, name, sheet, head + new[how])


@operator(3)
def rows_of_another_width(rng, files):
    name, sheet, rows = _table(rng, files)
    r = rng.randrange(len(rows))
    how = rng.choice(("longer", "shorter", "very long", "remark"))
    rows[r] = {
        "longer": [*rows[r], "1"], "shorter": rows[r][:-1], "very long": [*rows[r], *["1"] * 3000],
        "remark": ["# " + str(rows[r][0]), *rows[r][1:]],
    }[how]  # fmt: skip
    return BROKEN, f"{name} {sheet} row {r} {how}", _put(files, name, sheet, rows)


@operator(2)
def two_records_exchanged(rng, files):
    names = [n for n in files if n.endswith(".csv")]
    if len(names) < 2:
        return None
    one, other = rng.sample(names, 2)
    return CHANGED, f"{one} <-> {other}", {one: files[other], other: files[one]}


@operator(2)
def separators_and_marks(rng, files):
    name = _pick(rng, files, ".csv")
    if name is None:
        return None
    old, new = rng.choice(
        ((",", ";"), (",", "\t"), (".", ","), (";", ","), ("\n", "\r"), (",", ", "), (",", "|"))
    )
    return (
        BROKEN,
        f"{name} {old!r} -> {new!r}",
        {name: files[name].decode().replace(old, new).encode()},
    )


@operator(3)
def a_sheet_gone_or_renamed(rng, files):
    name = _pick(rng, files, ".xlsx")
    if name is None:
        return None
    how = rng.choice(("gone", "renamed", "hidden"))
    sheet = rng.choice(tables.sheets(name, files[name]))
    return BROKEN, f"{name} {sheet} {how}", {name: tables.without_sheet(files[name], sheet, how)}


# The sign-offs.


@operator(9)
def the_sign_offs(rng, files):
    text = files["signoff.toml"].decode()
    how = rng.choice(tuple(SIGN_OFFS))
    return SIGNED, how, {"signoff.toml": SIGN_OFFS[how](rng, text)}


def _flip(rng, text):
    content = bytearray(text.encode())
    content[rng.randrange(len(content))] = rng.randrange(256)
    return bytes(content)


def _retyped(rng, text):
    """Give one key a value of another type."""
    key, new = rng.choice(("name", "date", "role", "digest", "meaning")), rng.choice(ODD)
    return re.sub(
        rf"(?m)^{key} = .*$", lambda _: f"{key} = {new}", text, count=rng.randint(1, 3)
    ).encode()


def _blocks(text):
    return re.split(r"(?m)^(?=\[\[)", text)


SIGN_OFFS: dict[str, Callable[[random.Random, str], bytes]] = {
    "a byte": _flip,
    "a digest": lambda rng, t: re.sub(
        r"[0-9a-f]{64}", f"{rng.getrandbits(256):064x}", t, count=1
    ).encode(),
    "an early date": lambda rng, t: re.sub(
        r"date = \S+", "date = 2001-01-01", t, count=rng.randint(1, 3)
    ).encode(),
    "one gone": lambda rng, t: "".join(
        b for k, b in enumerate(_blocks(t)) if k != rng.randint(1, 3)
    ).encode(),
    "one twice": lambda rng, t: (t + "\n" + _blocks(t)[rng.randint(1, 3)]).encode(),
    "one person": lambda rng, t: re.sub(r'name = ".*"', 'name = "The Same (invented)"', t).encode(),
    "roles exchanged": lambda rng, t: (
        t.replace('"prepared"', '"x"').replace('"approved"', '"prepared"').encode()
    ),
    "another type": lambda rng, t: _retyped(rng, t),
    "cut off": lambda rng, t: t[: rng.randrange(len(t))].encode(),
    "another case's": lambda rng, t: (INPUTS / rng.choice(CASES) / "signoff.toml").read_bytes(),
    "script in a name": lambda rng, t: re.sub(
        r'name = ".*"', 'name = "<script>1</script>\\\\u001b[2J"', t, count=1
    ).encode(),
}
