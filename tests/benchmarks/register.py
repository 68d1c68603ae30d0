"""How long a register of 1000 dossiers takes, beside the least that could be done.

Run with ``python -m tests.benchmarks.register [COUNT]``.  Both sides of a line are measured in
turn, five times; printed are the medians and their ratio.
"""

import hashlib
import io
import statistics
import sys
import tempfile
import time
from pathlib import Path

from pypdf import PdfReader

from dossier.record.recall import REGISTER
from dossier.register.letters import blocks, register_page
from dossier.register.listing import calendar_text, csv_text, json_text
from dossier.register.recall import Recalling, recall_evidence
from dossier.register.register import Wanted, find
from tests.archive.made import GIVES, TODAY, case_toml, dossier, finding, put, update

ROUNDS = 5
WORDS = ("approved", "approved with conditions", "not approved", "undecided")


def make(folder, count):
    """Write `count` dossiers that differ in number, decision, date, instruments, lots, sign-off."""
    for n in range(count):
        inputs = {
            "case.toml": case_toml((f"APC-{n % 40}", f"DP-{n % 7}"), (f"25-{n % 250}",)),
            "records/more.csv": b"flow,drop\n" + b"".join(b"%d,%d\n" % (i, n) for i in range(900)),
        }
        findings = [finding(f"E{i}", value=95.5 + (n + i) % 4) for i in range(11)]
        findings.append(GIVES[WORDS[n % 4]]() | {"requirement": "E11"})
        content = dossier(
            f"LFQ-{n // 2}", n % 2, decision=WORDS[n % 4], signed=n % 5 > 0, inputs=inputs,
            findings=findings, candidate=f"CAN-{n % 60}", equipment=[f"Pump {n % 90}"],
            issued=f"{2015 + n % 11}-0{1 + n % 9}-15", review_due=f"{2027 + n % 4}-06-30",
        )  # fmt: skip
        put(folder, f"{n % 10}/{n}.pdf", content)


def read_attachments(folder):
    for path in folder.rglob("*.pdf"):
        reader = PdfReader(io.BytesIO(path.read_bytes()))
        assert {each.name: each.content for each in reader.attachment_list}


def hash_all(folder):
    for path in folder.rglob("*.pdf"):
        hashlib.sha256(path.read_bytes()).hexdigest()


def rebuild(folder, jobs=1):
    (folder / REGISTER).unlink(missing_ok=True)
    update(folder, jobs=jobs)


def seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def beside(title, work, other_title, other):
    """Measure two pieces of work in turn and print the medians and their ratio."""
    pairs = [(seconds(work), seconds(other)) for _ in range(ROUNDS)]
    ours, theirs = (statistics.median(side) for side in zip(*pairs, strict=True))
    ratio = f"ratio {ours / theirs:.3f}"
    print(f"{title:34} {ours:8.3f} s   {other_title:30} {theirs:8.3f} s   {ratio}")


def main(count):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, count)
        size = sum(path.stat().st_size for path in folder.rglob("*.pdf"))
        print(f"{count} dossiers, {size / 1e6:.1f} MB")
        reading = ("reading the attachments alone", lambda: read_attachments(folder))
        beside("rebuilt from the PDFs", lambda: rebuild(folder), *reading)
        beside("rebuilt by two processes", lambda: rebuild(folder, 2), *reading)
        hashing = ("hashing the files alone", lambda: hash_all(folder))
        outcome = update(folder)
        beside("next run under a kept head", lambda: update(folder, head=outcome.head), *hashing)
        for title, wanted in (
            ("decision approved", Wanted(decision="approved")),
            ("filter CAN-7", Wanted(filter="CAN-7")),
            ("review due by 2027", Wanted(review_due_by=_day("2027-12-31"))),
            ("resting on instrument APC-3", Wanted(resting_on=(("instrument", "APC-3"),))),
            ("resting on ISO 4548-12", Wanted(resting_on=(("standard", "ISO 4548-12"),))),
        ):
            count_found = len(find(outcome, wanted))
            beside(f"{title}: {count_found}", lambda w=wanted: find(outcome, w), *reading)
        hits = find(outcome, Wanted(superseded=True))
        page = register_page(outcome, hits, prefix="")
        beside(f"page of {len(page) / 1e6:.1f} MB",
               lambda: register_page(outcome, hits, prefix=""), *reading)  # fmt: skip
        beside("machines against filters", lambda: blocks(hits), *reading)
        beside("calendar", lambda: calendar_text(outcome), *reading)
        asked = Recalling(what="instrument:APC-3", reason="It was found to read low.", day=TODAY)
        done = recall_evidence(folder, outcome, asked)
        beside(f"recall that touches {len(done.told)}",
               lambda: recall_evidence(folder, update(folder, head=done.head), asked),
               *reading)  # fmt: skip
        beside("CSV", lambda: csv_text(hits), *reading)
        beside("JSON", lambda: json_text(outcome, hits), *reading)


def _day(text):
    from datetime import date

    return date.fromisoformat(text)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
