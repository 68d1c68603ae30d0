"""Both demo cases against an independent reduction: plain NumPy from the raw files alone.

The same arithmetic written a second time, along another path: no registry, no unit library, the
oil by its own two-point line, the fit by normal equations, the monotone curve by a plain loop.
"""

import itertools
import json
import math
import re
import tomllib
from functools import cache

import numpy as np
import pytest
from openpyxl import load_workbook

from dossier import assess, read_case
from dossier.make.decide import decision_json
from dossier.report.pages import uncertainty
from dossier.report.pages.places import places_of
from dossier.report.pages.results import deciding_text, printed
from dossier.report.pages.uncertainty import uncertainty_page
from tests.spelled import INPUTS

LABORATORIES = ("ith", "nth", "sth")
CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")
# ISO 12103-1 A3 once through at 10 mg/L, midpoints of ISO 16889:2008 (from memory) [1/mL].
A3 = {4: 21750, 6: 8555, 10: 1830, 14: 608.5, 20: 183, 25: 71, 30: 30.5}
FIRST_MINUTES = 2.0


def number(text):
    return float(re.match(r"[-+.\d]+", text["value"] if isinstance(text, dict) else text)[0])


@cache
def book_of(path):
    return load_workbook(path)


def raw_rows(folder, file):
    path, _, sheet = file.partition("#")
    if sheet:
        rows = book_of(folder / path)[sheet].iter_rows(values_only=True)
        rows = [[("" if c is None else c) for c in row] for row in rows]
        return [row for row in rows if not str(row[0]).startswith("#")]
    lines = [x for x in (folder / path).read_text().splitlines() if x and not x.startswith("#")]
    if ";" in lines[0]:
        return [x.replace(",", ".").split(";") for x in lines]
    return [x.split(",") for x in lines]


def cell(text):
    return float("nan") if text == "" else float(text)


def columns(folder, file):
    header, *body = raw_rows(folder, file)
    return {
        str(name): np.array([c[k] if name == "part" else cell(c[k]) for c in body])
        for k, name in enumerate(header)
    }


