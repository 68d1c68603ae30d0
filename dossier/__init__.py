"""From a filter laboratory's raw test data to a decided, signed-off dossier."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dossier.api import assess, build, read_case, sign
    from dossier.archive.verify import verify
    from dossier.case.problems import CaseError, CaseProblem

__all__ = [
    "CaseError",
    "CaseProblem",
    "__version__",
    "assess",
    "build",
    "read_case",
    "sign",
    "verify",
]

__version__ = "0.1.0"

_HOME = {
    "assess": "dossier.api",
    "build": "dossier.api",
    "read_case": "dossier.api",
    "sign": "dossier.api",
    "verify": "dossier.archive.verify",
    "CaseError": "dossier.case.problems",
    "CaseProblem": "dossier.case.problems",
}


def __getattr__(name: str) -> Any:
    """Import the public names when they are first used: the command line starts fast."""
    if name not in _HOME:
        raise AttributeError(f"module 'dossier' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
