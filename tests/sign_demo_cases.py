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
import tomllib
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
    "canal-locks": (
        date(2026, 4, 20),
        (
            "Test Engineer (invented)",
            "Data Reviewer (invented)",
            "Head of the lock workshop (role; invented)",
        ),
    ),
    "polder-pumps-fine": (
        date(2026, 4, 2),
        ("Test Engineer (invented)", "Data Reviewer (invented)", "Head of Pump Engines (invented)"),
    ),
    "canal-fleet": (
        date(2026, 4, 2),
        (
            "Test Engineer (invented)",
            "Data Reviewer (invented)",
            "Head of canal machines (role; invented)",
        ),
    ),
}
"""Days of the sign-offs and who signs; `polder-pumps-wide` stays a draft."""
ASKED = {
    "polder-pumps": date(2026, 1, 21),
    "polder-pumps-fine": date(2026, 1, 21),
    "polder-pumps-wide": date(2026, 1, 21),
    "ropeway-drive": date(2026, 1, 28),
    "chain-ferry": date(2026, 1, 14),
    "canal-locks": date(2026, 2, 4),
    "canal-fleet": date(2026, 1, 28),
}
"""Days of the requests, after the application and before the first test."""
ROLES = ("prepared", "checked", "approved")


def put_on_file(folder, day):
    """Write requested.toml as on that day, when the case held no request and no record."""
    with tempfile.TemporaryDirectory(dir=folder.parent) as empty:  # beside cases it may name
        for file in folder.glob("*.toml"):
            if file.name not in {"case.toml", "requested.toml", "signoff.toml"}:
                shutil.copy(file, empty)
        if not (folder / "application.toml").exists():
            head, _, _ = (folder / "case.toml").read_text(encoding="utf-8").partition("[[lab")
            lines = (line for line in head.splitlines() if not line.startswith(("runs", "instr")))
            Path(empty, "case.toml").write_text("\n".join(lines), encoding="utf-8")
        told = tomllib.loads((folder / "case.toml").read_text(encoding="utf-8"))
        plan = {
            side: told.get(side, {}).get("specimens", ()) for side in ("candidate", "reference")
        }
        (folder / "requested.toml").write_bytes(filed(asked_of(Path(empty))[0], day, plan))


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
    """Sign the cases named on the command line; all without a name."""
    named = sys.argv[1:] or list(ASKED)
    for case, day in ((each, ASKED[each]) for each in named):
        put_on_file(INPUTS / case, day)
    for case, (day, names) in ((each, SIGNERS[each]) for each in sys.argv[1:] or SIGNERS):
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
