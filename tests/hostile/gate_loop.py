"""Runs, counts and specimens changed as a careless or dishonest hand would change them."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
from openpyxl import load_workbook

from tests.hostile.gate_rows import Change, Row, all_of, edit

Table = tuple[list[str], np.ndarray]
BOTH = ("upstream", "downstream")
STEP = 0.4
"""One particle in these demo runs: 25 mL counted, diluted ten times [1/mL]."""


def read(path: Path) -> tuple[list[str], list[str], np.ndarray]:
    """Remarks, column names and values of a CSV record; NaN for an empty cell."""
    lines = path.read_text(encoding="utf-8").splitlines()
    remarks = [line for line in lines if line.startswith("#")]
    head, *rows = [line for line in lines if not line.startswith("#")]
    mark = ";" if ";" in head else ","
    cells = [[c.replace(",", ".") if mark == ";" else c for c in r.split(mark)] for r in rows]
    values = np.array([[float(c) if c else np.nan for c in row] for row in cells])
    return remarks, head.split(mark), values


def write(path: Path, remarks: list[str], head: list[str], values: np.ndarray) -> None:
    rows = [",".join("" if np.isnan(v) else f"{v:.10g}" for v in row) for row in values]
    text = "\n".join([*remarks, ",".join(head), *rows]) + "\n"
    path.write_text(text, encoding="utf-8")


def table(edit: Callable[[list[str], np.ndarray], Table], pattern: str = "mp-c1.csv") -> Change:
    """A change of the tables of some records: column names and values in, the same out."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "records").glob(pattern)):
            remarks, head, values = read(path)
            write(path, remarks, *edit(head, values))

    return change


def toml(*edits: tuple[str, str], file: str = "case.toml") -> Change:
    """Texts of a TOML file put in place of others, each wherever it stands."""
    return edit(file, *edits, times=-1)


def sides(head: list[str], side: str = "") -> np.ndarray:
    wanted = (side,) if side else BOTH
    return np.array([name.startswith(wanted) for name in head])


def times(factor: float, side: str = "", pattern: str = "mp-c1.csv", whole: bool = False) -> Change:
    """Counts of one side, or both, times a factor; `whole` keeps them whole particles."""

    def edit(head: list[str], values: np.ndarray) -> Table:
        scaled = values[:, sides(head, side)] * factor
        values[:, sides(head, side)] = np.rint(scaled / STEP) * STEP if whole else scaled
        return head, np.round(values, 6)

    return table(edit, pattern)


def first(old: str, new: str, after: str = 'id = "MP-C1"') -> Change:
    """A text of one record put in place of another."""

    def change(folder: Path) -> None:
        text = (folder / "case.toml").read_text(encoding="utf-8")
        start = text.index(after)
        assert old in text[start:], old
        text = text[:start] + text[start:].replace(old, new, 1)
        (folder / "case.toml").write_text(text, encoding="utf-8")

    return change


def relabelled(side: str, by: int) -> Change:
    """Counts of one side under the name of the next size; the size without counts goes."""

    def edit(head: list[str], values: np.ndarray) -> Table:
        sizes = [re.sub(r"^\w+ ", "", n) for n in head if n.startswith("upstream")]
        kept = sizes[1:] if by > 0 else sizes[:-1]
        moved = values.copy()
        for size in kept:
            for name in BOTH:
                if not side or name == side:
                    other = sizes[sizes.index(size) - by]
                    moved[:, head.index(f"{name} {size}")] = values[
                        :, head.index(f"{name} {other}")
                    ]
        keep = [k for k, n in enumerate(head) if not sides([n])[0] or n.split(" ", 1)[1] in kept]
        return [head[k] for k in keep], moved[:, keep]

    return table(edit, "mp-*.csv")


def renamed(old: str, new: str, pattern: str) -> Change:
    """A text in the column names, everywhere."""
    return table(lambda head, v: ([name.replace(old, new) for name in head], v), pattern)


def made_from(other: str, make: Callable[[np.ndarray], np.ndarray]) -> Change:
    """The counts of MP-C1 made from those of another run, pressures and conditions its own."""

    def change(folder: Path) -> None:
        path = folder / "records" / "mp-c1.csv"
        remarks, head, values = read(path)
        counts = sides(head)
        source = make(read(folder / "records" / other)[2][:, counts])
        n = min(len(values), len(source))
        values = values[:n]
        values[:, counts] = np.rint(source[:n] / STEP) * STEP
        values[-1, 1] = 166.9  # the terminal is still passed
        write(path, remarks, head, np.round(values, 4))

    return change