def pooled(values):
    """Pool adjacent violators, the textbook loop: means of blocks until none falls."""
    blocks = []
    for value in values:
        blocks.append([value, 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, n), (b, m) = blocks[-2], blocks.pop()
            blocks[-1] = [(a * n + b * m) / (n + m), n + m]
    return np.concatenate([np.full(n, value) for value, n in blocks])


class Oil:
    """Two-point line of lg lg (nu + 0.7) over lg T, and the density of lubricants."""

    def __init__(self, table):
        y = [math.log10(math.log10(number(table[k]) + 0.7)) for k in ("kv40", "kv100")]
        x = [math.log10(t + 273.15) for t in (40, 100)]
        self.slope = (y[1] - y[0]) / (x[1] - x[0])
        self.start = y[0] - self.slope * x[0]
        self.rho15 = number(table["density15"]) * 1000

    def at(self, celsius):
        nu = 10**10 ** (self.start + self.slope * np.log10(celsius + 273.15)) - 0.7
        step = 0.6278 / self.rho15 * (celsius - 15)
        rho = self.rho15 * np.exp(-step * (1 + 0.8 * step))
        return nu * 1e-6 * rho, rho


class Independent:
    """One case reduced with NumPy alone; g, kPa, L/min, h, degC throughout."""

    def __init__(self, name):
        self.folder = INPUTS / name
        self.case = tomllib.loads((self.folder / "case.toml").read_text())
        self.app = tomllib.loads((self.folder / "application.toml").read_text())
        self.oil = Oil(self.app["oil"])
        self.fluids = {f["id"]: Oil(f) for f in self.case["fluid"]}
        self.rate = number(self.app["duty"]["ingression"])
        self.opening = number(self.app["circuit"]["bypass_valve"]["opening"]["min"])
        self.rated = number(self.app["circuit"]["rated_flow"])
        self.normal = number(self.app["duty"]["normal_oil"])

    def records(self, kind, side, path="full_flow"):
        wanted = {"kind": kind, "filter": side}
        found = [r for r in self.case["record"] if wanted.items() <= r.items()]
        return [r for r in found if r.get("path", "full_flow") == path]

    def run(self, record):
        c = record["conditions"]
        data = columns(self.folder, record["file"])
        t, dp = data["time [min]"], data["differential pressure [kPa]"]
        top = number(c["terminal_pressure_drop"]) + number(c["housing_pressure_drop"])
        k = int(np.argmax(dp >= top))
        tf = t[k - 1] + (t[k] - t[k - 1]) * (top - dp[k - 1]) / (dp[k] - dp[k - 1])
        volume = c["injection_volume"]
        qi = (number(volume["start"]) - number(volume["end"])) / tf
        level = sum(number(c["injection_concentration"][e]) for e in ("start", "end")) / 2
        drawn, final = c["sample_flow"], number(c["final_concentration"])
        injected = level * qi * tf / 1000
        base = level * qi / number(c["flow"])
        lost = final * number(c["system_volume"]) + final * number(drawn["upstream"]) * tf
        lost += (final - base) * number(drawn["downstream"]) * tf
        means = {}
        for name in data:
            if not name.startswith(("upstream", "downstream")):
                continue
            other = name.replace("upstream", "downstream")
            twin = name.replace("downstream", "upstream") if name.startswith("d") else other
            ok = ~np.isnan(data[twin]) & ~np.isnan(data[name]) & (t > FIRST_MINUTES)
            edges = np.linspace(0, tf, 11)
            means[name] = np.array(
                [
                    data[name][ok & (t > a + 1e-12) & (t <= b + 1e-12)].mean()
                    for a, b in itertools.pairwise(edges)
                ]
            )
        rows = t <= tf
        return {
            "means": means, "injected": injected, "retained": injected - lost / 1000,
            "mass": level * qi * t[rows] / 1000, "dp": dp[rows], "record": record,
        }  # fmt: skip

    def efficiency(self, side, size, worst=False):
        found = []
        for record in self.records("multipass", side):
            means = self.run(record)["means"]
            up, down = means[f"upstream {size} [1/mL]"], means[f"downstream {size} [1/mL]"]
            found.append(1 - (down / up).max() if worst else 1 - down.mean() / up.mean())
        return np.array(found)

    def size_at(self, side, ratio):
        found = []
        for record in self.records("multipass", side):
            means = self.run(record)["means"]
            names = [n for n in means if n.startswith("upstream")]
            sizes = np.array([float(n.split()[1]) for n in names])
            beta = [
                means[n].mean() / means[n.replace("upstream", "downstream")].mean() for n in names
            ]
            found.append(float(np.interp(math.log(ratio), np.log(beta), sizes)))
        return np.array(found)

    def sweep(self, record):
        data = columns(self.folder, record["file"])
        fluid = self.fluids[record["fluid"]]
        fits = {}
        for part in ("assembly", "housing"):
            rows = data["part"] == part
            q = data["flow [L/min]"][rows] / 6e4
            dp = data["differential pressure [kPa]"][rows] * 1e3
            mu, rho = fluid.at(data["temperature [degC]"][rows])
            w = 1 / np.maximum(dp, 0.02 * dp.max())
            x = np.column_stack([mu * q * w, rho * q**2 * w])
            fits[part] = np.linalg.solve(x.T @ x, x.T @ (dp * w))
        return fits

    def sweeps(self, side, path="full_flow"):
        return [self.sweep(record) for record in self.records("pressure_drop", side, path)]

    def clean(self, side, flow, celsius):
        mu, rho = self.oil.at(celsius)
        q = flow / 6e4
        return np.array([f["assembly"] @ [mu * q, rho * q**2] / 1e3 for f in self.sweeps(side)])

    def opening_temperature(self, side, flow):
        grid = np.linspace(0, 120, 24001)
        mu, rho = self.oil.at(grid)
        q = flow / 6e4
        found = []
        for fit in self.sweeps(side):
            drop = (fit["assembly"][0] * mu * q + fit["assembly"][1] * rho * q**2) / 1e3
            found.append(grid[int(np.argmax(drop < self.opening))])
        return np.array(found)

    def loaded(self, side):
        """Mass and application's pressure drop of each specimen, the run made monotone."""
        mu, rho = self.oil.at(self.normal)
        q = self.rated / 6e4
        for record, fit in zip(self.records("multipass", side), self.sweeps(side), strict=True):
            run = self.run(record)
            dp = pooled(run["dp"] * 1e3)
            mt, rt = self.fluids[record["fluid"]].at(number(record["conditions"]["temperature"]))
            still = fit["housing"][0] * mt * q + fit["assembly"][1] * rt * q**2
            rest = fit["housing"][0] * mu * q + fit["assembly"][1] * rho * q**2
            viscous = (fit["assembly"][0] - fit["housing"][0]) * mu * q
            yield run["mass"], (rest + viscous * (dp - still) / (dp[0] - still)) / 1e3

    def loaded_drop(self, side, hours):
        return np.array([np.interp(self.rate * hours, m, drop) for m, drop in self.loaded(side)])

    def life(self, side):
        found = []
        for mass, drop in self.loaded(side):
            grid = np.linspace(0, mass[-1], 200001)
            found.append(grid[int(np.argmax(np.interp(grid, mass, drop) >= self.opening))])
        return np.array(found) / self.rate

    def share(self, side, celsius):
        """Plain bisection on the fine path's flow: what it drops against what drives it."""
        mu, rho = self.oil.at(celsius)
        total = self.rated / 6e4
        gallery = number(self.app["circuit"]["gallery_pressure"]) * 1e3
        found = []
        for main, fine in zip(self.sweeps(side), self.sweeps(side, "fine"), strict=True):
            low, high = 0.0, total
            for _ in range(200):
                q = 0.5 * (low + high)
                rest = total - q
                drive = gallery + main["assembly"] @ [mu * rest, rho * rest**2]
                low, high = (
                    (q, high) if fine["assembly"] @ [mu * q, rho * q**2] < drive else (low, q)
                )
            found.append(low / total)
        return np.array(found)

    def classes(self, side, path):
        """Mean efficiency of each class between neighbouring sizes, and above the largest."""
        found = []
        for record in self.records("multipass", side, path):
            means = self.run(record)["means"]
            up, down = (
                [means[n].mean() for n in means if n.startswith(word)] for word in ("up", "down")
            )
            found.append(1 + np.diff([*down, 0]) / -np.diff([*up, 0]))
        return np.mean(found, axis=0)

    def sump(self, side, size, celsius):
        sizes = list(A3)
        counts = -np.diff([*A3.values(), 0]) * 1e6 / 10e-3  # per kg of dust, each class
        w = self.share(side, celsius).mean()
        cleaned = (1 - w) * self.classes(side, "full_flow") + w * self.classes(side, "fine")
        flow = self.rated / 6e4
        each = self.rate / 1e3 / 3600 * counts / (flow * cleaned) / 1e6
        return each[sizes.index(size) :].sum()

    def cleanliness(self, side, celsius, code):
        limits = [{15: 320, 14: 160, 10: 10}[int(n)] for n in code.split("/")]
        found = [self.sump(side, size, celsius) for size in (4, 6, 14)]
        return max(math.log2(c / limit) for c, limit in zip(found, limits, strict=True))

    def value(self, requirement, side="candidate"):
        at = requirement.get("at", {})
        flow = number(at.get("flow", self.app["circuit"]["rated_flow"]))
        hours = number(at.get("hours", self.app["duty"]["service_interval"]))
        warmth = number(at["temperature"]) if "temperature" in at else self.normal
        elsewhere = ("clean_pressure_drop", "partial_flow_share", "turnover_time")
        if "temperature" in at and requirement["quantity"] not in elsewhere:
            assert warmth == self.normal
        runs = [self.run(r) for r in self.records("multipass", side)]
        table = {
            "efficiency": lambda: 100 * self.efficiency(side, at["size"]),
            "lowest_efficiency": lambda: 100 * self.efficiency(side, at["size"], worst=True),
            "filtration_ratio": lambda: 1 / (1 - self.efficiency(side, at["size"])),
            "size_at_efficiency": lambda: self.size_at(
                side, 1 / (1 - number(at["efficiency"]) / 100)
            ),
            "size_at_ratio": lambda: self.size_at(side, at["ratio"]),
            "injected_capacity": lambda: np.array([run["injected"] for run in runs]),
            "retained_capacity": lambda: np.array([run["retained"] for run in runs]),
            "clean_pressure_drop": lambda: self.clean(side, flow, warmth),
            "pressure_drop_at_interval": lambda: self.loaded_drop(side, hours),
            "bypass_margin": lambda: self.opening - self.loaded_drop(side, hours),
            "cold_bypass_temperature": lambda: self.opening_temperature(side, flow),
            "service_life": lambda: self.life(side),
            "partial_flow_share": lambda: 100 * self.share(side, warmth),
            "turnover_time": lambda: (
                number(self.app["circuit"]["sump_volume"]) / (self.rated * self.share(side, warmth))
            ),
        }
        return table[requirement["quantity"]]()


# Read straight from a table, or checked in tests of their own.
ELSEWHERE = {
    "valve_opening_pressure", "valve_reseat_pressure", "valve_leakage", "valve_flow_pressure_drop",
    "collapse_pressure", "burst_pressure", "first_bubble_pressure", "pulse_cycles",
    "vibration_hours", "anti_drain_leakage", "initial_cleanliness", "dimension", "statement",
    "sump_concentration", "sump_cleanliness",
}  # fmt: skip


@cache
def assessed(name):
    return assess(read_case(INPUTS / name), pages=False)


@pytest.fixture(scope="module", params=CASES)
def both(request):
    return Independent(request.param), assessed(request.param)


def test_values_agree_with_an_independent_reduction(both):
    independent, assessment = both
    found = {f.demand.id: f for f in assessment.findings}
    for requirement in independent.app["requirement"]:
        finding = found[requirement["id"]]
        if requirement["quantity"] in ELSEWHERE:
            continue
        tolerance = 0.005
        values = independent.value(requirement)
        shown = [finding.demand.shown(s.value) for s in finding.estimate.per_specimen]
        assert shown == pytest.approx(values, rel=tolerance), requirement["id"]
        if requirement["quantity"] != "filtration_ratio":
            mean = finding.demand.shown(finding.estimate.value)
            assert mean == pytest.approx(values.mean(), rel=tolerance), requirement["id"]
        if finding.demand.not_worse is not None:
            other = independent.value(requirement, "reference")
            reference = finding.demand.shown(finding.reference.value)
            assert reference == pytest.approx(other.mean(), rel=tolerance), requirement["id"]


def test_the_sump_agrees_with_a_balance_written_a_second_time():
    independent = Independent("chain-ferry")
    findings = {f.demand.id: f for f in assessed("chain-ferry").findings}
    checked = 0
    for requirement in independent.app["requirement"]:
        at = requirement.get("at", {})
        value = findings[requirement["id"]].estimate
        if requirement["quantity"] == "sump_concentration":
            size, warmth = int(number(at["size"])), number(at["temperature"])
            assert value.value == pytest.approx(
                independent.sump("candidate", size, warmth), rel=0.005
            )
        elif requirement["quantity"] == "sump_cleanliness":
            wanted = independent.cleanliness(
                "candidate", number(at["temperature"]), requirement["max"]
            )
            assert value.value == pytest.approx(wanted, abs=0.007)
        else:
            continue
        checked += 1
    assert checked == 2


@pytest.mark.parametrize(
    ("name", "decision", "failing"),
    [
        ("polder-pumps", "approved", set()),
        ("ropeway-drive", "not approved", {"C2", "B2", "L1"}),
        ("chain-ferry", "approved with conditions", {"D1"}),
    ],
)
def test_decisions_are_those_the_truth_of_the_simulation_asks_for(name, decision, failing):
    assessment = assessed(name)
    assert assessment.decision.value == decision
    verdicts = {f.demand.id: f.verdict.value for f in assessment.findings}
    assert {k for k in failing if verdicts[k] == "fail"} == failing


def test_what_three_laboratories_differ_by_is_told_as_their_files_have_it():
    """Two results each: half the mean square between, less that within; the files, plain NumPy."""
    folder = INPUTS / "canal-locks"
    case = read_case(folder)
    assessment = assess(case)
    assert assessment.decision.value == "approved"
    rows = json.loads(decision_json(case, assessment))["findings"]
    table = uncertainty_page(case, assessment, places_of(assessment)).laboratories.rows
    assert len(rows) == len(table) == 2
    for row, told, stem, column in zip(rows, table, ("co", "fb"),
            ("collapse pressure [kPa]", "first bubble pressure [kPa]"), strict=True):  # fmt: skip
        files = [(folder / f"records/{stem}-{name}.csv").read_text() for name in LABORATORIES]
        rows_of = [[line.split(",") for line in text.splitlines()[1:]] for text in files]
        assert all(each[0][1] == column for each in rows_of)
        values = np.array([[float(line[1]) for line in each[1:]] for each in rows_of])
        within = values.var(axis=1, ddof=1).mean()
        between = values.mean(axis=1).var(ddof=1) - within / 2
        precision = row["precision"]
        assert precision["repeatability_sd"] == pytest.approx(math.sqrt(within))
        assert precision["between_laboratories_sd"] == pytest.approx(math.sqrt(between))
        assert precision["reproducibility_sd"] == pytest.approx(math.sqrt(within + between))
        assert told[1] == "3; 6"
        assert float(told[3]) == pytest.approx(math.sqrt(between), rel=0.03)
        stands_in = {"co": 0.2, "fb": 0.1}[stem] / math.sqrt(3.0) * values.mean()
        assert float(told[6].split("\u00a0")[0]) == pytest.approx(stands_in, rel=0.03)


def test_the_bound_of_a_share_follows_from_the_numbers_printed_beside_it():
    """By hand, as the section says: mean + (K·s + g)."""
    assessment = printed(assessed("polder-pumps"))
    page = uncertainty_page(read_case(INPUTS / "polder-pumps"), assessment, places_of(assessment))
    (share,) = [row for row in page.budget.rows if row[4].startswith("K ")]
    k, s = map(float, re.findall(r"[\d.]+", share[4])[:2])
    g = float(re.search(r"[\d.]+", share[2])[0])
    (finding,) = [f for f in assessment.findings if f.demand.id == "P2"]
    mean = round(finding.demand.shown(finding.estimate.value), 1)
    assert f"{mean + k * s + g:.0f}\u00a0kPa" in deciding_text(finding)[0]


def test_the_shares_of_a_budget_are_those_of_the_u_beside_them(both):
    """Of the mean, of the worst specimen, or of the distance to the other filter's share."""
    _, assessment = both
    for finding in assessment.findings:
        found = finding.estimate
        if found.u > 0 and found.samples is None:
            parts = (
                uncertainty._distance(finding, found)
                or uncertainty._of_worst(finding, found)
                or found.components
            )
            u = math.hypot(*(part.u for part in parts)) / abs(finding.demand.spread_factor)
            told = float(re.match(r"[\d.]+", uncertainty._spread(finding, found))[0])
            assert u == pytest.approx(told, rel=0.06), finding.demand.id


def test_a_budget_names_what_the_deciding_number_itself_rests_on():
    def told(name):
        assessment = printed(assessed(name))
        page = uncertainty_page(read_case(INPUTS / name), assessment, places_of(assessment))
        return {re.findall(r"text='(\w+)", repr(row[0]))[0]: row[4] for row in page.budget.rows}

    ferry = told("chain-ferry")
    assert ferry["D1"].startswith("length reading\u00a0100")  # three lengths scatter by 0.15 mm
    assert ferry["F4"].startswith("ingression*")
    assert "*" not in told("polder-pumps-wide")["S1"]  # each filter had counters of its own
    # The same share of each capacity: 59.1 g and 95 % of 40.2 g, in squares.
    shares = dict(re.findall(r"rig (\w+)\u00a0(\d+)", told("polder-pumps-wide")["C2"]))
    own, other = 59.1**2, (0.95 * 40.2) ** 2
    assert float(shares["STH"]) == pytest.approx(100 * own / (own + other), abs=1.5)
    assert float(shares["ITH"]) == pytest.approx(100 * other / (own + other), abs=1.5)
