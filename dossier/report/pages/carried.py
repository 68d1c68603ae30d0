"""What was changed, what is carried over from the dossier before, and what was tested anew."""

from collections.abc import Iterator

from dossier.case.case import Case
from dossier.decision.carried import told_rests
from dossier.decision.finding import Assessment
from dossier.evidence.reopened import reopening, reopens
from dossier.report.blocks import Column, Table, table_of
from dossier.report.format import date_text, speak
from dossier.report.pages.places import named
from dossier.system.grouped import grouped
from dossier.words import later, say

CHANGED = {
    "medium": later("medium"), "glue": later("glue"), "end cap": later("end cap"),
    "support tube": later("support tube"), "inner seal": later("inner seal"),
    "gasket": later("gasket"), "valve": later("valve"),
    "anti-drain valve": later("anti-drain valve"), "can": later("can"), "plant": later("plant"),
    "lot": later("another lot"), "laboratory": later("another laboratory"),
    "test method": later("another test method"),
}  # fmt: skip


def change_text(case: Case) -> str:
    """Return what changed, its kinds first; empty where nobody says."""
    said = case.qualification
    kinds = ", ".join(say(CHANGED[each]) for each in (said.change.what if said.change else ()))
    return f"{kinds}: {speak(said.changed)}" if kinds else speak(said.changed)


def carried_table(case: Case, assessment: Assessment) -> Table | None:
    """Return what is carried over, by whom, why and until when; None where nothing is."""
    rows = [(each, source.told) for source in case.carried for each in source.carried]
    if not rows:
        return None
    return table_of(
        say("Evidence carried over, out of the attached PDF of the dossier before"),
        rows,
        (Column(say("Records"), 26), lambda e: named(e[0].records)),
        (Column(say("From"), 24), lambda e: e[1]),
        (
            Column(say("Why it still counts"), 38),
            lambda e: (speak(e[0].reason), say("[agreed by {by}]", by=e[0].agreed_by)),
        ),
        (Column(say("Until"), 12), lambda e: date_text(e[0].until)),
        note=" ".join([*_digests(case), _note(case, assessment)]),
    )


def _digests(case: Case) -> Iterator[str]:
    """Yield the whole digest of each dossier that evidence is carried over from."""
    for source in case.carried:
        yield say("{source}: SHA-256 {digest}.", source=source.told, digest=source.sha256)


def _note(case: Case, assessment: Assessment) -> str:
    """Return which requirements the change reopens, by whose judgement, and what rests on what."""
    reopened = reopening(case.qualification, assessment.bench.limits)
    asked = [f.demand for f in assessment.findings]
    words = grouped((what, d.id) for d in asked for what in reopens(d.quantity, reopened))
    told = [
        say("{change}: {requirements}", change=say(CHANGED[what]), requirements=named(ids))
        for what, ids in words.items()
    ]
    found = say(
        "Reopened, by this program's own judgement, and tested anew: {changes}.",
        changes="; ".join(told) or say("nothing"),
    )
    old, mixed = on_carried(case, assessment)
    return say(
        "{reopened} On carried evidence alone: {carried}. On new and carried: {mixed}. In the "
        "table of records what is carried is marked.",
        reopened=found, carried=named(old) or "–", mixed=named(mixed) or "–",
    )  # fmt: skip


def on_carried(case: Case, assessment: Assessment) -> tuple[list[str], list[str]]:
    """Return the requirements that rest on carried evidence alone, and those on some of it."""
    rests = {f.demand.id: told_rests(case, f) for f in assessment.findings}
    old = [name for name, used in rests.items() if used and all(map(case.source, used))]
    return old, [n for n, used in rests.items() if n not in old and any(map(case.source, used))]
