"""Many dossiers on a cluster: Dask's workers build, this process sends, checks and writes."""

import secrets
import tempfile
import threading
import time
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Self

from dossier.case.problems import CaseError, refuse
from dossier.make.outcome import OUR_BUG, WRONG_INPUT, Order, Outcome, failed, succeeded, written

_one_at_a_time = threading.Lock()
"""The layout changes settings of the whole process: two at once would hear each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """All that a build reads."""

    name: str
    """Name of the case folder."""
    files: Mapping[str, bytes] = field(repr=False)
    """The case's files by their name relative to the inputs folder."""
    house: str = ""
    """Name of the folder of the house; empty without one."""
    house_files: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    """Its files by their name relative to the folder above."""
    order: Order


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """What came of a parcel."""

    outcome: Outcome
    stem: str = ""
    pdf: bytes = field(default=b"", repr=False)
    document: bytes = field(default=b"", repr=False)
    made_with: Mapping[str, str] = field(default_factory=dict)


def packed(case: Path, order: Order) -> Parcel:
    """Return a case with its files and its house.

    Raises CaseError for the problems of its files, and where one has a name that not every machine
    can give to a file.
    """
    from dossier.case.read import read_case_files
    from dossier.make.read import house_of
    from dossier.record.dossier_file import name_problems
    from dossier.report.house.house import read_house

    read = read_case_files(case)
    house = house_of(case, read.qualification, order.house)
    own = read_house(house) if house is not None else None
    files = {each.name: each.content for each in (*read.inputs, read.signoff) if each}
    of_house = {f"{own.called}/{n}": each for n, each in own.contents.items()} if own else {}
    named = own.called if own else ""
    parcel = Parcel(name=read.name, files=files, house=named, house_files=of_house, order=order)
    refuse(name_problems((*parcel.files, *parcel.house_files)))
    return parcel


def build_parcel(parcel: Parcel) -> Returned:
    """Build a parcel in a temporary folder and return the files; every error is an outcome."""
    from dossier.make.api import make
    from dossier.make.read import case_in
    from dossier.record.dossier_file import unpack

    case, order = Path(parcel.name), parcel.order
    try:
        with _one_at_a_time, tempfile.TemporaryDirectory(prefix="dossier-") as folder:
            unpack(parcel.files, Path(folder, "inputs"))
            unpack(parcel.house_files, Path(folder, "houses"))
            house = Path(folder, "houses", parcel.house) if parcel.house else None
            read = case_in(Path(folder, "inputs", parcel.name), order.on, order.recalls)
            made = make(read, order.issued, house=house, on=order.on)
    except Exception as error:  # noqa: BLE001  one bad case never stops the rest
        return Returned(outcome=failed(case, error, debug=order.debug))
    outcome, here = succeeded(case, made.assessment, made.signoff), made_with()
    return Returned(
        outcome=outcome, stem=made.stem, pdf=made.pdf, document=made.document, made_with=here
    )


def made_with() -> dict[str, str]:
    """Return the versions of the program and all that the bytes of a dossier depend on."""
    from dossier.record.program import layout_versions, program_digest, versions

    return versions() | layout_versions() | {"program": program_digest()}


MISSING = (
    "a cluster needs the library 'distributed': install dossier with its extra, "
    "pip install 'dossier[cluster]'"
)
ANSWER_WITHIN = 20
"""Time [s] in which the scheduler must answer, and a worker be there."""
LOOK_EVERY, GONE_FOR = 5.0, 120.0
"""Time [s] between two looks at who works, and after which nobody waits for workers any more."""


class ClusterError(Exception):
    """The cluster cannot be used; the message says what to do."""


@dataclass(frozen=True, slots=True)
class _Sent:
    place: int
    case: Path
    order: Order


