"""Put the requests of the demo cases on file and sign them off again, by invented role holders.

    python -m tests.sign_demo_cases

Needed after a change that moves a number of a demo case, which voids its sign-offs, or that changes
its application.  The dossier that a case carries evidence from is built anew and put into it.
"""

import hashlib
import re
import shutil
import sys
import tempfile
from datetime import date
from pathlib import Path

from dossier import CaseError, build, sign
from dossier.make.request_files import asked_of, filed

INPUTS = Path(__file__).parents[1] / "inputs"
SIGNERS = {
    "polder-pumps": (
        date(2026, 3, 30),
        ("Test Engineer (invented)", "Data Reviewer (invented)", "Head of Pump Engines (invented)"),
    ),
    "polder-glue": (
        date(2026, 10, 12),
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
ASKED = {
    "polder-pumps": date(2026, 1, 21),
    "ropeway-drive": date(2026, 1, 28),
    "chain-ferry": date(2026, 1, 14),
}
"""Days of the requests, after the application and before the first test."""
ROLES = ("prepared", "checked", "approved")


def put_on_file(folder, day):
    """Write requested.toml as on that day, when the case held its application alone."""
    with tempfile.TemporaryDirectory() as empty:
        shutil.copy(folder / "application.toml", empty)
        (folder / "requested.toml").write_bytes(filed(asked_of(Path(empty))[0], day))


def replace_carried(folder):
    """Build the dossier that a demo case carries evidence from, and name it by its digest."""
    before = "polder-pumps"
    for name in ("application.toml", "requested.toml"):
        shutil.copy(INPUTS / before / name, folder / name)
    with tempfile.TemporaryDirectory() as out:
        pdf = build(INPUTS / before, out).pdf
        shutil.copy(pdf, folder / "replaced" / pdf.name)
    digest = hashlib.sha256((folder / "replaced" / pdf.name).read_bytes()).hexdigest()
    case = folder / "case.toml"
    case.write_text(re.sub(r'(?m)^sha256 = ".*"$', f'sha256 = "{digest}"', case.read_text()))


def main():
    for case, day in ASKED.items():
        put_on_file(INPUTS / case, day)
    for case, (day, names) in SIGNERS.items():
        if case == "polder-glue":
            replace_carried(INPUTS / case)
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
