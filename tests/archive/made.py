"""Small dossiers made by hand: an empty page with decision.json, manifest and case files attached.

They share no code with the report; all names in them are invented.
"""

import hashlib
import io
import json
from datetime import date
from functools import cache

from pypdf import PdfWriter

ROLES = ("prepared", "checked", "approved")


@cache
def blank():
    writer = PdfWriter()
    writer.add_blank_page(100, 100)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def pdf(files):
    """Return a PDF of one empty page with `files` attached: pairs of name and content."""
    writer = PdfWriter(io.BytesIO(blank()))
    for name, content in files.items() if isinstance(files, dict) else files:
        writer.add_attachment(name, content)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def finding(requirement="E1", **other):
    return {
        "requirement": requirement, "text": "Removes 95 % of 20 um(c)", "quantity": "efficiency",
        "at": "20 um(c)", "basis": "mean", "severity": "mandatory", "source": "Spec PE-07, 4.1",
        "verdict": "pass", "value": 98.5, "u": 0.07, "bound": None, "unit": "%",
        "limit": {"min": 95.0, "max": None, "not_worse_than_reference": None},
        "reason": "conforms", "concession": None,
        "per_specimen": [{"specimen": "C1", "record": "MP-1"}], "records": ["MP-1"],
        "reference": None,
    } | other  # fmt: skip


GIVES = {
    "approved": finding,
    "approved with conditions": lambda: finding(verdict="conditional pass"),
    "not approved": lambda: finding(verdict="fail", value=90.1),
    "undecided": lambda: finding(verdict="not demonstrated", value=None, u=None),
}
"""What a finding must say for each decision."""


def document(number="LFQ-1", revision=0, decision="approved", findings=None, **case):
    """Return the content of decision.json without sign-off."""
    equipment = case.pop("equipment", ["Pump 1"])
    head = {
        "number": number, "revision": revision, "title": "A filter (invented)",
        "issued": "2026-03-30", "candidate": "CAN-1", "reference": "FIT-1",
        "replaces": None, "review_due": None,
    } | case  # fmt: skip
    return {
        "schema": "dossier decision 1.0",
        "case": head,
        "application": {"title": "Main circuit", "revision": "B", "equipment": equipment},
        "decision": decision,
        "conditions": [],
        "decision_rule": {"kind": "guard_band", "confidence": 0.95, "agreed": "2026-01-19"},
        "findings": [GIVES.get(decision, finding)()] if findings is None else findings,
        "checks": [{"record": "MP-1", "standard": "ISO/IEC 17025:2017, 6.4.13 (seen)"}],
        "seed": 1,
        "versions": {"dossier": "0.1.0"},
    }


def case_toml(instruments=("APC-21",), lots=("lot 25-311",), standard="ISO 4548-12:2017"):
    """Return a case file of two records: one that a finding uses, one that none uses."""
    return f"""
number = "LFQ-1"
application = "application.toml"
[candidate]
part_number = "CAN-1"
lots = {json.dumps(list(lots))}
[[laboratory]]
id = "ITH"
name = "Invented Test House"
[[instrument]]
id = "BAL-99"
certificate = "ITH-26-0120 (spare)"
[[fluid]]
id = "test oil"
[[record]]
id = "MP-1"
standard = "{standard}"
specimen = "C1"
laboratory = "ITH"
instruments = {json.dumps(list(instruments))}
tested = 2026-02-16
fluid = "test oil"
file = "records/mp-1.csv"
[[record]]
id = "PD-1"
standard = "ISO 4548-1:1997"
laboratory = "ITH"
instruments = ["DP-11"]
tested = 2026-02-04
file = "records/pd-1.csv"
""".encode()


APPLICATION = b'title = "Main circuit"\n[oil]\ndescription = "SAE 15W-40, mineral"\n'


def application(doc):
    """Return an application that asks for what the findings of `doc` answer."""
    asked = (
        f'[[requirement]]\nid = "{each["requirement"]}"\nseverity = "{each["severity"]}"\n'
        for each in doc["findings"]
    )
    return APPLICATION + "".join(asked).encode()


def files(doc, *, signed=True, name="case", inputs=None, signed_as=None, **other):
    """Return everything that a dossier of `doc` attaches; `signed_as` makes other sign-offs.

    What else is named stands in decision.json as given, such as a false `standing`.
    """
    given = {f"{name}/case.toml": case_toml(), f"{name}/application.toml": application(doc)}
    own = f"size,up,down\n20,100,1\n# {doc['case']['number']} {doc['case']['revision']}\n"
    given |= {f"{name}/records/mp-1.csv": own.encode()}
    given |= {f"{name}/{key}": content for key, content in (inputs or {}).items()}
    doc = doc | {"inputs": {key: sha256(content) for key, content in given.items()}}
    if signed:
        given[f"{name}/signoff.toml"] = (signed_as or signoff_toml)(doc)
    doc |= {"signed": signed, "standing": doc["decision"] if signed else "draft"} | other
    decision = json.dumps(doc, indent=2, sort_keys=True).encode()
    manifest = {
        "schema": "dossier manifest 1.0",
        "case": name,
        "files": {k: sha256(v) for k, v in (given | {"decision.json": decision}).items()},
    }
    return given | {"decision.json": decision, "manifest.json": json.dumps(manifest).encode()}


def signoff_toml(doc, roles=ROLES, day="2026-03-30"):
    from dossier.record.signoff import content_digest

    digest = content_digest(doc)
    return "".join(
        f'[[signed]]\nrole = "{role}"\nname = "{role} holder (invented)"\n'
        f'meaning = "I say so."\ndate = {day}\ndigest = "{digest}"\n'
        for role in roles
    ).encode()


def dossier(number="LFQ-1", revision=0, *, signed=True, inputs=None, signed_as=None, **doc):
    """Return the PDF of a dossier as bytes."""
    content = document(number, revision, **doc)
    return pdf(files(content, signed=signed, inputs=inputs, signed_as=signed_as))


def sha256(content):
    return hashlib.sha256(content).hexdigest()


def put(folder, name, content):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


TODAY = date(2026, 6, 1)


def update(folder, *, today=TODAY, **how):
    """Bring a register up to date on a day in June 2026."""
    from dossier.register import register

    return register.update(folder, today=today, **how)


def find(folder, wanted, **how):
    """Return what a run over the folder finds."""
    from dossier.register import register as register_query

    return register_query.find(update(folder, **how), wanted)
