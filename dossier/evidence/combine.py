"""From specimens to the filter type: scatter, counting, and what all specimens share."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench
from dossier.evidence.estimate import Component, Estimate, Scale, SpecimenValue
from dossier.evidence.uncertainty import welch_satterthwaite

__all__ = ["combine", "generator", "widening"]


def combine(
    specimens: Sequence[SpecimenValue],
    own: Sequence[float],
    shared: Sequence[Component],
    *,
    unit: str,
    own_name: str = "measurement of each specimen",
    scale: Scale = "linear",
    notes: Sequence[str] = (),
    details: Mapping[str, object] | None = None,
) -> Estimate:
    """Return the estimate of a filter type's mean from its specimens.

    `specimens` (n) carry value and full uncertainty, `own` (n) is the part of it that is
    independent from specimen to specimen, `shared` are components that all have in common, in the
    unit of the value.  The scatter of n specimens (JCGM 100:2008, 4.2.3) holds their own errors
    already; where it happens to be smaller than those errors alone would give, the larger of the
    two stands.  Effective degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.4).
    """
    values = np.array([each.value for each in specimens])
    components = [_spread(values, np.asarray(own, dtype=float), own_name), *shared]
    u = math.sqrt(sum(c.u**2 for c in components))
    dof = welch_satterthwaite([c.u for c in components], [c.dof for c in components])
    return Estimate(
        value=float(values.mean()),
        u=u,
        dof=dof,
        unit=unit,
        per_specimen=tuple(specimens),
        components=tuple(components),
        scale=scale,
        sources=tuple(dict.fromkeys(each.record for each in specimens)),
        notes=tuple(notes),
        details=details or {},
    )


def _spread(values: NDArray[np.float64], own: NDArray[np.float64], own_name: str) -> Component:
    n = len(values)
    independent = float(np.sqrt((own**2).sum())) / n
    if n == 1:
        return Component(name=own_name, u=independent, dof=math.inf, source="one specimen")
    scatter = float(values.std(ddof=1)) / math.sqrt(n)
    if scatter >= independent:
        return Component(
            name=f"scatter of {n} specimens", u=scatter, dof=n - 1.0, source="the records"
        )
    return Component(
        name=f"{own_name} (larger than the scatter of {n} specimens)",
        u=independent,
        dof=math.inf,
        source="the records",
    )


def widening(bench: Bench, records: Sequence[str], value: float) -> list[Component]:
    """Return the components that recorded deviations add to a mean over `records`."""
    added = [bench.widened.get(record, 0.0) for record in records]
    if not any(added):
        return []
    u = abs(value) * math.sqrt(sum(a * a for a in added)) / len(added)
    names = ", ".join(r for r, a in zip(records, added, strict=True) if a)
    return [
        Component(name="recorded deviations", u=u, dof=math.inf, source=f"deviation of {names}")
    ]


def generator(bench: Bench, purpose: str) -> np.random.Generator:
    """Return the random generator of a purpose: the same seed and words give the same draws."""
    import zlib

    return np.random.Generator(np.random.PCG64([bench.seed, zlib.crc32(purpose.encode())]))
