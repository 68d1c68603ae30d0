"""Tests that are not comparable, and figures made to look better known than they are."""

import re
from collections.abc import Callable
from pathlib import Path

from dossier.case.read import read_case_files
from dossier.evidence.records.reduced import reduce_pressure_drop
from tests.hostile import gate_rows
from tests.hostile.gate_rows import Change, Row, all_of

Swap = tuple[str, str | Callable[[re.Match[str]], str]]
"""Pattern, and what takes its place."""


def edit(name: str, old: str, new: str, times: int = 1) -> Change:
    """Return what puts `new` in the place of `old` in a file."""
    return gate_rows.edit(name, (old, new), times=times)


def records(prefix: str, *swaps: Swap) -> Change:
    """Return what changes the entries of the records whose id begins with `prefix`."""

    def change(folder: Path) -> None:
        blocks = re.split(r"(?=^\[\[)", (folder / "case.toml").read_text(), flags=re.MULTILINE)
        for place, block in enumerate(blocks):
            if block.startswith(f'[[record]]\nid = "{prefix}'):
                for old, new in swaps:
                    assert re.search(old, block), (prefix, old)
                    block = re.sub(old, new, block)
                blocks[place] = block
        (folder / "case.toml").write_text("".join(blocks))

    return change


def requirement(name: str, *swaps: Swap) -> Change:
    """Return what changes one requirement."""

    def change(folder: Path) -> None:
        text = (folder / "application.toml").read_text()
        blocks = re.split(r"(?=^\[\[)", text, flags=re.MULTILINE)
        for place, block in enumerate(blocks):
            if block.startswith(f'[[requirement]]\nid = "{name}"'):
                for old, new in swaps:
                    assert re.search(old, block), (name, old)
                    block = re.sub(old, new, block)
                blocks[place] = block
        (folder / "application.toml").write_text("".join(blocks))

    return change


def column(pattern: str, name: str, value: Callable[[float], float]) -> Change:
    """Return what recomputes one column of the tables that `pattern` names."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "records").glob(pattern)):
            lines = path.read_text().splitlines()
            head = next(k for k, line in enumerate(lines) if not line.startswith("#"))
            mark, point = (";", ",") if ";" in lines[head] else (",", ".")
            at = next(k for k, c in enumerate(lines[head].split(mark)) if c.startswith(name))
            for k in range(head + 1, len(lines)):
                cells = lines[k].split(mark)
                if not lines[k].startswith("#") and cells[at]:
                    found = value(float(cells[at].replace(point, ".")))
                    cells[at] = f"{found:.6g}".replace(".", point)
                    lines[k] = mark.join(cells)
            path.write_text("\n".join(lines) + "\n")

    return change


def rows_kept(pattern: str, keep: Callable[[list[str]], bool]) -> Change:
    """Return what drops rows of the tables that `pattern` names."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "records").glob(pattern)):
            lines = path.read_text().splitlines()
            kept = [x for x in lines if not x[:1].isdigit() or keep(x.split(","))]
            path.write_text("\n".join(kept) + "\n")

    return change


def injected_at(prefix: str, factor: float) -> Change:
    """Return what multiplies both injection levels of the records of a prefix."""
    level = r'(start|end) = \{ value = "(\d+) mg/L"'
    return records(
        prefix, (level, lambda m: f'{m[1]} = {{ value = "{factor * float(m[2]):.0f} mg/L"')
    )


def reproducibility(**keys: str) -> Change:
    """Return what states a reproducibility."""
    made = {"method": "ISO 4548-12:2017", "quantity": "retained_capacity", "u": "5 %",
            "source": "interlaboratory study of 2024 (invented)"} | keys  # fmt: skip
    table = "\n".join(f'{key} = "{value}"' for key, value in made.items())

    def change(folder: Path) -> None:
        path = folder / "case.toml"
        path.write_text(path.read_text() + f"\n[[reproducibility]]\n{table}\n")

    return change


def copied(source: str, target: str, factor: float) -> Change:
    """Return what takes the differential pressures of a record from another, times a factor."""

    def change(folder: Path) -> None:
        found = iter(_pressures(folder / "records" / source))
        column(target, "differential", lambda own: round(factor * next(found, own / factor), 2))(
            folder
        )

    return change


