"""Imported once by the process that all processes of a batch start from: what is slow to load."""

import contextlib
import gc
from importlib import import_module

gc.disable()  # nothing that is loaded here is ever given back
from dossier.make.outcome import one_thread  # noqa: E402  as early as may be

one_thread()

from dossier.evidence.quantities import all_quantities  # noqa: E402  after the settings above
from dossier.evidence.statistics.uncertainty import load_functions  # noqa: E402
from dossier.report.layout.pdf import RenderError, load_weasyprint  # noqa: E402

SLOW = (
    "pandas",
    "dossier.record.decision_record",
    "dossier.batch.run",
    "dossier.case.read",
    "dossier.command.cli",
    "dossier.make.verdict_text",
    "dossier.decision.assess",
    "dossier.make.api",
    "dossier.report.render",
    "jinja2",
    "rfc8785",
)

for _name in SLOW:
    import_module(_name)

all_quantities()
load_functions()
with contextlib.suppress(RenderError):  # each case says what is missing
    load_weasyprint()
gc.collect()
gc.freeze()  # what is shared by all processes is not looked through again
gc.set_threshold(50_000, 20, 50)
gc.enable()
