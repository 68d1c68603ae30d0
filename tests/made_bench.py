"""A bench set up by hand: sweeps and runs with chosen coefficients and counts, no file read."""

from dataclasses import fields, replace
from datetime import date

import numpy as np

from dossier.case.application import Application
from dossier.case.case import Case, Record
from dossier.case.model import Qualification
from dossier.evidence.bench import Bench
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.make.decide import limits
from dossier.physics.multipass import RetainedMass
from dossier.physics.pressure_drop import PressureDropFit
from tests.small_case import APPLICATION, TESTED, requirement

SIZES = np.array([4.0, 6.0, 10.0, 14.0, 20.0, 30.0])
MU, RHO = 0.0129, 850.0
"""State of the test fluid [Pa s, kg/m3]."""
NOTHING = ((0.0, 0.0), (0.0, 0.0))


def fit(a, b, covariance=None):
    """A fit of a [1/m3] and b [1/m4]; without a covariance it is exact."""
    spread = np.zeros((2, 2)) if covariance is None else np.asarray(covariance, dtype=float)
    return PressureDropFit(a=a, b=b, covariance=spread, resolved=(True, True))


def sweep(record="S1", specimen="C1", side="candidate", **changes):
    """A flow sweep of 20 to 100 L/min; `a`, `b`, `covariance`, `housing` set its fits."""
    a, b = changes.pop("a", 1.2e9), changes.pop("b", 0.0)
    made = fit(a, b, changes.pop("covariance", None))
    case = changes.pop("housing", None)
    flow = changes.pop("flow", np.linspace(20.0, 100.0, 5) / 6e4)
    rows = len(flow)
    drop = a * MU * flow + b * RHO * flow**2
    whole = PressureDropResult(
        record=record, side=side, specimen=specimen, path="full_flow", flow=flow,
        pressure_drop=drop, viscosity=np.full(rows, MU),
        density=np.full(rows, RHO), housing_rows=np.zeros(rows, dtype=bool), assembly=made,
        housing=None if case is None else fit(case, 0.0), per_flow=(0.0, 0.0),
        per_kelvin=(0.0, 0.0), per_viscosity=NOTHING,
    )  # fmt: skip
    return replace(whole, **changes)


def run(record="M1", specimen="C1", side="candidate", **changes):
    """A multi-pass run; `up` and `down` are raw counts of each size over the whole test.

    Without them the filter passes one share of every size class, `passes`.
    """
    sizes = changes.pop("sizes", SIZES)
    passes = changes.pop("passes", 0.1)
    up = np.broadcast_to(np.asarray(changes.pop("up", 1e9 / sizes**3), dtype=float), sizes.shape)
    down = np.broadcast_to(np.asarray(changes.pop("down", passes * up), dtype=float), sizes.shape)
    mass = changes.pop("mass", np.array([0.0, 0.020, 0.040]))
    curve = changes.pop("curve", np.array([30e3, 60e3, 150e3]))
    seen = np.where(down > 0, down, 1.0)
    tenths = np.ones((10, 1))
    whole = MultipassResult(
        record=record, side=side, specimen=specimen, path="full_flow", sizes=sizes,
        up=tenths * up / 60.0, down=tenths * down / 60.0,
        readings=np.full((10, len(sizes)), 6), interval_ratio=tenths * up / seen,
        ratio=up / seen, zero_downstream=down == 0.0, raw_up=up, raw_down=down,
        dispersion=np.ones(len(sizes)), counted_up=1.0, counted_down=1.0,
        exposure=np.ones(len(sizes)), end_time=3600.0, time=np.linspace(0.0, 3600.0, len(mass)),
        mass=mass, pressure_drop=curve, curve=curve, housing=0.0, terminal=150e3, flow=60 / 6e4,
        viscosity=MU, density=RHO, injection_flow=0.25 / 6e4,
        base_level=0.010, injected=float(mass[-1]),
        balance=RetainedMass(
            injected=float(mass[-1]), left_in_system=1e-3, retained=float(mass[-1]) - 1e-3,
            level_below_base=False,
        ),
    )  # fmt: skip
    return replace(whole, **changes)


def instrument(name, measures, **figures):
    """An instrument with the figures of its certificate."""
    return {
        "id": name, "kind": "instrument", "calibrated": date(2026, 1, 1),
        "due": date(2027, 1, 1), "certificate": "K-1", "measures": measures,
    } | figures  # fmt: skip


def entry(result, instruments=(), **changes):
    """The record entry of a result."""
    kind = "pressure_drop" if isinstance(result, PressureDropResult) else "multipass"
    standard = "ISO 3968:2017" if kind == "pressure_drop" else "ISO 4548-12:2017"
    return {
        "id": result.record, "kind": kind, "standard": standard, "filter": result.side,
        "specimen": result.specimen, "path": result.path, "laboratory": "L",
        "instruments": list(instruments), "tested": TESTED, "fluid": "fluid",
        "file": f"records/{result.record}.csv",
    } | changes  # fmt: skip


def application(asked=(), **changes):
    """The application of a small case; a table given is laid over its own."""
    document = {
        key: value | changes.pop(key, {}) if isinstance(value, dict) else value
        for key, value in APPLICATION.items()
    } | changes
    document["requirement"] = list(asked) or [requirement("burst_pressure", min="1 kPa")]
    return Application.model_validate(document)


def case(entries, tables=(), app=None, instruments=(), **changes):
    """A case of record entries; `tables` (record -> table) for those that are read."""
    document = {
        "number": "MADE-1", "revision": 0, "title": "Bench set up by hand (invented)",
        "candidate": {"part_number": "CAN-1"},
        "laboratory": [{"id": "L", "name": "Laboratory"}], "instrument": list(instruments),
        "fluid": [{"id": "fluid", "kv40": "100 mm2/s", "kv100": "11.1 mm2/s",
                   "density15": "0.885 kg/L"}],
        "record": list(entries),
    }  # fmt: skip
    if any(each["filter"] == "reference" for each in entries):
        document["reference"] = {"part_number": "FIT-1"}
    qualification = Qualification.model_validate(document | changes)
    known = dict(tables)
    records = tuple(
        Record(entry=each, table=known.get(each.id), remarks=(), file=each.file)
        for each in qualification.record
    )
    return Case(name="made", application=app or application(), qualification=qualification,
                records=records, inputs=())  # fmt: skip


def bench(results, *, entries=None, **options):
    """A bench of results; what is no field of Bench goes to the case."""
    names = {each.name for each in fields(Bench)}
    own = {key: options.pop(key) for key in list(options) if key in names}
    made = entries or [entry(each) for each in results]
    runs = tuple(each for each in results if isinstance(each, MultipassResult))
    sweeps = tuple(each for each in results if isinstance(each, PressureDropResult))
    return Bench(**({"case": case(made, **options), "limits": limits(), "multipass": runs,
                     "pressure": sweeps, "checks": (), "seed": 1} | own))  # fmt: skip


def exact(**accuracy):
    """The limits of the standards with every accuracy that stands in at zero, but those given."""
    known = limits()
    return replace(known, accuracy=dict.fromkeys(known.accuracy, 0.0) | accuracy)
