"""Small invented cases, in memory or written as TOML and CSV: a requirement, a record or two."""

import copy
from datetime import date

from dossier.case.application import Application
from dossier.case.case import Case, Record
from dossier.case.model import Qualification
from dossier.case.records import interpret
from dossier.case.tables.csv_rows import read_csv
from dossier.decision.assess import assess_case
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.evidence.requirement import resolve
from dossier.make.decide import limits

TESTED = date(2026, 2, 2)

APPLICATION = {
    "title": "Circuit (invented)",
    "revision": "A",
    "issued": date(2026, 1, 5),
    "circuit": {
        "arrangement": "full_flow",
        "rated_flow": "60 L/min",
        "bypass_valve": {"location": "filter", "opening": {"min": "150 kPa", "max": "190 kPa"}},
    },
    "oil": {"kv40": "110 mm2/s", "kv100": "14.5 mm2/s", "density15": "0.880 kg/L"},
    "duty": {
        "hot_oil": "100 degC",
        "normal_oil": "90 degC",
        "cold_start": "-10 degC",
        "service_interval": "300 h",
    },
    "decision_rule": {"kind": "guard_band", "confidence": "95 %", "agreed": date(2026, 1, 5)},
}


def instrument(name, measures, reading_u):
    """An instrument in date on the day of the tests."""
    made = {
        "id": name, "kind": "instrument", "calibrated": date(2026, 1, 1), "due": date(2027, 1, 1),
        "certificate": f"K-1 {name}", "measures": measures,
    }  # fmt: skip
    return made if reading_u is None else made | {"reading_u": reading_u}


INSTRUMENTS = (
    # in date, and no better known than the standard asks
    instrument("SW", ["pressure", "differential pressure", "flow", "volume rate", "mass", "length",
                      "cycles", "time"], None),
    instrument("DP", ["differential pressure"], "1 %"),
    instrument("FM", ["flow"], "2 %"),
    instrument("PG", ["pressure"], "8.6 kPa"),
    instrument("CA", ["length"], "0.02 mm"),
    instrument("BA", ["mass"], "0.1 mg"),
)  # fmt: skip
STANDARDS = {
    "bypass_valve": "ISO 4548-2:1997",
    "pressure_drop": "ISO 4548-1:1997",
    "inspection": "receiving inspection",
}
METHODS = {
    "collapse pressure": "ISO 4548-3:1997",
    "burst pressure": "ISO 4548-6:2021",
    "first bubble pressure": "ISO 2942:2018",
    "pulse cycles": "ISO 4548-5:2020",
    "vibration hours": "ISO 4548-7:2012",
    "anti-drain leakage": "ISO 4548-9:2008",
    "initial cleanliness": "ISO 16232:2018",
    "valve leakage": "ISO 4548-2:1997",
}
"""The method of each measured quantity."""


def record(name, kind, table, **entry):
    """A record entry with its table as CSV text."""
    standard = STANDARDS.get(kind) or next(METHODS[each] for each in METHODS if each in table)
    made = {
        "id": name, "kind": kind, "standard": standard, "filter": "candidate",
        "laboratory": "L", "instruments": ["SW"], "tested": TESTED, "file": f"records/{name}.csv",
    }  # fmt: skip
    return made | entry, table


def requirement(quantity, name="Q1", **limit):
    """One mandatory requirement, on the every_specimen basis unless it says otherwise."""
    made = {
        "id": name, "text": "x", "quantity": quantity, "source": "specification",
        "severity": "mandatory", "basis": "every_specimen",
    }  # fmt: skip
    return made | limit


def application(requirements, rule=None, valve=None, flow="60 L/min"):
    made = copy.deepcopy(APPLICATION)
    made["requirement"] = list(requirements) or [requirement("burst_pressure", min="1000 kPa")]
    made["decision_rule"] |= rule or {}
    made["circuit"]["rated_flow"] = flow
    if valve is not None:
        made["circuit"]["bypass_valve"] = valve
    return made


def qualification(records, plan=(), reference_plan=None, deviations=()):
    made = {
        "number": "SMALL-1",
        "revision": 0,
        "title": "Small case (invented)",
        "candidate": {"part_number": "CAN-1", "specimens": list(plan)},
        "laboratory": [
            {
                "id": "L",
                "name": "Laboratory",
                "methods": sorted({entry["standard"] for entry, _ in records}),
            }
        ],
        "instrument": list(INSTRUMENTS),
        "fluid": [
            {"id": "fluid", "kv40": "100 mm2/s", "kv100": "11.1 mm2/s", "density15": "0.885 kg/L"}
        ],
        "record": [entry for entry, _ in records],
        "deviation": list(deviations),
    }
    if reference_plan is not None:
        made["reference"] = {"part_number": "FIT-1", "specimens": list(reference_plan)}
    return made


def _of_the_application(options):
    """Take what changes the application out of options of both files, and return it."""
    return {key: options.pop(key) for key in ("rule", "valve", "flow") if key in options}


def small(records, requirements=(), **options):
    """Return the Case of some records, without a file."""
    split = _of_the_application(options)
    described = Qualification.model_validate(qualification(records, **options))
    read = []
    for entry, (_, table) in zip(described.record, records, strict=True):
        raw = read_csv(entry.file, table.encode(), {})
        interpreted = interpret(raw, entry.kind, entry.size_calibration)
        assert interpreted is not None, raw.problems
        read.append(Record(entry=entry, table=interpreted, remarks=(), file=entry.file))
    asked = Application.model_validate(application(requirements, **split))
    return Case(
        name="small", application=asked, qualification=described, records=tuple(read), inputs=()
    )


def bench(records, **options):
    return prepare(small(records, **options), limits(), 1)


def compute(records, quantity, side="candidate", at=None, **options):
    """Return the estimate of a quantity, or why it is not demonstrated."""
    return all_quantities()[quantity].compute(bench(records, **options), side, at or {})


def finding(records, required, **options):
    """Return the finding on one requirement."""
    case = small(records, [required], **options)
    demands, problems = resolve(case.application, "application.toml")
    assert not problems
    return assess_case(case, demands, limits(), date(2026, 3, 1)).findings[0]


def outcome(records, rule, **options):
    """Return the outcome of one rule of validity on the first record."""
    checks = bench(records, **options).checks
    return next(check.outcome for check in checks if check.rule == rule)


def write(folder, records, requirements, **options):
    """Write the case as a folder of TOML and CSV, as a user does, and return the folder."""
    split = _of_the_application(options)
    (folder / "records").mkdir(parents=True)
    for entry, table in records:
        (folder / entry["file"]).write_text(table, encoding="utf-8")
    asked = application(requirements, **split)
    described = qualification(records, **options)
    (folder / "application.toml").write_text(_toml(asked), encoding="utf-8")
    (folder / "case.toml").write_text(_toml(described), encoding="utf-8")
    return folder


def _toml(document):
    return "".join(f"{key} = {_value(value)}\n" for key, value in document.items())


def _value(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace('"', '\\"') + '"'
    return str(value)
