"""A made-up case with its assessment, so that pages can be tested without a laboratory."""

import hashlib
import json
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from dossier.case.application import Application
from dossier.case.case import Case, InputFile, Record, Remark
from dossier.case.model import Qualification
from dossier.case.records import MultipassTable, Table
from dossier.decision.cautions import GENERAL
from dossier.decision.finding import Assessment, Caution, Finding
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench, Curve, Curves
from dossier.evidence.limits import Check, Limits
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import Quantity
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Component, Estimate, NotDemonstrated, SpecimenValue
from dossier.physics.multipass import RetainedMass
from dossier.physics.pressure_drop import PressureDropFit
from dossier.report import render
from dossier.report.layout.pdf import Rendered
from dossier.words import say

ISSUED = date(2026, 3, 30)
SIZES = np.array([4.0, 6.0, 10.0, 15.0, 20.0, 30.0])
TABLE: Table = MultipassTable(
    time=np.arange(3.0), pressure_drop=np.arange(3.0), flow=None, temperature=None,
    sizes=SIZES, upstream=np.ones((3, 6)), downstream=np.ones((3, 6)),
)  # fmt: skip


def application(**changes: Any) -> Application:
    document: dict[str, Any] = {
        "title": "Main lube circuit of an invented engine",
        "revision": "C",
        "issued": date(2026, 1, 19),
        "owner": "Invented fleet",
        "equipment": ["Engine 1", "Engine 2"],
        "circuit": {
            "arrangement": "full_flow",
            "rated_flow": "80 L/min",
            "sump_volume": "45 L",
            "bypass_valve": {"location": "filter", "opening": {"min": "160 kPa", "max": "200 kPa"}},
            "system_pressure": "500 kPa",
        },
        "oil": {
            "description": "SAE 15W-40, mineral",
            "kv40": "110 mm2/s",
            "kv100": "14.5 mm2/s",
            "density15": "0.880 kg/L",
        },
        "duty": {
            "hot_oil": "105 degC",
            "normal_oil": "90 degC",
            "cold_start": "-10 degC",
            "service_interval": "350 h",
            "ingression": {"value": "0.060 g/h", "u": "0.009 g/h"},
            "life_factor": 1.3,
        },
        "decision_rule": {
            "kind": "guard_band",
            "confidence": "95 %",
            "agreed": date(2026, 1, 19),
        },
        "requirement": [
            {
                "id": "E1",
                "text": "any",
                "quantity": "efficiency",
                "at": {"size": "20 um(c)"},
                "min": "95 %",
                "source": "any",
                "severity": "mandatory",
            }
        ],
    }
    return Application.model_validate(document | changes)


def qualification(**changes: Any) -> Qualification:
    document: dict[str, Any] = {
        "number": "FQ-0001",
        "revision": 2,
        "title": "Alternate filter for an invented engine",
        "purpose": "Second source",
        "candidate": {
            "part_number": "CAN-1",
            "maker": "Invented candidate maker",
            "description": "Spin-on, glass",
            "lots": ["lot 1"],
        },
        "reference": {"part_number": "FIT-1", "maker": "Invented present maker"},
        "laboratory": [
            {"id": "L1", "name": "Invented laboratory", "methods": ["ISO 4548-12:2017"]}
        ],
        "instrument": [
            {
                "id": "APC-1",
                "kind": "particle counter",
                "calibrated": date(2026, 1, 1),
                "due": date(2026, 12, 31),
                "certificate": "C-1",
                "size_u": "2 %",
            }
        ],
        "fluid": [
            {"id": "oil", "kv40": "15 mm2/s", "kv100": "3.4 mm2/s", "density15": "0.860 kg/L"}
        ],
        "record": [
            _entry("MP-C1", "candidate", "C1"),
            _entry("MP-C2", "candidate", "C2"),
            _entry("MP-R1", "reference", "R1"),
        ],
        "deviation": [
            {
                "record": "MP-C1",
                "text": "Meter exchanged before.",
                "effect": "none",
                "agreed_by": "Fleet engineering",
                "agreed": date(2026, 2, 16),
            }
        ],
    }
    return Qualification.model_validate(document | changes)


