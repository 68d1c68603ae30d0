"""Hands that hold a valid key and have read how seals are written: they write something else."""

import hashlib
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from dossier.case.attached import first_end, open_pdf
from dossier.record.increment import RESERVED, enveloped
from dossier.record.seals import increment_of, signing_of
from tests.archive import sealed

ROOM = 2 * RESERVED + 2


@dataclass(frozen=True)
class Draft:
    """An increment on its way: what stands before it, and its parts around the value."""

    before: bytes
    head: bytes
    tail: bytes

    def edit(self, old, new, count=1):
        """Return it with other bytes, which must be there."""
        assert old in self.head + self.tail, old
        if old in self.head:
            return replace(self, head=self.head.replace(old, new, count))
        return replace(self, tail=self.tail.replace(old, new, count))

    def object(self, body, number=9000, *, listed=True):
        """Return it with one more object, and a row for it in the table unless not `listed`."""
        blob, row = b"%d 0 obj\n%s\nendobj\nxref\n" % (number, body), b""
        if listed:
            row = b"%d 1\n0000000000 00000 n \n" % number
        return self.edit(b"xref\n", blob + row)

    def repaired(self):
        """Return it with places that are right again: rows, start of the table, bytes covered."""
        start, cut = len(self.before), len(self.head)
        whole = self.head + b" " * ROOM + self.tail
        places = {int(m[1]): start + m.start() for m in re.finditer(rb"(?m)^(\d+) 0 obj$", whole)}
        table = whole.rfind(b"\nxref\n") + 1
        rows = whole[table : whole.rfind(b"trailer\n")].split(b"\n")
        number = 0
        for n, row in enumerate(rows):
            if re.fullmatch(rb"\d+ \d+", row):
                number = int(row.split()[0])
            elif len(row) == 19:
                rows[n] = b"%010d%s" % (places.get(number, 0), row[10:])
                number += 1
        whole = whole[:table] + b"\n".join(rows) + whole[whole.rfind(b"trailer\n") :]
        whole = re.sub(rb"startxref\n\d+", b"startxref\n%d" % (start + table), whole)
        return replace(self, head=whole[:cut], tail=whole[cut + ROOM :]).covering()

    def covering(self):
        """Return it with the bytes that it covers stated as they are."""
        at = len(self.before) + len(self.head)
        stated = b"[0 %d %d %d]" % (at, at + ROOM, len(self.tail))
        room = re.search(rb"\[0 \d+ \d+ \d+\] *", self.tail)[0]
        return replace(self, tail=self.tail.replace(room, stated.ljust(len(room)), 1))

    def signed(self, keys, value=None):
        """Return the file with a signature over it that is mathematically right."""
        digest = hashlib.sha256(self.before + self.head + self.tail).digest()
        content = (value or (lambda signer, given: enveloped(signer, given).dump()))(keys, digest)
        padded = content.hex().upper().encode().ljust(2 * RESERVED, b"0")
        return self.before + self.head + b"<" + padded + b">" + self.tail


def draft(data, role, keys, moment=None, **form):
    """Return the increment as it should be, for a role's next seal."""
    said = signing_of(open_pdf(data).files)
    place = said.roles.index(role)
    moment = moment or datetime.now(UTC).replace(microsecond=0)
    made = increment_of(data, first_end(data), place, said, keys.signing_cert, moment, **form)
    return Draft(data, made.head, made.tail)


def keys_of(dossier, role):
    return sealed.keys_in(dossier.keys[role])


def last_sealed(dossier, change, value=None):
    """Return the twice sealed dossier with a third seal that `change` has edited."""
    keys = keys_of(dossier, "approved")
    return change(draft(dossier.versions[2], "approved", keys)).signed(keys, value)


def all_sealed(data, dossier):
    """Return a file, whatever it is, with three seals behind it, each of our form."""
    for role in sealed.ROLES:
        keys = keys_of(dossier, role)
        data = draft(data, role, keys).signed(keys)
    return data
