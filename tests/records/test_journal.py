"""The chain, checked by hand: hashlib and json alone, by the recipe in the journal's own documentation."""

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text
from stock import a_lot, arrival

from tracker import journal
from tracker.canonical import canonical
from tracker.desk.receive import receive
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry


def _by_hand(value: object) -> bytes:
    """RFC 8785 for objects of strings and whole numbers, without the library the program uses."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode("utf-8")


def test_chain_by_hand(workspace: Workspace) -> None:
    a_lot(workspace, remark='Grüße, 检 and "quotes"')
    a_lot(workspace, part="CV74HC245N")
    previous = "0" * 64
    with workspace.read() as session:
        entries = session.execute(select(JournalEntry.__table__).order_by(JournalEntry.id)).mappings().all()
    assert [entry["id"] for entry in entries] == [1, 2]
    for entry in entries:
        members = {name: entry[name] for name in ("id", "at", "operator", "act", "subject", "body", "previous_hash")}
        assert entry["previous_hash"] == previous
        assert entry["hash"] == hashlib.sha256(_by_hand(members)).hexdigest()
        assert entry["body"].encode() == _by_hand(json.loads(entry["body"]))
        previous = entry["hash"]


def test_rows_by_hand(workspace: Workspace) -> None:
    a_lot(workspace)
    with workspace.read() as session:
        body = json.loads(session.scalars(select(JournalEntry.body)).one())
        columns = "id, entry_id, label, lot_id, number"
        pieces = session.execute(text(f"SELECT {columns} FROM piece ORDER BY id")).mappings().all()
    said = body["rows"]["piece"]
    assert said["count"] == 3
    assert said["sha256"] == hashlib.sha256(_by_hand([dict(piece) for piece in pieces])).hexdigest()
    each = {str(piece["id"]): hashlib.sha256(_by_hand(dict(piece))).hexdigest()[:8] for piece in pieces}
    assert said["each"] == each
    assert set(body["rows"]) == {"lot", "piece", "seller"}


def test_same_acts_same_hashes_on_every_database(workspace: Workspace) -> None:
    """The digest of what was said does not depend on the database: this one was worked out once, on neither."""
    receive(workspace, [arrival(remark="same everywhere")], operator="mira")
    with workspace.read() as session:
        body = json.loads(session.scalars(select(JournalEntry.body)).one())
    lot = {
        "id": 1,
        "entry_id": 1,
        "label": "L0001",
        "seller_id": 1,
        "source_kind": "marketplace",
        "order_reference": None,
        "order_line": 1,
        "price": None,
        "currency": None,
        "claimed_part": "CV6522AP",
        "claimed_maker": None,
        "claimed_grade": None,
        "condition": "unknown",
        "quantity_ordered": 3,
        "quantity_received": 3,
        "arrived_on": "2031-04-02",
        "claim_by": None,
        "remark": "same everywhere",
    }
    assert body["rows"]["lot"]["sha256"] == hashlib.sha256(_by_hand([lot])).hexdigest()


@given(
    st.fixed_dictionaries(
        {
            "id": st.integers(1, 2**31),
            **{
                name: st.text(st.characters(exclude_categories=["Cs"])) for name in ("at", "operator", "act", "subject")
            },
            "body": st.text(st.characters(exclude_categories=["Cs"])),
            "previous_hash": st.text("0123456789abcdef", min_size=64, max_size=64),
        }
    )
)
def test_hash_by_hand_for_any_text(members: dict[str, object]) -> None:
    assert journal.entry_hash(**members) == hashlib.sha256(_by_hand(members)).hexdigest()  # type: ignore[arg-type]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**60, "\ud800"])
def test_what_json_cannot_say_is_refused(workspace: Workspace, value: object) -> None:
    with pytest.raises(BadRequest, match="cannot be recorded"), workspace.act("mira", "try", "L0001") as act:
        act.body["value"] = value
    with workspace.read() as session:
        assert journal.head(session).entry == 0


def test_canonical_json_of_the_standards_examples() -> None:
    """RFC 8785, sections 3.2.2 and 3.2.3 (from memory): numbers as ECMAScript spells them, keys by UTF-16 units."""
    numbers = [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001]
    string = "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\u005c\u0022\u002f"
    assert canonical({"numbers": numbers, "string": string, "literals": [None, True, False]}) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"\u20ac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    ordered = list(json.loads(canonical(dict.fromkeys(keys, 0))))
    assert ordered == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