def _entry(identifier: str, side: str, specimen: str) -> dict[str, Any]:
    return {
        "id": identifier,
        "kind": "multipass",
        "standard": "ISO 4548-12:2017",
        "filter": side,
        "specimen": specimen,
        "laboratory": "L1",
        "instruments": ["APC-1"],
        "tested": date(2026, 2, 16),
        "fluid": "oil",
        "file": f"records/{identifier.lower()}.csv",
    }


def case(app: Application | None = None, qual: Qualification | None = None) -> Case:
    qual = qual or qualification()
    names = ["sample/application.toml", "sample/case.toml"]
    names += [f"sample/{entry.file}" for entry in qual.record]
    inputs = tuple(_input(name) for name in names)
    records = tuple(
        Record(
            entry=entry,
            table=TABLE,
            remarks=(Remark(1, "The run went without incident."),),
            file=f"sample/{entry.file}",
        )
        for entry in qual.record
    )
    return Case(
        name="sample",
        application=app or application(),
        qualification=qual,
        records=records,
        inputs=inputs,
    )


def _input(name: str) -> InputFile:
    content = f"# {name}: µ and β\n".encode()
    return InputFile(name, hashlib.sha256(content).hexdigest(), content)


def _compute(*_: Any) -> NotDemonstrated:
    return NotDemonstrated(reason="not computed in a sample")


SECTIONS: Any = {
    "efficiency": "efficiency",
    "retained_capacity": "capacity",
    "clean_pressure_drop": "pressure",
    "cold_bypass_temperature": "pressure",
    "burst_pressure": "strength",
}


def quantity(name: str, title: str, dimension: str, unit: str, better: Any = "higher") -> Quantity:
    return Quantity(
        name=name, title=title, symbol="E", dimension=dimension, unit=unit, conditions=(),
        records=("multipass",), better=better, meaning="Share removed.",
        formula="E(x) = 1 − ΣN̄d,j(x) / ΣN̄u,j(x), minⱼ", standard="ISO 4548-12:2017 (from memory)",
        example="", compute=_compute, section=SECTIONS[name],
    )  # fmt: skip


EFFICIENCY = quantity("efficiency", "Efficiency", "fraction", "%")
CAPACITY = quantity("retained_capacity", "Retained capacity", "mass", "g")
CLEAN = quantity("clean_pressure_drop", "Clean pressure drop", "pressure", "kPa", "lower")
COLD = quantity("cold_bypass_temperature", "Valve closes above", "temperature", "degC", "lower")
BURST = quantity("burst_pressure", "Burst pressure", "pressure", "kPa")


def demand(declared: Quantity, identifier: str, **changes: Any) -> Demand:
    values: dict[str, Any] = {
        "id": identifier,
        "text": f"Requirement {identifier} of 20 um(c)",
        "quantity": declared,
        "at": {},
        "at_text": "",
        "lower": None,
        "upper": None,
        "not_worse": None,
        "unit": declared.unit,
        "source": "Specification 1",
        "severity": "mandatory",
        "basis": "mean",
        "coverage": 0.95,
        "confidence": 0.95,
    }
    return Demand(**(values | changes))


def estimate(value: float, u: float, **changes: Any) -> Estimate:
    specimens = tuple(
        SpecimenValue(specimen=name, record=f"MP-{name}", value=value + step * u, u=u)
        for name, step in (("C1", -1.0), ("C2", 1.0))
    )
    values: dict[str, Any] = {
        "value": value,
        "u": u,
        "dof": 20.0,
        "per_specimen": specimens,
        "components": (
            Component(name="scatter of 2 specimens", u=0.8 * u, dof=1.0, source="the records"),
            Component(
                name="calibration",
                u=0.6 * u,
                dof=float("inf"),
                source="APC-1",
                shared="APC-1:counts",
            ),
        ),
        "sources": ("MP-C1", "MP-C2"),
        "notes": ("interpolated at 20 um(c)",),
    }
    return Estimate(**(values | changes))