class Cluster:
    """The workers behind a Dask scheduler, one case for each of their threads at once."""

    def __init__(self, address: str) -> None:
        """Connect; raises ClusterError where no scheduler or no worker answers."""
        self._ended: SimpleQueue[Any] = SimpleQueue()
        self._sent: dict[Any, _Sent] = {}
        self._early: dict[int, Outcome] = {}
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of its imports, and of versions: compared by us
                from distributed import Client

                self._client = Client(address, timeout=ANSWER_WITHIN, set_as_default=False)
        except ImportError:
            raise ClusterError(MISSING) from None
        except (OSError, ValueError, TypeError) as error:
            told = " ".join(str(error).split())[:200]
            raise ClusterError(f"{address}: no scheduler answers ({told})") from None
        try:
            self._client.wait_for_workers(1, timeout=ANSWER_WITHIN)
        except TimeoutError:
            self._client.close()
            raise ClusterError(f"{address}: the scheduler has no workers: start some") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for future in self._sent:
            future.cancel()
        self._client.close()

    def width(self) -> int:
        """Return the number of threads of all workers, one at least."""
        threads: dict[str, int] = self._client.nthreads()
        return max(1, sum(threads.values()))

    def free(self) -> bool:
        """Return whether a thread of a worker has nothing to do."""
        return len(self._sent) < self.width()

    def start(self, place: int, case: Path, order: Order) -> None:
        """Send a case; one that cannot be packed is an outcome at once."""
        try:
            parcel = packed(case, order)
        except Exception as error:  # noqa: BLE001  one bad case never stops the rest
            self._early[place] = _reported(case, error, order)
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # that a case may be large
            key = f"dossier-{secrets.token_hex(8)}"
            future = self._client.submit(build_parcel, parcel, key=key, pure=False)
        self._sent[future] = _Sent(place, case, order)
        future.add_done_callback(self._ended.put)

    def finished(self) -> dict[int, Outcome]:
        """Wait for one or more cases to come back and write their dossiers.

        Raises ClusterError where all workers are gone and none comes.
        """
        if self._early:
            found, self._early = self._early, {}
            return found
        ended = self._next()
        sent = self._sent.pop(ended)
        return {sent.place: self._taken(ended, sent)}

    def _next(self) -> Any:
        end = time.monotonic() + GONE_FOR
        while time.monotonic() < end:
            try:
                return self._ended.get(timeout=LOOK_EVERY)
            except Empty:
                if self._client.nthreads():
                    end = time.monotonic() + GONE_FOR
        raise ClusterError(
            f"all workers of the cluster are gone for {GONE_FOR:.0f} s, with {len(self._sent)} "
            "cases not come back: start workers, then run again with --only-stale"
        )

    def _taken(self, future: Any, sent: _Sent) -> Outcome:
        try:
            returned = future.result()
        except Exception as error:  # noqa: BLE001  whatever happens there is this case's only
            return Outcome(sent.case, OUR_BUG, problems=(_lost(error),), count=1)
        finally:
            future.release()
        try:
            return _written(returned, sent)
        except Exception as error:  # noqa: BLE001  one bad case never stops the rest
            return failed(sent.case, error, debug=sent.order.debug)


def _reported(case: Path, error: Exception, order: Order) -> Outcome:
    """Return the outcome of a case whose files cannot be had, with all its other problems."""
    from dossier.make.read import read_case

    if isinstance(error, CaseError):
        try:
            read_case(case)
        except Exception as more:  # noqa: BLE001  one bad case never stops the rest
            error = more
    return failed(case, error, debug=order.debug)


def _lost(error: Exception) -> str:
    """Return what became of a case that did not come back."""
    kind = type(error).__name__
    if kind == "KilledWorker":
        return "every worker that built it died: too little memory, or a fault of a library there"
    told = " ".join(str(error).split())[:300]
    if isinstance(error, ImportError):
        return f"the worker cannot load this program ({told}): install the same version there"
    return f"it did not come back from the cluster ({kind}: {told}): run again with --only-stale"


def _written(returned: Returned, sent: _Sent) -> Outcome:
    """Write what came back, if it was made as it would be here."""
    from dossier.record.dossier_file import save_files
    from dossier.record.recall import recalled_in

    outcome = replace(returned.outcome, case=sent.case)
    if not returned.pdf:
        return outcome
    other = _different(returned.made_with, made_with())
    if other:
        return Outcome(sent.case, WRONG_INPUT, problems=(other,), count=1)
    order = sent.order
    made = returned.stem, returned.pdf, returned.document, order.out
    saved = save_files(*made, replace=order.replace, only_stale=order.only_stale)
    return written(outcome, saved, recalled_in(saved.pdf, order.recalls), order.on)


def _different(there: Mapping[str, str], here: Mapping[str, str]) -> str:
    """Return the first difference between a worker's program and this one; empty without."""
    for name in sorted({*there, *here}):
        one, other = there.get(name, "none"), here.get(name, "none")
        differs = f"has {name} {one}, here is {other}"
        if one != other:
            what = "runs another state of this program" if name == "program" else differs
            return f"the worker {what}: install the same there"
    return ""
