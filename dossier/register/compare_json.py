"""A comparison as JSON."""

import json
from typing import Any

from dossier.register.compare import Change, Comparison, ValueChange


def comparison_json(comparison: Comparison, files: tuple[str, str]) -> str:
    """Return a comparison as JSON; `files` are the two places as they were given."""
    sides = zip(files, comparison.names, comparison.decisions, strict=True)
    document: dict[str, Any] = {
        "schema": "dossier comparison 1.0",
        "a": None,
        "b": None,
        "same": comparison.same,
        "remarks": list(comparison.remarks),
        "verdicts": [
            {
                "requirement": each.requirement,
                "a": each.before,
                "b": each.after,
                "because": list(each.because),
            }
            for each in comparison.verdicts
        ],
        "requirements": [
            {
                "requirement": each.requirement,
                "kind": each.kind,
                "changes": [_change(change) for change in each.changes],
            }
            for each in comparison.requirements
        ],
        "values": [_value(each) for each in comparison.values],
        "inputs": [
            _change(change) | {"moved": list(moved)}
            for change, (_, moved) in zip(comparison.inputs, comparison.effects, strict=True)
        ],
        "other": [_change(each) for each in comparison.rest],
    }
    for side, (file, name, decision) in zip("ab", sides, strict=True):
        document[side] = {"file": file, "dossier": name, "decision": decision}
    return json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True) + "\n"


def _change(change: Change) -> dict[str, Any]:
    return {"what": change.what, "a": change.before, "b": change.after}


def _value(change: ValueChange) -> dict[str, Any]:
    sides = {
        side: {"value": value, "u": u, "unit": unit}
        for side, (value, u, unit) in (("a", change.before), ("b", change.after))
    }
    return {
        "requirement": change.requirement,
        "quantity": change.quantity,
        "difference": change.difference,
        "because": list(change.because),
        **sides,
    }
