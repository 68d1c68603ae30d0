import hashlib

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from dossier.register.store import GENESIS, Chained, chain_faults, link_digest, linked

# Derived: the construction entry = JCS{seq, prev, record_sha256}, head = SHA-256(entry), worked out
# with a general library for RFC 8785 for the records {"id":"D-1","decision":"approved"} and
# {"id":"D-2","decision":"rejected"}, counted from 0.
RECORDS = (
    ({"id": "D-1", "decision": "approved"},
     "080d92a1f8667ea59c2b8f88d95006b2384cc34dfb0a01d7b05a1200b494103a",
     "4648b948de0a8b3d2f46192f38281b1eadf388fa30e1094dbc8e9aed25eeb447"),
    ({"id": "D-2", "decision": "rejected"},
     "2f6edff307e149930cfeee4bd6f7beb0b1eb04a0154e5aa8c8eed7a568ad924b",
     "7b311be3821a7713b50595b0ddfdc9c102fe0e033b89196b8a8dce1296553f34"),
)  # fmt: skip

PROGRAM = "c" * 64
HEX = st.text("0123456789abcdef", min_size=64, max_size=64)
RECORD = st.tuples(
    HEX,
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True),
    st.integers(0, 9999),
    HEX,
)


def test_the_chain_of_two_records_has_the_derived_heads():
    prev = GENESIS
    for seq, (record, digest, head) in enumerate(RECORDS):
        assert hashlib.sha256(rfc8785.dumps(record)).hexdigest() == digest
        prev = link_digest({"seq": seq, "prev": prev, "record_sha256": digest})
        assert prev == head


@given(st.lists(RECORD, max_size=6))
def test_every_link_is_the_hash_of_its_canonical_json(records):
    chain = linked(records, PROGRAM)
    prev = GENESIS
    for seq, (link, record) in enumerate(zip(chain, records, strict=True), 1):
        sha256, number, revision, row = record
        entry = {"seq": seq, "prev": prev, "record_sha256": sha256, "number": number,
                 "revision": revision, "row_sha256": row, "program": PROGRAM}  # fmt: skip
        prev = hashlib.sha256(rfc8785.dumps(entry)).hexdigest()
        assert link.digest == prev
    assert chain_faults(chain, [link.digest for link in chain]) == ()


@given(st.lists(RECORD, min_size=1, max_size=5), st.data())
def test_a_changed_link_or_one_taken_out_shows(records, data):
    chain = list(linked(records, PROGRAM))
    heads = [link.digest for link in chain]
    place = data.draw(st.integers(0, len(chain) - 1))
    old = chain[place]
    field = data.draw(
        st.sampled_from(["record_sha256", "number", "revision", "prev", "seq", "row_sha256"])
    )
    values = {
        "record_sha256": "0" * 63 + ("1" if old.record_sha256[-1] == "0" else "0"),
        "number": old.number + "x", "revision": old.revision + 1, "prev": "1" * 64, "seq": 99,
        "row_sha256": "z" * 64,
    }  # fmt: skip
    changed = {name: getattr(old, name) for name in Chained.__slots__} | {field: values[field]}
    bent = [*chain[:place], Chained(**changed), *chain[place + 1 :]]
    assert chain_faults(bent, heads)
    # Rewriting its digest too moves the fault to the next link, or to the head.
    rewritten = [link.digest for link in bent]
    assert chain_faults(bent, rewritten) or rewritten[-1] != heads[-1]
    if place < len(chain) - 1:
        assert chain_faults(chain[:place] + chain[place + 1 :], heads[:place] + heads[place + 1 :])


@given(st.lists(RECORD, max_size=4), st.lists(RECORD, max_size=4))
def test_a_chain_grows_without_changing_what_it_holds(first, second):
    short = linked(first, PROGRAM)
    prev, last = (short[-1].digest, short[-1].seq) if short else (GENESIS, 0)
    assert (*short, *linked(second, PROGRAM, prev, last)) == linked([*first, *second], PROGRAM)


@pytest.mark.parametrize("bad", ["é", 2**53, True])
def test_a_link_takes_nothing_whose_canonical_form_is_in_doubt(bad):
    with pytest.raises(ValueError, match="a link holds"):
        link_digest({"number": bad})
