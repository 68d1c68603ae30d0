"""A hash chain: each link holds the digest of the one before, the head stands for all of them."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass

GENESIS = "0" * 64
"""Stands for the link before the first."""


@dataclass(frozen=True, slots=True)
class Link:
    """One dossier as it entered the register."""

    seq: int
    """Place in the chain, from 1."""
    prev: str
    """Digest of the link before."""
    record_sha256: str
    """SHA-256 of the PDF."""
    number: str
    revision: int
    row_sha256: str
    """SHA-256 of what the register read in it, as `register_row.row_digest` gives it."""
    program: str
    """SHA-256 of the program that read and judged it."""

    @property
    def digest(self) -> str:
        """Return the digest of this link: the head of the chain up to here."""
        return link_digest(asdict(self))


def link_digest(fields: Mapping[str, int | str]) -> str:
    """Return the SHA-256 of the canonical JSON (RFC 8785) of a link, in hexadecimal.

    For whole numbers and ASCII text, sorted keys without white space are that form; anything else
    raises ValueError.
    """
    for name, value in fields.items():
        plain = value.isascii() if isinstance(value, str) else abs(value) < 2**53
        if not (plain and name.isascii()) or isinstance(value, bool):
            raise ValueError(f"a link holds whole numbers and ASCII text; {name} is {value!r}")
    text = json.dumps(dict(fields), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def linked(
    records: Iterable[tuple[str, str, int, str]], program: str, prev: str = GENESIS, last: int = 0
) -> tuple[Link, ...]:
    """Return a link for each of `records`: SHA-256, number, revision and SHA-256 of its row.

    They follow the link numbered `last` whose digest is `prev`.
    """
    links: list[Link] = []
    for seq, record in enumerate(records, last + 1):
        links.append(Link(seq, prev, *record, program))
        prev = links[-1].digest
    return tuple(links)


def chain_faults(links: Sequence[Link], heads: Sequence[str]) -> tuple[str, ...]:
    """Return where a stored chain does not hold; `heads` are the digests stored with it."""
    faults = []
    prev = GENESIS
    for place, (link, head) in enumerate(zip(links, heads, strict=True), 1):
        if link.seq != place:
            faults.append(f"link {place} of the chain has the number {link.seq}")
        if link.prev != prev:
            faults.append(f"link {place} of the chain does not follow from the one before")
        if not _matches(link, head):
            faults.append(f"link {place} of the chain is not what it was when it was written")
        prev = head
    return tuple(faults)


def _matches(link: Link, head: str) -> bool:
    try:
        return link.digest == head
    except ValueError:  # nothing that this program writes
        return False