def _pressures(path: Path) -> list[float]:
    rows = [r for r in path.read_text().splitlines() if not r.startswith("#")]
    at = next(k for k, name in enumerate(rows[0].split(",")) if name.startswith("differential"))
    return [float(row.split(",")[at]) for row in rows[1:]]


def valve_again(folder: Path) -> None:
    """Put the rows of the first specimen's valve in the place of the second's."""
    path = folder / "records/bv-c.csv"
    rows = [row for row in path.read_text().splitlines() if not row.endswith(",C2")]
    again = [f"{row[:-1]}2" for row in rows if row.endswith(",C1")]
    path.write_text("\n".join([*rows, *again]) + "\n")


def swapped(folder: Path) -> None:
    """Hand in the filter now fitted as the candidate, and the candidate as the one fitted."""
    path = folder / "case.toml"
    turned = {"candidate": "reference", "reference": "candidate", "C": "R", "R": "C"}
    text = re.sub(r'filter = "(\w+)"', lambda m: f'filter = "{turned[m[1]]}"', path.read_text())
    text = re.sub(r'specimen = "([CR])', lambda m: f'specimen = "{turned[m[1]]}', text)
    named = r"(?<=-)([cr])(?=\d[.]csv)"  # no file bears the name of another specimen
    path.write_text(re.sub(named, r"of-\1-", text))
    for file in (folder / "records").iterdir():
        file.rename(file.with_name(re.sub(named, r"of-\1-", file.name)))


OTHER_HOUSE = """[[laboratory]]
id = "OTH"
name = "Other Test House (invented)"
methods = ["ISO 4548-12:2017", "ISO 4548-1:1997"]

[[laboratory]]
id = "ITH"
"""
SECOND_METER = """[[instrument]]
id = "FM-19"
kind = "injection flow meter"
calibrated = 2026-01-15
due = 2027-01-14
certificate = "ITH-26-0215 (invented)"
reading_u = "1 %"
measures = ["injection flow"]

[[instrument]]
id = "FM-09"
"""
OTHER_LAB = edit("case.toml", '[[laboratory]]\nid = "ITH"\n', OTHER_HOUSE)
MOVED = (r'laboratory = "ITH"', 'laboratory = "OTH"')
PUMPS = "polder-pumps"


def exchanged(folder: Path) -> None:
    for number in "123":
        one, other = (folder / f"records/pd-{side}{number}.csv" for side in "cr")
        texts = one.read_text(), other.read_text()
        one.write_text(texts[1].replace(f"R{number}", f"C{number}"))
        other.write_text(texts[0].replace(f"C{number}", f"R{number}"))


def by_the_law(folder: Path) -> None:
    """Write each pressure as the fit of its own sweep gives it."""
    for record in read_case_files(folder).of_kind("pressure_drop", "candidate"):
        case = read_case_files(folder)
        found = reduce_pressure_drop(case, record)
        parts = found.assembly, found.housing
        rows = zip(found.housing_rows, found.flow, found.viscosity, found.density, strict=True)
        given = iter([parts[int(own)].at(*row) / 1e3 for own, *row in rows])
        column(f"{record.id.lower()}.csv", "differential", lambda _, given=given: next(given))(
            folder
        )