def finding(asked: Demand, found: Estimate | None, verdict: str, **changes: Any) -> Finding:
    spread = None if found is None or found.bound else 2.09 * found.u
    values: dict[str, Any] = {
        "demand": asked,
        "verdict": Verdict(verdict),
        "estimate": found,
        "reference": None,
        "probability": None,
        "interval": None if found is None or spread is None
        else (found.value - spread, found.value + spread),
        "lower": asked.lower,
        "upper": asked.upper,
        "reason": "the mean of the filter type conforms",
    }  # fmt: skip
    return Finding(**(values | changes))


def findings() -> tuple[Finding, ...]:
    e1 = demand(EFFICIENCY, "E1", lower=0.95, at={"size": 20.0}, at_text="20 um(c)")
    c2 = demand(CAPACITY, "C2", not_worse=0.05)
    p1 = demand(
        CLEAN, "P1", upper=32e3, at={"flow": 80 / 6e4, "temperature": 378.15},
        at_text="80 L/min, 105 degC",
    )  # fmt: skip
    b2 = demand(COLD, "B2", upper=323.15, at_text="80 L/min", severity="advisory")
    s1 = demand(BURST, "S1", lower=2e6)
    s2 = demand(BURST, "S2", lower=1e6, severity="advisory")
    held = estimate(40.2e-3, 0.5e-3)
    other = estimate(39.8e-3, 0.6e-3)
    return (
        finding(
            e1, estimate(0.9731, 0.002), "pass", probability=0.9994,
            reference=estimate(0.9605, 0.003),
        ),
        finding(c2, held, "pass", probability=0.9987, reference=other, lower=0.95 * 39.8e-3),
        finding(p1, estimate(31.2e3, 0.6e3), "fail", probability=0.90, reason="too near"),
        finding(b2, estimate(318.2, 1.1), "pass", probability=0.9999),
        finding(s1, None, "not demonstrated", reason="there is no measurement of the candidate"),
        finding(
            s2, estimate(2e6, 0.0, bound="larger than", components=()), "pass",
            probability=1.0,
        ),
    )  # fmt: skip


def run(record: str, side: str, specimen: str, strength: float) -> MultipassResult:
    up = 1e4 * np.exp(-SIZES / 8.0)[None, :] * np.linspace(1.0, 1.1, 10)[:, None]
    ratio = (1.0 + (SIZES / 6.0) ** 2.5 * strength)[None, :] * np.linspace(0.8, 1.3, 10)[:, None]
    down = up / ratio
    down[2, 5] = 0.0
    time = np.linspace(0.0, 3600.0, 61)
    mass = np.linspace(0.0, 0.045 * strength**0.2, 61)
    drop = 15e3 + 5e3 + 145e3 * (np.exp(4 * time / 3600.0) - 1) / (np.exp(4.0) - 1)
    held = RetainedMass(
        mass[-1], left_in_system=1e-3, retained=mass[-1] - 1.2e-3, level_below_base=False
    )
    safe = np.where(down > 0, down, 1.0)
    return MultipassResult(
        record=record, side=side, specimen=specimen, path="full_flow", sizes=SIZES, up=up,
        down=down, readings=np.full((10, 6), 6),
        interval_ratio=np.where(down > 0, up / safe, np.nan),
        ratio=up.sum(axis=0) / down.sum(axis=0), zero_downstream=np.zeros(6, dtype=bool),
        raw_up=up.sum(axis=0), raw_down=down.sum(axis=0), dispersion=np.ones(6),
        counted_up=2.5, counted_down=2.5, exposure=np.ones(6), end_time=3600.0, time=time,
        mass=mass, pressure_drop=drop, curve=drop, housing=15e3, terminal=150e3, flow=80 / 6e4,
        viscosity=0.0129, density=850.0, injection_flow=0.25 / 6e4,
        base_level=0.010, injected=float(mass[-1]), balance=held,
    )  # fmt: skip


def sweep(record: str, side: str, specimen: str) -> PressureDropResult:
    flow = np.linspace(20.0, 96.0, 6) / 6e4
    fit = PressureDropFit(a=1.2e8, b=1.1e7, covariance=np.eye(2), resolved=(True, False))
    return PressureDropResult(
        record=record, side=side, specimen=specimen, path="full_flow", flow=flow,
        pressure_drop=1e6 * flow, viscosity=np.full(6, 0.02),
        density=np.full(6, 870.0), housing_rows=np.zeros(6, dtype=bool), assembly=fit,
        housing=None, per_flow=(0.0, 0.0), per_kelvin=(0.0, 0.0),
        per_viscosity=((0.0, 0.0), (0.0, 0.0)),
    )  # fmt: skip


