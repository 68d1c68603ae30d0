"""Imported once by the process that all processes of a batch start from: what is slow to load."""

import contextlib
import gc
from importlib import import_module

from dossier.case.units import parse_quantity
from dossier.report.render import RenderError, load_weasyprint

__all__ = ["SLOW"]

SLOW = (
    "pandas",
    "scipy.optimize",
    "scipy.special",
    "matplotlib.backends.backend_svg",
    "matplotlib.figure",
    "dossier.api",
    "dossier.archive.record",
    "dossier.case.read",
    "dossier.decision.assess",
)

for _name in SLOW:
    import_module(_name)

parse_quantity("1 kPa", "pressure")  # builds the registry of units
with contextlib.suppress(RenderError):  # each case says what is missing
    load_weasyprint()
gc.collect()
gc.freeze()  # what is shared by all processes is not looked through again