def blanked(rows: slice | list[int], column: str) -> Change:
    def edit(head: list[str], values: np.ndarray) -> Table:
        columns = [k for k, name in enumerate(head) if name.startswith(column)]
        values[np.ix_(np.arange(len(values))[rows], columns)] = np.nan
        return head, values

    return table(edit)


def smoothed(head: list[str], values: np.ndarray) -> Table:
    counts = np.flatnonzero(sides(head))
    plain = values.copy()
    for k in range(2, len(values) - 2):
        mean = plain[k - 2 : k + 3, counts].mean(axis=0)
        values[k, counts] = np.round(np.rint(mean / STEP) * STEP, 1)
    return head, values


def clipped(head: list[str], values: np.ndarray) -> Table:
    column = next(k for k, name in enumerate(head) if name.startswith("upstream 5 "))
    values[:, column] = np.minimum(values[:, column], np.sort(values[:, column])[-14])
    return head, values


def cut_and_spiked(head: list[str], values: np.ndarray) -> Table:
    values = values[:42]
    values[-1, 1] = 168.0
    return head, values


def one_high_reading(head: list[str], values: np.ndarray) -> Table:
    values[41, 1] = 168.0
    values = values[:46]
    return head, values


def swinging(head: list[str], values: np.ndarray) -> Table:
    flow = next(k for k, name in enumerate(head) if name.startswith("flow"))
    values[::2, flow] *= 1.09
    values[1::2, flow] *= 0.91
    return head, values


def large_only(head: list[str], values: np.ndarray) -> Table:
    keep = [k for k, name in enumerate(head) if not re.search(r" [57] um\(c\)", name)]
    return [head[k] for k in keep], values[:, keep]


def rows_again(head: list[str], values: np.ndarray) -> Table:
    counts = np.flatnonzero(sides(head))
    block = values[5:25, counts]
    for start in (25, 35):
        values[start : start + 20, counts] = block[: len(values[start : start + 20])]
    return head, values


def dead(head: list[str], values: np.ndarray) -> Table:
    """Larger sizes downstream without a count."""
    gone = [k for k, n in enumerate(head) if re.match(r"downstream (15|20|25|30) ", n)]
    values[:, gone] = 0.0
    return head, values


