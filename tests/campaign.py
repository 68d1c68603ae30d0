"""Simulated campaigns as benches: some specimens a side, in one laboratory or several."""

from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np

from dossier.case.case import Case
from dossier.case.fields import Ends, Measured, VolumeEnds
from dossier.case.model import Reproducibility
from dossier.case.read import read_case_files
from dossier.case.records import MultipassTable, PressureDropTable
from dossier.decision.choice import Candidate
from dossier.evidence.prepare import prepare
from dossier.make.decide import limits
from tests import laboratory as lab

INPUTS = Path(__file__).parents[1] / "inputs"
SIZES = (5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 30.0)

CANDIDATE = lab.FilterType(
    name="candidate",
    sizes=SIZES,
    penetration=(0.50, 0.36, 0.19, 0.048, 0.015, 0.0077, 0.0045),
    drift=0.2,
    element_a=1.35e9,
    element_b=2.0e6,
    housing_a=1.5e8,
    housing_b=7.0e6,
    growth=2.2e7,
    growth_rate=0.12,
    gravimetric_efficiency=0.42,
    penetration_sd=0.06,
    capacity_sd=0.02,
    pressure_sd=0.03,
)
REFERENCE = replace(
    CANDIDATE,
    name="reference",
    penetration=tuple(1.15 * p for p in CANDIDATE.penetration),
    growth_rate=0.13,
    element_a=1.25e9,
)
PLAN = lab.RigPlan(
    flow=80.0,
    terminal=150.0,
    oil=lab.Oil(kv40=15.0, kv100=3.4, density15=860.0),
    sweep_oil=lab.Oil(kv40=100.0, kv100=11.1, density15=885.0),
)
STATED = lab.Certificates()
OIL = lab.Oil(kv40=110.0, kv100=14.5, density15=880.0)


def unchecked():
    """Look at no rule of validity, which changes no result and takes most of the time."""
    return patch("dossier.evidence.prepare._checks", lambda *_: ())


@dataclass(frozen=True)
class Template:
    """The demo case whose records the simulated ones take the place of."""

    case: Case
    kinds: dict


def template():
    case = read_case_files(INPUTS / "polder-pumps")
    kinds = {(r.entry.kind, r.entry.filter, r.entry.specimen): r for r in case.records}
    return Template(case, kinds)


def _multipass(record, run):
    conditions = record.entry.conditions
    ends = [
        Measured(value=v / 1e3, u=STATED.injection_level * v / 1e3) for v in run.injection_level
    ]
    final = run.final_level / 1e3
    stated = conditions.model_copy(
        update={
            "injection_concentration": Ends.model_construct(start=ends[0], end=ends[1]),
            "injection_volume": VolumeEnds.model_construct(
                start=run.injection_volume[0] / 1e3, end=run.injection_volume[1] / 1e3
            ),
            "final_concentration": Measured(value=final, u=STATED.final_level * final),
            "housing_pressure_drop": Measured(value=run.housing_pressure_drop * 1e3),
            "terminal_pressure_drop": PLAN.terminal * 1e3,
        }
    )
    table = MultipassTable(
        time=run.time * 60.0,
        pressure_drop=run.pressure_drop * 1e3,
        flow=run.flow / 6e4,
        temperature=run.temperature + 273.15,
        sizes=run.sizes,
        upstream=run.upstream,
        downstream=run.downstream,
    )
    entry = record.entry.model_copy(update={"conditions": stated})
    return replace(record, entry=entry, table=table)


def _sweep(record, run, apart):
    """Return the sweep as a laboratory delivers it that finds `apart` times the drop of others."""
    table = PressureDropTable(
        flow=run.flow / 6e4,
        pressure_drop=apart * run.pressure_drop * 1e3,
        temperature=run.temperature + 273.15,
        housing=np.array([part == "housing" for part in run.part]),
    )
    return replace(record, table=table)


BETWEEN = {"efficiency": 0.08, "retained_capacity": 0.05, "clean_pressure_drop": 0.04}
"""Stated standard uncertainty between laboratories of each quantity [-]."""


def _oil(oil):
    """Return an oil as stated: with the standard uncertainty of its viscosities."""
    stated = {
        key: Measured(value=(v := getattr(oil, key).value), u=STATED.viscosity * v)
        for key in ("kv40", "kv100")
    }
    return oil.model_copy(update=stated)


