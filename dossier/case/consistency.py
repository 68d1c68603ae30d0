"""What must fit together between the two case files."""

from collections import Counter
from collections.abc import Iterable, Iterator

from dossier.case.agreed import agreement_problems, plain
from dossier.case.application import Application
from dossier.case.model import Qualification, RecordEntry
from dossier.case.problems import CaseProblem

NEEDED = {
    "multipass": (
        "flow", "temperature", "injection_flow", "injection_concentration",
        "housing_pressure_drop", "terminal_pressure_drop", "sample_volume", "dust",
    ),
}  # fmt: skip
"""Conditions that a kind of record cannot do without."""
WRITE = {"dust": "; write dust = { kind = 'ISO 12103-1 A3', batch = '...' }"}
"""How to write those that need a word."""


def consistency_problems(
    application: Application, qualification: Qualification, application_file: str
) -> list[CaseProblem]:
    """Return what does not fit: doubled or unknown identifiers, missing conditions, duty."""
    case = "case.toml"
    problems = [
        *_doubled(case, "laboratory", (i.id for i in qualification.laboratory)),
        *_doubled(case, "instrument", (i.id for i in qualification.instrument)),
        *_doubled(case, "fluid", (i.id for i in qualification.fluid)),
        *_doubled(case, "record", (i.id for i in qualification.record)),
        *_doubled(case, "specimen", _specimens(qualification)),
        *_twice(application, qualification),
        *_dates(qualification),
        *application_problems(application, application_file),
    ]
    for entry in qualification.record:
        problems += _record(qualification, entry)
        problems += _path(application, entry)
    problems += agreement_problems(application, qualification)
    problems += _supported(application, qualification)
    return problems


def application_problems(application: Application, file: str) -> list[CaseProblem]:
    """Return what does not fit inside the application alone, before there is a case."""
    doubled = _doubled(file, "requirement", (i.id for i in application.requirement))
    return [*doubled, *_duty(application, file)]


def _doubled(file: str, kind: str, identifiers: Iterable[str]) -> Iterator[CaseProblem]:
    names = list(identifiers)
    alike = {plain(name): name for name in names}
    for name, times in Counter(map(plain, names)).items():
        if times > 1:
            place = f"{kind} {alike[name]!r}"
            same = "occurs" if names.count(alike[name]) == times else "or what looks like it occurs"
            yield CaseProblem(file, place, f"{same} {times} times", "use each id once")


def _specimens(qualification: Qualification) -> Iterator[str]:
    """Yield each specimen of the plan and the records once, as it is spelled."""
    sides = [each for each in (qualification.candidate, qualification.reference) if each]
    named = {entry.specimen for entry in qualification.record if entry.specimen}
    yield from sorted(named.union(*(each.specimens for each in sides)))


