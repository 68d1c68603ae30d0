"""Codes that pages print as words: compared and stored as they are, said where they are printed."""

from collections.abc import Mapping

from dossier.words import later

__all__ = ["CODES"]

CODES: Mapping[str, tuple[str, ...]] = {
    "verdict": (
        later("pass"),
        later("conditional pass"),
        later("conditional fail"),
        later("fail"),
        later("not demonstrated"),
        later("not applicable"),
    ),
    "decision": (
        later("approved"),
        later("approved with conditions"),
        later("not approved"),
        later("undecided"),
    ),
    "severity": (later("mandatory"), later("advisory")),
    "outcome": (
        later("met"),
        later("not met"),
        later("warning"),
        later("covered by a deviation"),
        later("not checked"),
    ),
    "side": (later("candidate"), later("reference")),
    "bound": (later("larger than"), later("smaller than")),
    "better": (later("higher"), later("lower"), later("neither")),
    "role": (later("prepared"), later("checked"), later("approved")),
}
"""What is a code, by the place it stands in -> its words."""
