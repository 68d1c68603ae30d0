"""Sign the demo cases off again, by invented role holders: python -m tests.sign_demo_cases.

Needed after a change that moves a number of a demo case, which voids its sign-offs.
"""

import sys
from datetime import date
from pathlib import Path

from dossier import CaseError, sign

INPUTS = Path(__file__).parents[1] / "inputs"
SIGNERS = {
    "polder-pumps": (
        date(2026, 3, 30),
        ("Test Engineer (invented)", "Data Reviewer (invented)", "Head of Pump Engines (invented)"),
    ),
    "ropeway-drive": (
        date(2026, 3, 31),
        ("Test Engineer (invented)", "Data Reviewer (invented)", "Ropeway Manager (invented)"),
    ),
    "chain-ferry": (
        date(2026, 4, 10),
        (
            "Test Engineer (invented)",
            "Data Reviewer (invented)",
            "Head of ferry maintenance (role; invented)",
        ),
    ),
}
ROLES = ("prepared", "checked", "approved")


def main():
    for case, (day, names) in SIGNERS.items():
        for role, name in zip(ROLES, names, strict=True):
            try:
                state = sign(INPUTS / case, {"role": role, "name": name, "date": day})
            except CaseError as error:
                sys.stdout.write(f"{error}\n")
                break
        else:
            sys.stdout.write(f"{case}: {'signed off' if state.complete else 'not complete'}\n")


if __name__ == "__main__":
    main()
