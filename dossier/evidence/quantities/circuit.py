"""Behaviour in the circuit: share through the fine path, turnover, long-run contamination."""

import math
import re
from dataclasses import replace

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.fine_path import fine_share, pump_flow
from dossier.evidence.quantities.sump import sump_estimate
from dossier.evidence.registry import Condition, Conditions, Side, quantity
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, SpecimenValue
from dossier.physics import cleanliness
from dossier.words import say

SIZE = Condition(name="size", dimension="size", unit="um(c)")
WARMTH = Condition(
    name="temperature", dimension="temperature", unit="degC", default="duty.normal_oil"
)
SWEEPS = ("pressure_drop",)
ALL = ("multipass", "pressure_drop")
SPLIT = (
    "equal pressure of parallel paths, each a·µ·Q + b·ρ·Q² (own, from mass and pressure balance)"
)
BALANCE = "sump balance in closed form (mass balance); ISO 12103-1 A3 counts from memory"


@quantity(
    name="partial_flow_share",
    title="Share through the fine path",
    symbol="w",
    dimension="fraction",
    unit="%",
    conditions=(WARMTH,),
    section="circuit",
    records=SWEEPS,
    better="neither",
    meaning="Share of the rated flow that passes the fine path, from the balance of pressures.",
    formula="Δp_fine(w·Q) = p_gallery + Δp_full((1 − w)·Q); with all oil to the engine "
    "Δp_fine(w·Q) = Δp_full((1 − w)·Q)",
    standard=SPLIT,
    example='quantity = "partial_flow_share"\nat = { temperature = "90 degC" }\n'
    'between = { min = "5 %", max = "15 %" }',
)
def partial_flow_share(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the share of the rated flow through the fine path [-] at `at["temperature"]` [K]."""
    return fine_share(bench, side, at["temperature"])


@quantity(
    name="turnover_time",
    title="Time for the sump to pass the fine path once",
    symbol="τ",
    dimension="time",
    unit="min",
    conditions=(WARMTH,),
    section="circuit",
    records=SWEEPS,
    better="lower",
    meaning="Time in which the fine path passes one sump volume; with perfect mixing 36.8 % of "
    "the oil has then not yet passed.",
    formula="τ = V / (w·Q)",
    standard=SPLIT,
    example='quantity = "turnover_time"\nat = { temperature = "90 degC" }\nmax = "8 min"',
)
def turnover_time(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the time [s] in which the fine path passes one sump volume."""
    circuit = bench.case.application.circuit
    if circuit.sump_volume is None or not circuit.sump_volume > 0:
        return NotDemonstrated(reason=say("the application states no circuit . sump_volume"))
    share = fine_share(bench, side, at["temperature"])
    if isinstance(share, NotDemonstrated):
        return share
    once = circuit.sump_volume / pump_flow(bench)
    value = once / share.value

    def carried(one: SpecimenValue) -> SpecimenValue:
        return replace(one, value=once / one.value, u=one.u * once / one.value**2)

    scale = once / share.value**2
    return replace(
        share,
        value=value,
        u=share.u * scale,
        unit="s",
        scale="reciprocal",
        components=tuple(c.times(scale) for c in share.components),
        per_specimen=tuple(carried(one) for one in share.per_specimen),
    )


@quantity(
    name="sump_concentration",
    title="Long-run concentration in the sump",
    symbol="C",
    dimension="count concentration",
    unit="1/mL",
    conditions=(SIZE, WARMTH),
    section="circuit",
    records=ALL,
    better="lower",
    meaning="Particles of a size and larger in a millilitre of sump oil after a long time.",
    formula="C = R(x) / (Q·[(1 − w)·E(x) + w·E_fine(x)]), R the particles in the ingression",
    standard=BALANCE,
    example='quantity = "sump_concentration"\n'
    'at = { size = "10 um(c)", temperature = "90 degC" }\nmax = "200 1/mL"',
)
def sump_concentration(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the long-run concentration in the sump [1/mL]."""
    return sump_estimate(bench, side, at["size"], at["temperature"])


@quantity(
    name="sump_cleanliness",
    title="Cleanliness code of the sump, classes above the wanted",
    symbol="K",
    dimension="cleanliness code",
    unit="classes",
    conditions=(WARMTH,),
    section="circuit",
    records=ALL,
    better="lower",
    share_of="",
    meaning="Long-run ISO 4406 code of the sump at 4, 6 and 14 µm(c) against the wanted code: "
    "classes by which the worst of the three sizes lies above it, negative when all lie below.",
    formula="K = max over the sizes of lg(C / C_limit) / lg 2",
    standard="ISO 4406:2021 (table from memory); " + BALANCE,
    example='quantity = "sump_cleanliness"\nat = { temperature = "90 degC" }\nmax = "18/16/13"',
)
def sump_cleanliness(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return by how many classes the sump's code exceeds the wanted code [-]."""
    numbers = [int(n) for n in re.findall(r"\d+", str(at["code"]))]
    try:
        limits = [cleanliness.upper_limit(number) for number in numbers]
    except ValueError as error:
        return NotDemonstrated(reason=say("wanted code: {error}", error=error))
    found = []
    for size in (4.0, 6.0, 14.0):
        one = sump_estimate(bench, side, size, at["temperature"])
        if isinstance(one, NotDemonstrated):
            return one
        found.append(one)
    return _classes(found, limits)


def _classes(found: list[Estimate], limits: list[float]) -> Estimate:
    def over(values: list[float]) -> float:
        return max(math.log2(v / limit) for v, limit in zip(values, limits, strict=True))

    draws = np.max(
        [
            np.log2(np.maximum(one.samples, 1e-300) / limit)
            for one, limit in zip(found, limits, strict=True)
            if one.samples is not None
        ],
        axis=0,
    )
    low, high = np.quantile(draws, [0.158655, 0.841345], method="nearest")
    u = float(high - low) / 2.0
    names = [one.specimen for one in found[0].per_specimen]
    specimens = [
        SpecimenValue(
            specimen=name,
            record=found[0].per_specimen[k].record,
            value=over([one.per_specimen[k].value for one in found]),
            u=u,
        )
        for k, name in enumerate(names)
    ]
    code = cleanliness.code(found[0].value, found[1].value, found[2].value)
    return Estimate(
        value=over([one.value for one in found]),
        u=u,
        dof=math.inf,
        unit="classes",
        per_specimen=tuple(specimens),
        samples=draws,
        sources=tuple(dict.fromkeys(s for one in found for s in one.sources)),
        notes=(say("long-run code {code}", code=code), *found[0].notes),
        details={"code": code},
    )