def curves() -> Curves:
    flow = np.linspace(0.0, 88.0, 23) / 6e4
    warmth = np.linspace(263.15, 378.15, 41)
    hours = np.linspace(0.0, 700.0, 41) * 3600.0

    def line(side: str, x: Any, y: Any) -> Curve:
        return Curve(side=side, label=side, x=x, y=y, low=0.95 * y, high=1.05 * y)

    sides = (("candidate", 1.1), ("reference", 1.0))
    return Curves(
        clean_hot=tuple(line(s, flow, f * 2.3e7 * flow) for s, f in sides),
        clean_cold=tuple(line(s, flow, f * 3.0e8 * flow) for s, f in sides),
        cold_temperature=268.15,
        against_temperature=tuple(
            line(s, warmth, f * 30e3 * np.exp((378.15 - warmth) / 28.0)) for s, f in sides
        ),
        against_hours=tuple(
            line(s, hours, f * (35e3 + 150e3 * (hours / hours[-1]) ** 3)) for s, f in sides
        ),
        notes=("lines end at -5 degC",),
    )


def checks() -> tuple[Check, ...]:
    def check(record: str, rule: str, outcome: Any, deviation: str = "") -> Check:
        return Check(
            record=record, rule=rule, standard="ISO 4548-12:2017 clause 6 (memory, low)",
            limit="within 5 % of 80 L/min", found="80.4 L/min", outcome=outcome, mandatory=True,
            deviation=deviation,
        )  # fmt: skip

    return (
        check("MP-C1", "test flow", "met"),
        check("MP-C2", "test flow", "met"),
        check("MP-R1", "test flow", "warning"),
        check("MP-C1", "zero offset", "covered by a deviation", "Zero checked afterwards."),
    )


def bench(of: Case) -> Bench:
    limits = Limits(
        limits=(), flow_factor=1.05, viscosity_factor=2.0, run_flow_factor=1.25,
            run_viscosity_factor=3.0, first_minutes=2.0,
        accuracy={}, accuracy_mark="memory",
    )  # fmt: skip
    return Bench(
        case=of,
        limits=limits,
        multipass=(
            run("MP-C1", "candidate", "C1", 1.6),
            run("MP-C2", "candidate", "C2", 1.7),
            run("MP-R1", "reference", "R1", 1.0),
        ),
        pressure=(sweep("PD-C1", "candidate", "C1"), sweep("PD-R1", "reference", "R1")),
        checks=checks(),
        seed=7,
    )


def passing() -> tuple[Finding, ...]:
    """Return the findings of which every mandatory one passes."""
    return tuple(f for f in findings() if f.demand.id not in {"P1", "S1"})


def assessment(of: Case, **changes: Any) -> Assessment:
    whole = Assessment(
        findings=findings(),
        decision=Decision.NOT_APPROVED,
        checks=checks(),
        cautions=(
            Caution(title="Thin margin: P1", text="Met with 90 % only.", computed=True),
            *(replace(each, title=say(each.title), text=say(each.text)) for each in GENERAL),
        ),
        seed=7,
        conditions=(),
        bench=bench(of),
        curves=curves(),
    )
    return replace(whole, **changes)


def documents() -> dict[str, bytes]:
    manifest = {"versions": {"dossier": "0.0.0", "numpy": "2"}, "seed": 7}
    return {
        "decision_json": b'{"decision": "sample"}\n',
        "manifest_json": json.dumps(manifest).encode(),
    }


def laid_out(of: Case, assessed: Assessment, **how: Any) -> Rendered:
    """Lay a dossier out; the PDF comes with what was said while it was made."""
    with render.prepared(of, assessed, issued=ISSUED, **documents(), **how) as ready:
        return render.laid_out(ready)


def pdf(of: Case, assessed: Assessment, **how: Any) -> bytes:
    """Lay a dossier out as `dossier build` does, and return its PDF."""
    with render.prepared(of, assessed, issued=ISSUED, **documents(), **how) as ready:
        return render.rendered(ready)