def stopped_late(head: list[str], values: np.ndarray) -> Table:
    """The same in the last tenth alone."""
    gone = [k for k, n in enumerate(head) if re.match(r"downstream (15|20|25|30) ", n)]
    values[len(values) * 9 // 10 :, gone] = 0.0
    return head, values


def mixed(counts: np.ndarray) -> np.ndarray:
    rows = np.random.default_rng(5).permutation(len(counts))
    return np.rint(1.04 * counts[rows] / STEP) * STEP


def mixed_and_raised(counts: np.ndarray) -> np.ndarray:
    raised = mixed(counts) * np.linspace(1.0, 1.3, len(counts))[:, None]
    return np.rint(raised / STEP) * STEP


def older_sizes(head: list[str], values: np.ndarray) -> Table:
    """What a counter would call 5, 10, 20 um by its older calibration, labelled um(c)."""
    true = {5.0: 6.4, 7.0: 7.7, 10.0: 9.8, 15.0: 13.6, 20.0: 17.5, 25.0: 21.2, 30.0: 24.9}
    made = values.copy()
    for side in BOTH:
        columns = [k for k, name in enumerate(head) if name.startswith(side)]
        sizes = list(true)
        for row, counts in enumerate(values[:, columns]):
            logs = np.interp(list(true.values()), sizes, np.log(np.maximum(counts, 0.4)))
            made[row, columns] = np.round(np.rint(np.exp(logs) / STEP) * STEP, 1)
    return head, made


def workbook(sheets: str, side: str, factor: float) -> Change:
    """Counts of one side times a factor, in the sheets of a workbook that begin so."""

    def change(folder: Path) -> None:
        path = folder / "records" / "laboratory.xlsx"
        book = load_workbook(path)
        for sheet in (each for each in book if each.title.startswith(sheets)):
            for column in sheet.iter_cols():
                if any(str(cell.value).startswith(side) for cell in column):
                    for cell in column:
                        if isinstance(cell.value, (int, float)):
                            cell.value = round(cell.value * factor, 6)
        book.save(path)

    return change


DUST = 'dust = { kind = "ISO 12103-1 A3", batch = "A3-2025-07 (invented)" }'
DILUTION = "dilution = { upstream = 10, downstream = 10 }"
PAIR = "polder-pumps", r"{}: not\s+met"


def stopped(rule: str, record: str = "MP-C1") -> str:
    """The line of a rule that is not met."""
    return rf"{record}: {rule}: not\s+met"


BALANCE = stopped(
    "(particle balance|recirculation|upstream above downstream|same dust in every run)"
)
FERRY_PULSES = "records/pu-c.csv"

LOOP = [
    Row("downstream dilution forgotten in the counts", "a better filter by a factor of ten",
        "polder-pumps", times(0.1, "downstream"), BALANCE),
    Row("downstream dilution forgotten throughout", "the same, with the dilution left out as well",
        "polder-pumps", all_of(times(0.1, "downstream", "mp-c*.csv"),
                             toml((DILUTION, "dilution = { upstream = 10, downstream = 1 }"))),
        BALANCE),
    Row("downstream dilution forgotten, fine filter", "no balance shows it: the counts' steps do",
        "chain-ferry", times(0.25, "downstream", "mpf-c*.csv"), stopped("whole counts", "MPF-C1")),
    Row("downstream dilution forgotten throughout, fine filter", "the other filter's runs tell",
        "ropeway-drive", all_of(workbook("MP-C", "downstream", 0.1),
                              toml((DILUTION, "dilution = { upstream = 10, downstream = 1 }"))),
        stopped("(same dust in every run|whole counts)")),
    Row("upstream dilution forgotten", "a wrong factor on the other side",
        "polder-pumps", times(0.1, "upstream"), BALANCE),
    Row("upstream dilution applied twice", "a ratio ten times too high",
        "polder-pumps", times(10.0, "upstream", "mp-c*.csv"), BALANCE),
    Row("downstream dilution applied twice", "a poorer reference to compare with",
        "polder-pumps", times(10.0, "downstream", "mp-r*.csv"),
        stopped("(particle balance|recirculation|upstream above downstream|whole counts)",
                "MP-R1")),
    Row("both sides off alike", "the ratio stays, the level of dust is wrong",
        "polder-pumps", times(0.5, "", "mp-*.csv", whole=True), BALANCE),
    Row("counts per microlitre", "a unit left out of the header",
        "polder-pumps", times(0.001, "", "mp-*.csv"), BALANCE),
    Row("dilution of the upstream counter mis-stated", "more raw counts, smaller uncertainty",
        "polder-pumps", first("upstream = 10", "upstream = 1"),
        stopped("(whole counts|coincidence)")),
    Row("dilution of the downstream counter mis-stated", "the same downstream",
        "polder-pumps", first("downstream = 10", "downstream = 2"), stopped("whole counts")),
    Row("sample volume doubled", "smaller counting uncertainty",
        "polder-pumps", toml(('sample_volume = "25 mL"', 'sample_volume = "50 mL"')),
        stopped("whole counts")),
    Row("sizes of both sensors one too large", "the same counts at better sizes",
        "polder-pumps", relabelled("", 1), BALANCE),
    Row("sizes of both sensors one too small", "the same the other way round",
        "polder-pumps", relabelled("", -1), BALANCE),
    Row("sizes of the downstream sensor one too small", "fewer particles pass",
        "polder-pumps", relabelled("downstream", -1), BALANCE),
    Row("sizes of the upstream sensor one too large", "more particles come",
        "polder-pumps", relabelled("upstream", 1), BALANCE),
    Row("older sizes labelled um(c)", "a counter calibrated before the um(c)",
        "polder-pumps", table(older_sizes, "mp-*.csv"), BALANCE),
    Row("a wrong base level", "twice the dust: a capacity twice as high",
        "polder-pumps",
        toml(*[(f"{v} mg/L", f"{2 * v} mg/L") for v in
               (3172, 3138, 3229, 3273, 3245, 3175, 3220, 3321, 3196, 3300, 3264)],
             (DUST, f'{DUST}\nbase_level = "20 mg/L"')), BALANCE),
    Row("another dust than stated", "a finer dust loads slower",
        "polder-pumps", times(1.8, "", "mp-*.csv", whole=True), BALANCE),
    Row("no dust", "a required condition left out",
        "polder-pumps", first(DUST, ""), r"conditions \. dust: is missing"),
    Row("a dust without counts", "a grade that is not known here",
        "polder-pumps", toml(("ISO 12103-1 A3\", batch", "ISO 12103-1 A2\", batch")),
        r"counts of dust 'ISO 12103-1 A2' are not\s+known here"),
    Row("own counts for the known dust", "a table made to fit",
        "polder-pumps", first(DUST, 'dust = { kind = "ISO 12103-1 A3", source = "own", '
                                    'counts = { "5 um(c)" = "9e8 1/g" } }'), "leave counts out"),
    Row("a dust whose table holds no counted size", "a balance that cannot be made",
        "polder-pumps", toml((DUST, 'dust = { kind = "works dust", source = "report 7", '
                                    'counts = { "60 um(c)" = "9e8 1/g" } }')),
        r"MP-C1: particle balance: not\s+checked"),
    Row("counts scaled by two percent", "a nudge across the limit",
        "polder-pumps", times(0.98, "downstream"), stopped("whole counts")),
    Row("a run made of another, scaled", "one test counts as two",
        "polder-pumps", made_from("mp-c2.csv", lambda c: 0.97 * c), stopped("noise of its own")),
    Row("a run made of one of the reference", "the good filter's counts",
        "polder-pumps", made_from("mp-r1.csv", lambda c: 1.02 * c), stopped("noise of its own")),
    Row("a run made of another, shifted", "rows moved down",
        "polder-pumps", made_from("mp-c2.csv", lambda c: 1.01 * np.roll(c, 9, axis=0)),
        stopped("noise of its own")),
    Row("a run made of another, back to front", "rows in another order",
        "polder-pumps", made_from("mp-c2.csv", lambda c: 1.01 * c[::-1]),
        stopped("noise of its own")),
    Row("a run made of two others", "their mean",
        "polder-pumps",
        all_of(made_from("mp-c2.csv", lambda c: 1.0 * c),
             lambda folder: made_from(
                 "mp-c3.csv",
                 lambda c, folder=folder: np.where(
                     np.arange(len(c))[:, None] % 2 == 1, c, _counts(folder, "mp-c1.csv", len(c))
                 ))(folder)),
        stopped("noise of its own")),
    Row("rows that return", "a run continued by its own middle",
        "polder-pumps", table(rows_again), stopped("(noise of its own|recirculation|counts fall)")),
    Row("smoothed counts", "noise taken away for a lower uncertainty",
        "polder-pumps", table(smoothed), stopped("counting noise")),
    Row("a sensor at its end", "upstream counts that stop at one value",
        "polder-pumps", table(clipped), stopped("plateaus")),
    Row("late rows blanked", "the efficiency falls late in the run",
        "polder-pumps", blanked(slice(44, 56, 2), "downstream"), stopped("(readings|gaps)")),
    Row("the first tenth blanked", "the loop was poor at first",
        "polder-pumps", blanked(slice(2, 4), "downstream"), stopped("readings")),
    Row("one reading blanked in every tenth", "a tenth of the readings are chosen away",
        "polder-pumps", blanked(slice(4, 57, 5), "downstream"), stopped("readings")),
    Row("a run cut short by one reading", "a terminal that was never reached",
        "polder-pumps", table(cut_and_spiked), stopped("terminal reached")),
    Row("one high reading on the way", "the run ends where one reading passed",
        "polder-pumps", table(one_high_reading),
        r"MP-C1 cannot\s+be\s+reduced:\s+the\s+terminal"),
    Row("a flow that swings", "a mean in order",
        "polder-pumps", table(swinging), stopped("test flow")),
    Row("small sizes left out", "coincidence that nobody can see",
        "polder-pumps", table(large_only, "mp-*.csv"), stopped("coincidence")),
    Row("a fine path where there is none", "runs put out of sight",
        "polder-pumps", first('specimen = "C1"', 'specimen = "C1"\npath = "fine"'),
        r"path: is 'fine', which a\s+circuit"),
    Row("burst after the pulses", "one specimen for two tests that break it",
        "chain-ferry",
        lambda folder: (folder / FERRY_PULSES).write_text(
            (folder / FERRY_PULSES).read_text().replace("C10", "C4")),
        stopped("new specimen", "PU-C")),
    Row("first bubble after the run", "a filled element has no pores left",
        "chain-ferry", first("tested = 2026-02-03", "tested = 2026-03-03", 'id = "FB-C"'),
        stopped("new specimen", "FB-C")),
    Row("a size beyond the dust's table", "no program may end on it",
        "chain-ferry", all_of(renamed("30 um(c)", "38 um(c)", "mp*.csv"),
                            times(2.0, "", "mp-c1.csv")),
        stopped("particle balance")),
    Row("dead channels", "count nothing from 15 um on", "polder-pumps", table(dead),
        stopped("downstream counts something")),
    Row("channels that die", "count nothing from 15 um on at the end", "polder-pumps",
        table(stopped_late), stopped("downstream counts something")),
    Row("rows mixed and multiplied", "shuffle another run's rows", "polder-pumps",
        made_from("mp-c2.csv", mixed), stopped("noise of its own")),
    Row("rows mixed under a trend", "multiply them by the time", "polder-pumps",
        made_from("mp-c2.csv", mixed_and_raised), stopped("noise of its own")),
]  # fmt: skip


def _counts(folder: Path, name: str, rows: int) -> np.ndarray:
    _, head, values = read(folder / "records" / name)
    counts = values[:, sides(head)]
    return np.resize(counts, (rows, counts.shape[1])) if len(counts) < rows else counts[:rows]
