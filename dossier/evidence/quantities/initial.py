"""Efficiency of the clean filter: the first reporting tenth of a multi-pass run."""

from dataclasses import replace

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.filtration import SIZE, STANDARD, as_efficiency
from dossier.evidence.quantities.penetration import column, penetration, tenth_passage
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import Conditions, Side, quantity
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.words import later, say


@quantity(
    name="initial_efficiency",
    title="Initial efficiency",
    symbol="E₁",
    dimension="fraction",
    unit="%",
    conditions=(SIZE,),
    section="efficiency",
    records=("multipass",),
    better="higher",
    share_of="penetration",
    meaning="Share of the particles of a size and larger removed in the first reporting tenth, "
    "while the filter is still clean.",
    formula="E₁(x) = 1 − N̄d,1(x) / N̄u,1(x)",
    standard=STANDARD,
    example='quantity = "initial_efficiency"\nat = { size = "20 um(c)" }\nmin = "93 %"',
)
def initial_efficiency(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
    """Return the efficiency of the first reporting tenth [-] at `at["size"]` [um(c)]."""
    runs = usable_runs(bench, side)
    if isinstance(runs, NotDemonstrated):
        return runs
    passages = []
    for run in runs:
        k = column(run, at["size"])
        if k is None:
            words = later("record {record} has no counts at {size:g} µm(c)")
            reason = say(words, record=run.record, size=at["size"])
            return NotDemonstrated(reason=reason, records=(run.record,))
        passages.append(tenth_passage(run, k, 0))
    found = penetration(bench, passages, f"{side} first tenth {at['size']:g}")
    if isinstance(found, NotDemonstrated):
        return found
    note = say("the first tenth leaves out the first counts of the run")
    return replace(as_efficiency(found), notes=(*found.notes, note))
