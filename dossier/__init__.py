"""From a filter laboratory's raw test data to a decided, signed-off dossier."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dossier.case.problems import CaseError, CaseProblem
    from dossier.make.api import build, sign
    from dossier.make.decide import assess
    from dossier.make.read import read_case
    from dossier.verification.verify import verify

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

_HOME = {
    "assess": "dossier.make.decide",
    "build": "dossier.make.api",
    "read_case": "dossier.make.read",
    "sign": "dossier.make.api",
    "verify": "dossier.verification.verify",
    "CaseError": "dossier.case.problems",
    "CaseProblem": "dossier.case.problems",
}


def __getattr__(name: str) -> Any:
    """Import the public names when they are first used: the command line starts fast."""
    if name == "__version__":
        from importlib.metadata import version

        return version("dossier")
    if name not in _HOME:
        raise AttributeError(f"module 'dossier' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