STATS = [
    Row(
        "reference at a lower flow",
        "tests the reference at nine tenths of the candidate's flow",
        PUMPS,
        all_of(
            records("MP-R", (r'flow = "80 L/min"', 'flow = "72 L/min"')),
            injected_at("MP-R", 0.9),
            column("mp-r*.csv", "flow", lambda flow: 0.9 * flow),
        ),
        r"C2: not demonstrated: ",
    ),
    Row(
        "reference to a lower terminal",
        "ends the reference's runs earlier, so that it holds less",
        PUMPS,
        records(
            "MP-R", (r'terminal_pressure_drop = "150 kPa"', 'terminal_pressure_drop = "120 kPa"')
        ),
        r"C2: not demonstrated: ",
    ),
    Row(
        "reference at a higher base level",
        "runs the reference with a fifth more dust upstream",
        PUMPS,
        all_of(
            injected_at("MP-R", 1.2),
            records("MP-R", (r"(dilution = )", r'base_level = "12 mg/L"\n\1')),
        ),
        r"C2: not demonstrated: ",
    ),
    Row(
        "reference with another dust",
        "loads the reference with a finer dust",
        PUMPS,
        records("MP-R", (r"12103-1 A3", "12103-1 A2")),
        r"counts of dust .* are not known here",
    ),
    Row(
        "one reference run with another dust",
        "mixes one unlike run among the reference's",
        PUMPS,
        records("MP-R2", (r"12103-1 A3", "12103-1 A4")),
        r"counts of dust .* are not known here",
    ),
    Row(
        "dust of the reference not stated",
        "leaves out what would not compare",
        PUMPS,
        records("MP-R", (r"dust = .*\n", "")),
        r"C2: not demonstrated: |dust",
    ),
    Row(
        "a percentage of a temperature",
        "asks for ten percent of a temperature in degrees",
        PUMPS,
        requirement("B2", (r'max = "50 degC"', 'not_worse_than_reference = "10 %"')),
        r"a\s+percentage of cold_bypass_temperature means nothing",
    ),
    Row(
        "a percentage of a margin",
        "asks for a share of a difference",
        PUMPS,
        requirement("B1", (r'min = "60 kPa"', 'not_worse_than_reference = "30 %"')),
        r"a\s+percentage of bypass_margin means nothing",
    ),
    Row(
        "a percentage of an efficiency",
        "asks for 95 % of an efficiency of 98 %, and lets two thirds more particles through",
        PUMPS,
        all_of(
            swapped,
            requirement("E1", (r'min = "95 %"', 'not_worse_than_reference = "5 %"')),
        ),
        r"E1: fail: .*",
    ),
    Row(
        "a percentage of the lowest efficiency",
        "the same at the worst moment of the test",
        PUMPS,
        all_of(
            swapped,
            requirement("E3", (r'min = "92 %"', 'not_worse_than_reference = "5 %"')),
        ),
        r"E3: fail: .*",
    ),
    Row(
        "reference in another laboratory",
        "has the reference tested where it turns out worse",
        PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED)),
        r"C2: fail: ",
    ),
    Row(
        "reference on another rig",
        "has the reference loaded by another injection system of the same laboratory",
        PUMPS,
        all_of(
            edit("case.toml", '[[instrument]]\nid = "FM-09"\n', SECOND_METER),
            records("MP-R", (r'"FM-09"', '"FM-19"')),
        ),
        r"C2: fail: ",
    ),
    Row(
        "reproducibility out of the air",
        "states that laboratories hardly differ, with no source to speak of",
        PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED), reproducibility(u="0.1 %", source="we know")),
        r"reproducibility number 1 . source",
    ),
    Row(
        "reproducibility of nothing",
        "states that laboratories do not differ",
        PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED), reproducibility(u="0 %")),
        r"u must lie between 0 % and 100 %",
    ),
    Row(
        "reproducibility of another method",
        "states that of a method that nobody used",
        PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED), reproducibility(method="ISO 16889:2022")),
        r"method 'ISO 16889:2022' is that of no record",
    ),
    Row(
        "two flows only",
        "sweeps at two flows, six rows of them",
        PUMPS,
        rows_kept("pd-c1.csv", lambda cells: round(float(cells[0]) / 16) in (2, 5)),
        r"PD-C1: number of flows: not met: 2 flows",
    ),
    Row(
        "five rows at two flows",
        "repeats two flows with hot oil",
        PUMPS,
        all_of(
            rows_kept(
                "pd-c1.csv",
                lambda cells: (
                    round(float(cells[0]) / 16) in (1, 2, 3, 4, 5, 6) and float(cells[2]) > 50
                ),
            ),
            column("pd-c1.csv", "flow", lambda flow: 32.0 if flow < 56 else 80.0),
        ),
        r"PD-C1: number of flows: not met: 2 flows",
    ),
    Row(
        "a gauge that reads low",
        "takes 4 kPa off every reading: little of the cold maximum, much of the hot limit",
        PUMPS,
        column("pd-c*.csv", "differential", lambda drop: max(0.2, drop - 4.0)),
        r"PD-C1: fit: not met",
    ),
    Row(
        "population between two limits",
        "judges each limit by itself, so that both tails may be left out",
        "chain-ferry",
        requirement("D3", (r'basis = "every_specimen"', 'basis = "population"\ncoverage = "95 %"')),
        r"D3: fail: ",
    ),
    Row(
        "viscosity known too well",
        "states a negative uncertainty",
        PUMPS,
        edit(
            "application.toml", 'kv40 = "110 mm2/s"', 'kv40 = { value = "110 mm2/s", u = "-1 %" }'
        ),
        r"an uncertainty is above zero",
    ),
    Row(
        "valve of the reference at another criterion",
        "lets the reference's valve count as shut at half the leakage",
        "chain-ferry",
        all_of(
            requirement("V2", (r'min = "[^"]*"', 'not_worse_than_reference = "5 %"')),
            records("BV-R", (r'criterion_flow = "1 L/min"', 'criterion_flow = "0.5 L/min"')),
        ),
        r"V2: not demonstrated: ",
    ),
    Row(
        "valve of the reference in thin oil",
        "sweeps the reference's valve warmer",
        "chain-ferry",
        all_of(
            requirement("V2", (r'min = "[^"]*"', 'not_worse_than_reference = "5 %"')),
            records("BV-R", (r'temperature = "74 degC"', 'temperature = "90 degC"')),
        ),
        r"V2: not demonstrated: ",
    ),
    Row(
        "collapse of the reference by another method",
        "has the reference collapsed by a procedure of the laboratory's own",
        "chain-ferry",
        all_of(
            requirement("M1", (r'min = "[^"]*"', 'not_worse_than_reference = "5 %"')),
            records("CO-R", (r"ISO 4548-3:1997", "agreed procedure (invented)")),
        ),
        r"M1: not demonstrated: ",
    ),
    # Accuracies, certificates, days and names that nobody could have.
    Row(
        "one instrument for everything",
        "certify one meter for all",
        "polder-pumps",
        all_of(
            edit(
                "case.toml",
                'measures = ["injection flow"]',
                'measures = ["injection flow", "flow", "differential pressure", "mass"]',
            ),
            records(
                "MP-", (r"instruments = .*", 'instruments = ["APC-21", "APC-22", "FM-09", "TH-06"]')
            ),
        ),
        "FM-09 measures .*: name the instrument of each",
    ),
    Row(
        "one certificate for two",
        "name one certificate twice",
        "polder-pumps",
        edit("case.toml", "ITH-25-1209 (downstream", "ITH-25-1208 (upstream"),
        "ITH-25-1208 .* is named for APC-21, APC-22",
    ),
    Row(
        "certificate to come",
        "name a year for a certificate",
        "polder-pumps",
        edit("case.toml", '"ITH-26-0114"', '"expected in 2026"'),
        "no certificate with a number: FM-04",
    ),
    Row(
        "percent as a fraction",
        "state 0.02 % for 2 %",
        "polder-pumps",
        edit("case.toml", 'size_u = "2 %"', 'size_u = "0.02 %"'),
        "size_u: is 0.0002 of the reading",
    ),
    Row(
        "no uncertainty at all",
        "state a viscosity without error",
        "polder-pumps",
        edit("case.toml", '"15 mm2/s", u = "0.5 %"', '"15 mm2/s", u = "0 %"'),
        "an uncertainty is above zero",
    ),
    Row(
        "coincidence limit in litres",
        "take a limit for one of a mL",
        "polder-pumps",
        edit("case.toml", '"20000 1/mL"', '"20000000 1/mL"'),
        "look at its unit in the certificate",
    ),
    Row(
        "sample flow left out",
        "say nothing of what was drawn",
        "polder-pumps",
        records("MP-C", (r"sample_flow = .*", "")),
        "no sample flow was stated",
    ),
    Row(
        "edition to come, agreed",
        "let somebody agree to it",
        "polder-pumps",
        all_of(
            edit("case.toml", '"ISO 4548-12:2017"', '"ISO 4548-12:2031"', 2),
            edit(
                "case.toml",
                "[[record]]",
                """[[deviation]]
record = "MP-C1"
rule = "known method"
text = "The coming edition of the method was followed."
effect = "none"
agreed_by = "Head of laboratory (invented)"
agreed = 2026-03-10

[[record]]""",
            ),
        ),
        "ISO 4548-12:2031 was not issued yet",
    ),
    Row(
        "review before the issue",
        "let the review lie in the past",
        "polder-pumps",
        edit("case.toml", "review_due = 2029", "review_due = 2025"),
        "before the date of issue",
    ),
    Row(
        "an instrument's double",
        "name it again by a letter alike",
        "polder-pumps",
        edit(
            "case.toml",
            "[[fluid]]",
            """[[instrument]]
id = "D\u0420-11"
kind = "differential pressure transmitter"
calibrated = 2026-02-01
due = 2027-01-31
certificate = "ITH-26-0199"

[[fluid]]""",
        ),
        "or what looks like it occurs 2 times",
    ),
    Row(
        "a specimen's double",
        "name it again in small letters",
        "polder-pumps",
        all_of(
            edit("case.toml", '"C1", "C2"', '"C1", "c1"'),
            records("MP-C2", ('"C2"', '"c1"')),
            records("PD-C2", ('"C2"', '"c1"')),
        ),
        "specimen 'c1': or what looks like it occurs 2 times",
    ),
    # Units off by a power of ten, limits on the wrong side.
    Row(
        "valve flow in millilitres",
        "divide the flows by a thousand",
        "polder-pumps",
        column("bv-c.csv", "flow", lambda value: value / 1000),
        "does not open up to",
    ),
    Row(
        "valve pressure in bar",
        "take bar for 10 kPa",
        "polder-pumps",
        column("bv-c.csv", "differential", lambda value: 10 * value),
        "opens at [0-9]+ kPa, wanted 160 to 200 kPa",
    ),
    Row(
        "collapse in bar",
        "take bar for 10 kPa",
        "chain-ferry",
        column("co-c.csv", "collapse", lambda value: 10 * value),
        "look at the unit of the column",
    ),
    Row(
        "limit on the wrong side",
        "ask for at most",
        "polder-pumps",
        requirement("E1", ('min = "95 %"', 'max = "95 %"')),
        "asks for the worse filter",
    ),
    Row(
        "limit as a fraction",
        "ask for 0.95 %",
        "polder-pumps",
        requirement("E1", ('min = "95 %"', 'min = "0.95 %"')),
        "must lie from 1 % to 100 %",
    ),
    # Readings that were not read.
    Row(
        "flow as set",
        "write the setting into every row",
        "polder-pumps",
        column("mp-c1.csv", "flow", lambda _: 80.0),
        "the rows say 80 L/min throughout",
    ),
    Row(
        "temperature as set",
        "write the setting into every row",
        "polder-pumps",
        column("mp-c1.csv", "temperature", lambda _: 40.0),
        "the rows say 40 °C throughout",
    ),
    Row(
        "sweep of another specimen",
        "multiply its pressures",
        "polder-pumps",
        copied("pd-c1.csv", "pd-c2.csv", 1.02),
        "pressures of specimen C[12] are those of specimen C[12]",
    ),
    Row(
        "loading of another specimen",
        "multiply its pressures",
        "polder-pumps",
        copied("mp-c1.csv", "mp-c2.csv", 1.01),
        "pressures of specimen C[12] are those of specimen C[12]",
    ),
    Row(
        "valve of another specimen",
        "write its rows again",
        "polder-pumps",
        valve_again,
        "are those of specimen C1",
    ),
    Row(
        "sweeps of the other filter",
        "exchange the files of both filters, and what they say of themselves",
        "polder-pumps",
        exchanged,
        "condition: clean pressure drop agrees .*mixed up",
    ),
    Row(
        "sweeps by their own fit",
        "print what the law gives for each row",
        "polder-pumps",
        by_the_law,
        "to every digit: computed, not read",
    ),
]
