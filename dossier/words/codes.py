"""Codes that pages print as words: compared and stored as they are, said where they are printed."""

from collections.abc import Mapping

from dossier.words import later

CODES: Mapping[str, tuple[str, ...]] = {
    "decision": (
        later("approved"),
        later("approved with conditions"),
        later("not approved"),
        later("undecided"),
    ),
    "severity": (later("mandatory"), later("advisory")),
    "bound": (later("larger than"), later("smaller than")),
    "better": (later("higher"), later("lower")),
    "role": (later("prepared"), later("checked"), later("approved")),
}
"""What is a code, by the place it stands in -> its words."""