def _twice(application: Application, qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield evidence that is counted twice: one table, or one specimen, under two records."""
    files: dict[tuple[str, ...], str] = {}
    specimens: dict[tuple[str, ...], str] = {}
    for entry in qualification.record:
        table = (entry.file, *(f"{key} {value}" for key, value in sorted(entry.where.items())))
        if table in files:
            yield CaseProblem(
                "case.toml",
                f"record {entry.id!r} . file",
                f"is {entry.file!r}, as in record {files[table]!r}",
                "give each record its own file or sheet",
            )
        files[table] = entry.id
        path = application.circuit.path_of(entry.path)
        key = (entry.kind, entry.filter, path, entry.specimen or "")
        if entry.kind in {"multipass", "pressure_drop"} and entry.specimen:
            if key in specimens:
                yield CaseProblem(
                    "case.toml",
                    f"record {entry.id!r} . specimen",
                    f"{entry.specimen!r} has a {entry.kind} record already, {specimens[key]!r}",
                    "one specimen counts once: name the other specimen, or leave one record out",
                )
            specimens[key] = entry.id


def _dates(qualification: Qualification) -> Iterator[CaseProblem]:
    last = max(entry.finished or entry.tested for entry in qualification.record)
    due, issued = qualification.review_due, qualification.issued or last
    if due is not None and due < issued:
        what = f"is {due}, before the date of issue, {issued}"
        yield CaseProblem("case.toml", "review_due", what, "give the day of the next review")
    if qualification.issued is not None and qualification.issued < last:
        yield CaseProblem(
            "case.toml",
            "issued",
            f"is {qualification.issued}, before the last test on {last}",
            "give the date of issue, after the tests",
        )


def _record(qualification: Qualification, entry: RecordEntry) -> Iterator[CaseProblem]:
    place = f"record {entry.id!r}"
    named = {
        "laboratory": ({i.id for i in qualification.laboratory}, (entry.laboratory,)),
        "instruments": ({i.id for i in qualification.instrument}, entry.instruments),
        "fluid": ({i.id for i in qualification.fluid}, (entry.fluid,) if entry.fluid else ()),
    }
    for key, (known, used) in named.items():
        for name in used:
            if name not in known:
                hint = f"known: {', '.join(sorted(known)) or 'none'}"
                yield CaseProblem("case.toml", f"{place} . {key}", f"{name!r} is not defined", hint)
    if entry.filter == "reference" and qualification.reference is None:
        yield CaseProblem("case.toml", place, "is of the reference filter", "add [reference]")
    if entry.finished is not None and entry.finished < entry.tested:
        yield CaseProblem("case.toml", place, "finished before it was tested", "check the dates")
    yield from _needs(entry, place)


def _supported(application: Application, qualification: Qualification) -> Iterator[CaseProblem]:
    """Yield what an attachment is said to support and does not exist."""
    parts = (qualification.record, qualification.instrument, application.requirement)
    known = {each.id for part in parts for each in part}
    for each in qualification.attachment:
        for name in each.supports:
            if name not in known:
                place = f"attachment {each.file!r} . supports"
                hint = "name a record, an instrument or a requirement by its id"
                yield CaseProblem("case.toml", place, f"{name!r} is not defined", hint)


def _path(application: Application, entry: RecordEntry) -> Iterator[CaseProblem]:
    """Yield a path that the circuit does not have."""
    if entry.path == "fine" and application.circuit.arrangement == "full_flow":
        yield CaseProblem(
            "case.toml",
            f"record {entry.id!r} . path",
            "is 'fine', which a circuit of arrangement 'full_flow' does not have",
            "leave path out, or correct the arrangement of the circuit",
        )


def _needs(entry: RecordEntry, place: str) -> Iterator[CaseProblem]:
    if entry.kind in {"multipass", "pressure_drop"}:
        if entry.specimen is None:
            yield CaseProblem("case.toml", f"{place} . specimen", "is missing", "name the specimen")
        if entry.fluid is None:
            yield CaseProblem("case.toml", f"{place} . fluid", "is missing", "name the test fluid")
    for key in NEEDED.get(entry.kind, ()):
        if getattr(entry.conditions, key) is None:
            yield CaseProblem(
                "case.toml",
                f"{place} . conditions . {key}",
                "is missing",
                f"a {entry.kind} record cannot be reduced without it{WRITE.get(key, '')}",
            )


def _duty(application: Application, file: str) -> Iterator[CaseProblem]:
    duty, circuit = application.duty, application.circuit
    if not duty.cold_start < duty.normal_oil <= duty.hot_oil:
        yield CaseProblem(
            file, "duty", "temperatures out of order", "cold_start < normal_oil <= hot_oil"
        )
    for key, value in (
        ("circuit . rated_flow", circuit.rated_flow),
        ("duty . service_interval", duty.service_interval),
    ):
        if not value > 0:
            yield CaseProblem(file, key, "is not above zero", "give the real value")
    share = circuit.partial_flow_share
    if share is not None and not 0 < share < 1:
        yield CaseProblem(
            file, "circuit . partial_flow_share", "not between 0 % and 100 %", "correct it"
        )
