"""Cases that claim more than anybody can know, and readings by someone who knows the rules."""

import re
import shutil
from pathlib import Path

import numpy as np

from tests.hostile import gate_loop as loop
from tests.hostile.gate_cover import words
from tests.hostile.gate_rows import Change, Row, all_of
from tests.hostile.gate_stats import (
    MOVED,
    OTHER_LAB,
    column,
    copied,
    edit,
    records,
    reproducibility,
    requirement,
)

PUMPS, ROPEWAY, FERRY = "polder-pumps", "ropeway-drive", "chain-ferry"
FINAL = r'final_concentration = \{ value = "[\d.]+ mg/L", u = "[\d.]+ mg/L" \}'


def added(text: str) -> Change:
    """Return what adds tables to case.toml."""

    def change(folder: Path) -> None:
        with (folder / "case.toml").open("a", encoding="utf-8") as file:
            file.write(f"\n{text}\n")

    return change


def diluted(prefix: str, side: str, factor: float) -> Change:
    """Return what states another dilution of one side, as if it had been so."""

    def stated(match: re.Match[str]) -> str:
        return f"{match[1]}{factor * float(match[2]):g}"

    return records(prefix, (rf"(dilution = .*{side} = )([\d.]+)", stated))


def rewritten(pattern: str, rewrite) -> Change:
    """Return what makes the tables of some records anew: names and values in, values out."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "records").glob(pattern)):
            remarks, head, values = loop.read(path)
            loop.write(path, remarks, head, np.round(rewrite(head, values), 4))

    return change


def more_sweeps(folder: Path) -> None:
    """A fourth sweep of the candidate, its pressures a tenth lower and with noise of their own."""
    shutil.copy(folder / "records" / "pd-c1.csv", folder / "records" / "pd-c4.csv")
    column("pd-c4.csv", "diff", lambda kpa: kpa * (0.9 + 0.002 * np.sin(1e4 * kpa)))(folder)
    column("pd-c4.csv", "flow", lambda flow: flow * (1 + 0.002 * np.sin(1e4 * flow)))(folder)
    text = (folder / "case.toml").read_text()
    (block,) = re.findall(r'(?s)\[\[record\]\]\nid = "PD-C1".*?(?=\[\[)', text)
    added(block.replace("C1", "C4").replace("pd-c1", "pd-c4"))(folder)


def one_written_twice(head: list[str], values: np.ndarray) -> np.ndarray:
    """Every fifth row once more, the time counted on and the pressure a little higher."""
    rows = np.sort(np.r_[np.arange(len(values)), np.arange(10, 50, 5)])
    made: np.ndarray = values[rows].copy()
    made[:, 0] = np.arange(1, len(made) + 1)
    made[:, 1] = np.maximum.accumulate(made[:, 1] + 0.01 * np.arange(len(made)))
    return made


def nearly_twice(head: list[str], values: np.ndarray) -> np.ndarray:
    """The same, one count of each changed by one particle."""
    made = one_written_twice(head, values)
    made[11:50:6, 2] += loop.STEP
    return made


def in_between(head: list[str], values: np.ndarray) -> np.ndarray:
    """A row between every sixth and the next, their mean in whole particles."""
    counts, made = loop.sides(head), []
    for row, after in zip(values, [*values[1:], values[-1]], strict=True):
        made.append(row)
        if len(made) % 7 == 4:
            mean = 0.5 * (row + after)
            mean[counts] = np.rint(mean[counts] / loop.STEP) * loop.STEP
            made.append(mean)
    rows = np.array(made)
    rows[:, 0] = np.arange(1, len(rows) + 1)
    return rows


def from_upstream(head: list[str], values: np.ndarray) -> np.ndarray:
    """Larger sizes downstream as a share of those upstream."""
    shares = {"15": 0.03, "20": 0.01, "25": 0.005, "30": 0.003}
    for size, share in shares.items():
        up, down = (
            head.index(f"{side} {size} um(c) [1/mL]") for side in ("upstream", "downstream")
        )
        values[:, down] = np.rint(share * values[:, up] / loop.STEP) * loop.STEP
    return values


def thinned(head: list[str], values: np.ndarray) -> np.ndarray:
    """Every second particle from 10 um on left out downstream, by chance."""
    rng = np.random.default_rng(1)
    down = np.flatnonzero(loop.sides(head, "downstream"))
    raw = np.rint(values[:, down] / loop.STEP)
    classes = raw - np.column_stack([raw[:, 1:], np.zeros(len(raw))])
    classes[:, 2:] = rng.binomial(classes[:, 2:].astype(int), 0.5)
    values[:, down] = loop.STEP * np.cumsum(classes[:, ::-1], axis=1)[:, ::-1]
    return values


def one_size_thinned(head: list[str], values: np.ndarray) -> np.ndarray:
    """Two of five particles from 20 um on left out downstream, the larger sizes as they were."""
    k = head.index("downstream 20 um(c) [1/mL]")
    raw = np.rint(values[:, k] / loop.STEP).astype(int)
    values[:, k] = loop.STEP * np.random.default_rng(1).binomial(raw, 0.6)
    return values


def longer(prefix: str, minutes: float) -> Change:
    """Return what has so many minutes more of injection in the volumes read."""

    def stated(match: re.Match[str]) -> str:
        return f"{match[1]}{float(match[2]) - 0.25 * minutes:.2f}"

    return records(prefix, (r'(injection_volume = .*end = ")([\d.]+)', stated))


def steady_but_one() -> Change:
    """Return what writes the setting into every row but the fifth."""
    seen: list[float] = []

    def value(_: float) -> float:
        seen.append(0.0)
        return 80.1 if len(seen) == 5 else 80.0

    return column("mp-c1.csv", "flow", value)


def concession(until: str) -> Change:
    return added(
        '[[concession]]\nrequirement = "B2"\nagreed = 2026-03-25\n'
        f'agreed_by = "Head of ropeways (invented)"\nuntil = {until}\n'
        'text = "Cold starts are watched by the fitter at the machine."'
    )


ONE_DAY = all_of(
    edit("case.toml", "agreed = 2026-02-16", "agreed = 2026-02-20"),
    records("MP-", (r"tested = .*", "tested = 2026-02-20")),
)
SPECIMEN = '[[specimen]]\nid = "C1"\nfilter = "candidate"\n'

CLAIMS = [
    Row("a reproducibility of nearly nothing", "a hundredth of a percent, with a source", PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED), reproducibility(u="0.01 %")),
        r"reproducibility number 1 \. u: is 0\.01 %"),
    Row("a reproducibility of another quantity", "the same by way of a filtration ratio", PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED),
               reproducibility(u="0.1 %", quantity="filtration_ratio")),
        r"reproducibility number 1 \. u: is 0\.1 %"),
    Row("a small reproducibility", "a sixth of what stands in", PUMPS,
        all_of(OTHER_LAB, records("MP-R", MOVED), reproducibility(u="2 %")),
        words("condition: reproducibility of Retained capacity by ISO 4548-12:2017: 2 % is")),
    Row("another batch of dust", "load the reference with a batch that fills it sooner", PUMPS,
        records("MP-R", ("A3-2025-07", "A3-2024-02")),
        words("condition: C2: batch of the test dust A3-2025-07")),
    Row("a batch that is unknown", "call the batch unknown on both sides", PUMPS,
        records("MP-", (r'batch = "[^"]*"', 'batch = "unknown"')),
        words("condition: C2: batch of the test dust is not stated in record MP-C1")),
    Row("a batch left out", "say nothing of it", PUMPS,
        records("MP-", (r', batch = "[^"]*"', "")),
        words("condition: C2: batch of the test dust is not stated")),
    Row("six runs on one day", "one rig, seventeen hours of work", PUMPS, ONE_DAY,
        words("time for each run: not met: 17.4 h of work on one rig")),
    Row("an edition of 1900", "a standard before its time", PUMPS,
        edit("case.toml", "ISO 4548-12:2017", "ISO 4548-12:1900", -1),
        r"edition of the method: not met: edition 1900 is not known"),
    Row("an edition of last year", "an edition that nobody issued", PUMPS,
        edit("case.toml", "ISO 4548-12:2017", "ISO 4548-12:2024", -1),
        r"edition of the method: not met: edition 2024 is not known"),
    Row("an adoption of 1900", "the same by a national body", PUMPS,
        edit("case.toml", "ISO 4548-12:2017", "DIN ISO 4548-12:1900", -1),
        r"edition of the method: not met: edition 1900 is not known"),
    Row("no edition anywhere", "leave it out of the scope as well", PUMPS,
        edit("case.toml", "ISO 4548-12:2017", "ISO 4548-12", -1),
        r"edition of the method: not met: no edition stated"),
    Row("a review in the year 9999", "an approval for ever", PUMPS,
        edit("case.toml", "review_due = 2029-03-31", "review_due = 9999-12-31"),
        words("review_due: is 9999-12-31, more than 10 years after 2026-03-30")),
    Row("a concession to the year 9999", "a bound that is none", ROPEWAY, concession("9999-12-31"),
        words("until: is 9999-12-31, more than 10 years after")),
    Row("downstream halved, dilution too, fine filter",
        "twice the ratio where the balance hardly sees it", ROPEWAY,
        all_of(loop.workbook("MP-C", "downstream", 0.5), diluted("MP-C", "downstream", 0.5)),
        words("condition: recirculation (MP-C1, MP-C2, MP-C3): over 3 runs upstream rises 1.6")),
    Row("downstream doubled, dilution too, fine filter", "the same the other way", ROPEWAY,
        all_of(loop.workbook("MP-C", "downstream", 2.0), diluted("MP-C", "downstream", 2.0)),
        words("condition: recirculation (MP-C1, MP-C2, MP-C3): over 3 runs upstream rises 0.5")),
    Row("downstream halved, dilution too, fine path", "nothing but the slope shows it", FERRY,
        all_of(loop.times(0.5, "downstream", "mpf-c*.csv"), diluted("MPF-C", "downstream", 0.5)),
        words("condition: recirculation (MPF-C1, MPF-C2, MPF-C3): over 3 runs upstream rises 1.7")),
    Row("downstream halved on the fine path of both filters", "no other run to tell", FERRY,
        all_of(loop.times(0.5, "downstream", "mpf-*.csv"), diluted("MPF-", "downstream", 0.5)),
        words("condition: recirculation (MPF-C1, MPF-C2, MPF-C3, MPF-R1, MPF-R2, MPF-R3)")),
    Row("a run of the other filter", "call the best reference a candidate", PUMPS,
        records("MP-R1", ('filter = "reference"', 'filter = "candidate"')),
        r"MP-R1' \. filter: is the candidate, and 'R1' is a specimen of the reference"),
    Row("a sweep beyond the plan", "another one that takes less", PUMPS, more_sweeps,
        words("condition: the plan does not name C4, tested all the same")),
    Row("a run of the next specimen", "two files changed over", PUMPS,
        records("MP-C1", ("mp-c1.csv", "mp-c2.csv")),
        r"'records/mp-c2.csv' has by name the readings of 'C2'"),
    Row("a column read as another", "the next size, with fewer particles", PUMPS,
        edit("case.toml", '[[record]]\nid = "MP-C1"\n', '[[record]]\nid = "MP-C1"\ncolumns = '
             '{ "downstream 20 um(c) [1/mL]" = "downstream 15 um(c) [1/mL]" }\n'),
        r"cannot be read as 'downstream 15 um"),
    Row("a column that is not there", "a name that nothing bears", PUMPS,
        edit("case.toml", '[[record]]\nid = "MP-C1"\n',
             '[[record]]\nid = "MP-C1"\ncolumns = { "DP" = "differential pressure [kPa]" }\n'),
        r"no column 'DP', which its record names"),
    Row("no plan of specimens", "drop what would be missed by it", PUMPS,
        edit("case.toml", 'specimens = ["C1", "C2", "C3"]\n', ""),
        words("condition: the case does not name the specimens of the candidate")),
    Row("no plan of the other filter's specimens", "drop the best of the filter now fitted", PUMPS,
        edit("case.toml", 'specimens = ["R1", "R2", "R3"]\n', ""),
        words("condition: the case does not name the specimens of the reference")),
    Row("rows written twice", "eight minutes more of dust", PUMPS,
        all_of(rewritten("mp-c*.csv", one_written_twice), longer("MP-C", 8)),
        words("noise of its own: not met: the counts at")),
    Row("rows written nearly twice", "one particle more in each", PUMPS,
        all_of(rewritten("mp-c*.csv", nearly_twice), longer("MP-C", 8)),
        words("noise of its own: not met: the counts at")),
    Row("rows in between", "means of neighbours, nine minutes more of dust", PUMPS,
        all_of(rewritten("mp-c*.csv", in_between), longer("MP-C", 9)),
        words("min are the mean of those before and after")),
    Row("a plan of one", "plan one specimen, test three and hand in those that please", PUMPS,
        edit("case.toml", '"C1", "C2", "C3"', '"C1"'),
        words("condition: the plan does not name C2, C3, tested all the same")),
    Row("a pressure that laboratories agree on", "a reproducibility of 0.4 % for sweeps", PUMPS,
        all_of(OTHER_LAB, records("PD-R", MOVED),
               reproducibility(u="0.4 %", quantity="clean_pressure_drop",
                               method="ISO 4548-1:1997")),
        r"reproducibility number 1 \. u: is 0\.4 %"),
    Row("a downstream sensor by a formula", "a share of what is upstream", PUMPS,
        rewritten("mp-c*.csv", from_upstream),
        words("noise of its own: not met: counts upstream from 15 µm(c) on scatter with those")),
    Row("every second particle left out", "noise as by chance", PUMPS,
        rewritten("mp-c*.csv", thinned), loop.stopped("same dust in every run")),
    Row("one size edited", "fewer from 20 um on, which leaves those from 25 um on", PUMPS,
        rewritten("mp-c*.csv", one_size_thinned), loop.stopped("counts fall with size")),
    Row("a sweep shifted", "another specimen's pressures and a little more", PUMPS,
        all_of(copied("pd-c1.csv", "pd-c2.csv", 1.0),
               column("pd-c2.csv", "differential", lambda drop: round(drop + 0.3, 2))),
        words("but for a factor or an offset, to every digit")),
    Row("a loading shifted", "the same in two runs", PUMPS,
        all_of(copied("mp-c1.csv", "mp-c2.csv", 1.0),
               column("mp-c2.csv", "differential", lambda drop: round(drop + 0.3, 2))),
        words("but for a factor or an offset, to every digit")),
    Row("a transmitter that reads more", "4 kPa in the runs alone: they seem to grow less", PUMPS,
        column("mp-c*.csv", "differential", lambda drop: round(drop + 4.0, 2)),
        words("condition: clean pressure drop agrees (MP-C1, MP-C2, MP-C3): 30.7 kPa in the run")),
    Row("an oil that weighs too much", "a density that no mineral oil has", PUMPS,
        edit("case.toml", 'density15 = "0.885 kg/L"', 'density15 = "0.985 kg/L"'),
        words("condition: clean pressure drop agrees (MP-C1")),
    Row("a run that its laboratory takes back", "a line that nobody reads", PUMPS,
        edit("records/mp-c1.csv", "# Specimen C1", "# Run void: the rig leaked\n# Specimen C1"),
        words("condition: MP-C1: the laboratory writes “Run void: the rig leaked”")),
    Row("a flow that moved once", "a setting with one other reading", PUMPS, steady_but_one(),
        words("the rows say 80 L/min throughout, which is a setting")),
    Row("a level known to the microgram", "gravimetry that nobody has", PUMPS,
        records("MP-", (r', u = "48 mg/L"', ', u = "0.001 mg/L"')),
        words("finer than anything measured in a filter laboratory")),
    Row("an oil known to the last drop", "a viscosity to one in a million", PUMPS,
        edit("case.toml", '"15 mm2/s", u = "0.5 %"', '"15 mm2/s", u = "0.0001 %"'),
        words("finer than anything measured in a filter laboratory")),
    Row("a loop without dust at the end", "more held than was injected", PUMPS,
        records("MP-C", (FINAL, 'final_concentration = { value = "1 mg/L", u = "0.1 mg/L" }')),
        words("settled loop: not met: 1.00 mg/L at the end")),
    Row("a certificate spelled otherwise", "the same one for both counters", PUMPS,
        edit("case.toml", "ITH-25-1209 (downstream", "ITH 25 1208 (upstream"),
        words("is named for APC-21, APC-22")),
    Row("a test of another year", "an old run under a new date", PUMPS,
        edit("records/mp-c1.csv", "tested 2026-02-16", "tested 16.02.2024"),
        words("condition: MP-C1: is given as tested on 2026-02-16, and the laboratory writes")),
    Row("a file of the other filter", "its part number still in the head", PUMPS,
        edit("records/mp-c1.csv", "# Specimen C1,", "# Part FIT-0412,"),
        words("condition: MP-C1: is given as of the candidate, and the laboratory writes")),
    Row("a specimen that came later", "tested before it was there", PUMPS,
        added(f"{SPECIMEN}received = 2026-03-15"),
        words("specimen 'C1' . received: is 2026-03-15, after its test on 2026-02-04")),
    Row("a specimen of no lot", "a lot that the filter does not have", PUMPS,
        added(f'{SPECIMEN}lot = "hand-made"'), words("'hand-made' is no lot of the candidate")),
    Row("a report from before the tests", "the report of other tests", PUMPS,
        edit("case.toml", 'id = "ITH"\n', 'id = "ITH"\nreport = "R-1"\nreported = 2025-01-01\n'),
        words("reported: is 2025-01-01, before its last test on")),
    Row("a rule agreed when all is known", "choose the risk after the tests", PUMPS,
        edit("application.toml", "agreed = 2026-01-19", "agreed = 2026-03-25"),
        words("condition: rule agreed before the test")),
    Row("a dust of one's own", "a table of counts by which any loop balances", PUMPS,
        records("MP-", (r"dust = .*", 'dust = { kind = "works dust", batch = "7", source = '
                        '"report 12", counts = { "5 um(c)" = "1.335e9 1/g", '
                        '"10 um(c)" = "1.83e8 1/g", "20 um(c)" = "1.83e7 1/g" } }')),
        words("condition: test dust (MP-C1")),
    Row("a valve that is long open", "count it as open from a sixth of the flow on", FERRY,
        edit("case.toml", 'criterion_flow = "1 L/min"', 'criterion_flow = "10 L/min"', -1),
        words("condition: valve of the application (BV-C, BV-R): counts as open from 10 L/min on")),
    Row("a limit below its text", "95 % in words, 90 % to be met", PUMPS,
        requirement("E1", (r'min = "95 %"', 'min = "90 %"')),
        words("condition: E1: its text says 95 %, its limit or what it is asked at does not")),
    Row("a limit beyond all filters", "ask for less than nothing of the reference", PUMPS,
        requirement("C2", (r'not_worse_than_reference = "[^"]*"',
                           'not_worse_than_reference = "150 %"')),
        words("not_worse_than_reference must lie from 0 % to below 100 %")),
    Row("an even chance", "agree on a confidence of one half", PUMPS,
        edit("application.toml", 'confidence = "95 %"', 'confidence = "50 %"'),
        words("confidence must lie between 50 % and 100 %")),
    Row("the weakest collapse left out", "two of three specimens", FERRY,
        lambda folder: _last_row_gone(folder / "records" / "co-c.csv"),
        r"M1: not demonstrated: "),
    Row("the weakest collapse left blank", "an empty cell", FERRY,
        lambda folder: _last_cell_gone(folder / "records" / "co-c.csv"),
        r"M1: not demonstrated: "),
    Row("swapped channels", "20 um under the name of 25 um", PUMPS,
        lambda folder: rewritten("mp-c*.csv", _swapped)(folder),
        loop.stopped("counts fall with size")),
    Row("hours before the first", "start the clock ten minutes late", PUMPS,
        all_of(column("mp-c*.csv", "time", lambda minutes: minutes + 10), longer("MP-C", 10)),
        r"C1: not demonstrated: "),
    Row("a run without its beginning", "cut what was counted first", PUMPS,
        loop.table(lambda head, values: (head, values[8:]), "mp-c*.csv"),
        r"C1: not demonstrated: "),
]  # fmt: skip


def _last_row_gone(path: Path) -> None:
    path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")


def _last_cell_gone(path: Path) -> None:
    rows = path.read_text().splitlines()
    cells = rows[-1].split(",")
    path.write_text("\n".join([*rows[:-1], ",".join([cells[0], "", *cells[2:]])]) + "\n")


def _swapped(head: list[str], values: np.ndarray) -> np.ndarray:
    one, other = (head.index(f"downstream {size} um(c) [1/mL]") for size in (20, 25))
    values[:, [one, other]] = values[:, [other, one]]
    return values