def _houses(names, rng, stated, batches):
    """Return each laboratory with its errors, and what it finds apart from the others.

    What is stated of penetration, capacity and pressure drop is of each as a whole: of the drop of
    housing and element together, as an estimate has it, and not of the element's resistance alone.
    """
    found = {}
    for name in names:
        apart = [np.exp(u * rng.standard_normal()) for u in BETWEEN.values()]
        if len(names) == 1:
            apart = [1.0] * 3
        found[name] = (
            lab.open_campaign(PLAN, stated, rng, batches=batches),
            lab.SpecimenFactors(*apart),
        )
    return found


def _stated(qualification, names):
    """Return the case's description with certificates and reproducibility as simulated."""
    first = qualification.laboratory[0]
    return {
        "laboratory": tuple(first.model_copy(update={"id": name}) for name in names),
        "instrument": tuple(
            each.model_copy(update={"diameter_u": STATED.size}) for each in qualification.instrument
        ),
        "fluid": tuple(_oil(each) for each in qualification.fluid),
        "reproducibility": tuple(
            Reproducibility(method=method, quantity=name, u=f"{100 * u} %", source="simulated data")
            for name, u in BETWEEN.items()
            for method in ("ISO 4548-12:2017", "ISO 4548-1:1997")
        ),
    }


def campaign(
    base,
    seed,
    specimens=3,
    where=lambda side, number: "ITH",
    *,
    stated=STATED,
    kinds=(CANDIDATE, REFERENCE),
    batches=False,
    checked=True,
):
    """Return the bench of one simulated campaign; `where` names the laboratory of a specimen.

    Without `checked` no rule of validity is looked at, which changes no result and takes most of
    the time.
    Laboratories draw their errors from `stated` and, with `batches`, their dust; what they state
    of themselves is STATED.
    """
    rng = np.random.default_rng(seed)
    sides = ("candidate", "reference")
    names = sorted({where(side, n) for side in sides for n in range(1, specimens + 1)})
    houses = _houses(names, rng, stated, batches)
    records = [each for each in base.case.records if each.entry.kind == "bypass_valve"]
    for side, kind in zip(sides, kinds, strict=True):
        for number in range(1, specimens + 1):
            house, apart = houses[where(side, number)]
            own = lab.draw_specimen(kind, rng)
            found = own.times(replace(apart, pressure=1.0))
            name = f"{side[0].upper()}{number}"
            first = f"{side[0].upper()}1"
            run = lab.simulate_multipass(kind, found, house, rng)
            sweep = lab.simulate_pressure_drop(kind, own, house, rng)
            made = (
                _multipass(base.kinds["multipass", side, first], run),
                _sweep(base.kinds["pressure_drop", side, first], sweep, apart.pressure),
            )
            for record in made:
                update = {"id": f"{record.entry.kind}-{name}", "specimen": name}
                update["laboratory"] = where(side, number)
                records.append(replace(record, entry=record.entry.model_copy(update=update)))
    plan = {
        side: getattr(base.case.qualification, side).model_copy(update={"specimens": ()})
        for side in ("candidate", "reference")
    }
    plan |= _stated(base.case.qualification, names)
    qualification = base.case.qualification.model_copy(update=plan)
    oil = _oil(base.case.application.oil)
    for key in ("kv40", "kv100"):
        known = getattr(oil, key)
        drawn = 1.0 + STATED.viscosity * rng.standard_normal()
        moved = Measured(value=known.value * drawn, u=known.u)
        oil = oil.model_copy(update={key: moved})
    application = base.case.application.model_copy(update={"oil": oil})
    case = replace(
        base.case, records=tuple(records), qualification=qualification, application=application
    )
    with nullcontext() if checked else unchecked():
        return prepare(case, limits(), seed)


def as_two(bench, other=None):
    """Return the candidate of one campaign and the reference of another, or of the same, as two.

    Each is the candidate of a case of its own: what one would choose between.
    """
    found = []
    for side, of, label in (
        ("candidate", bench, "ONE-r0"),
        ("reference", other or bench, "TWO-r0"),
    ):
        own = tuple(
            replace(each, entry=each.entry.model_copy(update={"filter": "candidate"}))
            for each in of.case.records
            if each.entry.filter == side
        )
        found.append(
            Candidate(
                label=label,
                case=replace(of.case, records=own),
                assessment=SimpleNamespace(bench=SimpleNamespace(checks=of.checks)),
            )
        )
    return found[0], found[1]
