"""What the pages of record keeping ask of the desk: finding, known names, what is thought of pieces, the journal."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from asked import asked
from bags import full_lot
from sqlalchemy import select
from sqlalchemy.orm import Session
from staged import Stage
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.arrival import Paper
from tracker.desk.assess import piece_suspicion
from tracker.desk.decide import Sent, decide
from tracker.desk.delivery_csv import check_delivery
from tracker.desk.find import MOST, find, label_in
from tracker.desk.fitting import add_machine
from tracker.desk.known_names import known_names
from tracker.desk.log import entries_about, in_words, journal_state, read_log
from tracker.desk.named import named
from tracker.desk.pieces import find_piece
from tracker.desk.receive import add_documents
from tracker.desk.sellers import show_seller
from tracker.desk.thoughts import STRONGEST, thoughts
from tracker.desk.workspace import Workspace
from tracker.errors import NoSuch
from tracker.journal import written_tables
from tracker.records.models import BenchRun, JournalEntry, Lot, Machine, Piece


@pytest.fixture
def full(workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """Give a workspace with a lot that went all the way, on either database."""
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    full_lot(workspace, tmp_path / "desk", stage)
    return workspace


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("l7-3", "L0007-03"), ("L0007 / 03", "L0007-03"), ("7-3", "L0007-03"), ("L7 3", "L0007-03"),
        ("#L0007", "L0007"), ("m-2", "M0002"), ("B 5", "B0005"), ("w1", "W0001"), ("L12345-100", "L12345-100"),
        ("8914", None), ("CV6522AP", None), ("L", None), ("L0007-03..05", None), ("", None), ("L٣", None),
    ],
)  # fmt: skip
def test_a_label_in_any_spelling(text: str, label: str | None) -> None:
    found = label_in(text)
    assert (None if found is None else found.label) == label


def test_find_looks_everywhere(full: Workspace) -> None:
    def hits(text: str) -> list[tuple[str, str]]:
        return [(hit.kind, hit.label) for hit in find(full, text).hits]

    assert hits("l1-2") == [("piece", "L0001-02")]
    assert hits("tellmark") == [("machine", "M0001")]
    assert hits("quayside") == [("seller", "Quayside Surplus")]
    assert hits("q-7") == [("lot", "L0001")]
    assert hits("Rechnung") == [("lot", "L0001")]
    assert hits("8914") == [("piece", "L0001-02"), ("piece", "L0001-01")]
    assert hits("L0099") == hits("%") == hits("__") == hits("x") == []
    for number in range(MOST + 1):
        a_lot(full, order=f"many-{number}", quantity=1, received=1)
    found = find(full, "many-")
    assert (len(found.hits), found.more) == (MOST, True)
    assert found.hits[0].label == f"L{MOST + 2:04d}", "the latest first"


def test_names_on_record_are_offered_the_latest_first(full: Workspace) -> None:
    a_lot(full, seller="Fennimore", maker="Corvane", price="3", currency="EUR", order="F-1")
    decide(full, ["L0002-01"], "return", "wrong", shipped=Sent("Parcel Line", "PL 1", TODAY))
    names = known_names(full)
    assert names.sellers == ("Fennimore", "Quayside Surplus")
    assert (names.parts, names.makers) == (("CV6522AP",), ("Corvane",))
    assert (names.currencies, names.carriers) == (("EUR",), ("Parcel Line",))
    assert names.machines == (("M0001", "Laboratory counter Tellmark 220"),)
    assert names.positions == ("U12",)


def test_what_is_thought_of_pieces_is_their_sum(full: Workspace) -> None:
    found = thoughts(full, ["L0001"])
    assert [one.row.piece for one in found.pieces] == ["L0001-01", "L0001-02", "L0001-03"]
    assert found.entry == read_log(full).entries[-1].entry
    fitted, suspect, unseen = found.pieces
    assert (fitted.machine_name, fitted.row.position) == ("Laboratory counter Tellmark 220", "U12")
    assert (suspect.reading, suspect.tested) == ("CV6522AP / 8914", (("current", "fail"),))
    assert unseen.reading is unseen.inspection is None
    with full.read() as session:
        lines = piece_suspicion(session, find_piece(session, "L0001-02")).lines
    weights = sorted(abs(line.weight_db) for line in lines if line.kind in ("finding", "siblings", "absence"))
    assert [abs(one.weight_db) for one in suspect.reasons] == weights[::-1][: len(suspect.reasons)]
    assert 0 < len(suspect.reasons) <= STRONGEST
    assert thoughts(full, []).pieces == ()
    with pytest.raises(NoSuch):
        thoughts(full, ["L0099-01"])


def test_the_journal_can_be_turned_over(full: Workspace) -> None:
    whole = read_log(full)
    first = read_log(full, limit=2)
    older = read_log(full, limit=100, before=first.entries[0].entry)
    assert (*older.entries, *first.entries) == whole.entries
    assert older.found == whole.found


def test_long_words_come_last_in_the_journal(full: Workspace) -> None:
    (entry,) = [one for one in read_log(full).entries if one.act == "bench"]
    said = in_words(entry)
    assert said.index("verdict: ") < said.index("rule: ")


def test_the_state_of_the_journal(workspace: Workspace, tmp_path: Path) -> None:
    empty = journal_state(workspace)
    assert (empty.head.entry, empty.at, empty.key, empty.kept_bytes) == (0, "", None, 0)
    a_lot(workspace)
    (tmp_path / "a.txt").write_bytes(b"x" * 1234)
    add_documents(workspace, "L0001", [Paper("letter", tmp_path / "a.txt", "a letter.txt")])
    state = journal_state(workspace)
    newest = read_log(workspace).entries[-1]
    assert (state.head.entry, state.head.hash, state.at) == (newest.entry, newest.hash, newest.at)
    assert state.kept_bytes == 1234
    assert isinstance(state.kept_bytes, int), "some databases sum to a decimal"
    assert state.key


def test_a_seller_is_shown_though_a_machine_has_the_name(workspace: Workspace) -> None:
    a_lot(workspace, seller="Orrin")
    add_machine(workspace, "Orrin")
    assert show_seller(workspace, "ORRIN").lots[0].lot == "L0001"
    with pytest.raises(NoSuch):
        show_seller(workspace, "nobody")


def test_what_a_label_names(workspace: Workspace) -> None:
    a_lot(workspace)
    assert (named(workspace, "l1").label, named(workspace, "l1").pieces) == ("L0001", 3)
    piece = named(workspace, "l1-2")
    assert (piece.label, piece.lot, piece.is_lot) == ("L0001-02", "L0001", False)
    assert named(workspace, "l1-2", lot=True).is_lot


def test_every_row_of_a_delivery_is_told(tmp_path: Path) -> None:
    table, paper = tmp_path / "t.csv", tmp_path / "0001"
    paper.write_bytes(b"x")
    table.write_text("seller,part,quantity,invoice\nA,B,2,inv.pdf\nA,B,x,other.pdf\n,,,\nA,B,1,papers\\inv.pdf\n")
    found = check_delivery(table, today=TODAY, name="sent.csv", papers={"inv.pdf": paper})
    assert [row.number for row in found.rows] == [2, 3, 5]
    assert [column for column, _ in found.rows[1].problems] == ["quantity", "invoice"]
    assert [one.documents[0] for one in found.arrivals] == [Paper("invoice", paper, "inv.pdf")] * 2
    assert len(found.faults) == 2
    assert found.faults[0].startswith("row 3, quantity: ")


def test_the_log_of_a_label_is_found_by_rows_and_misses_nothing_that_is_named(full: Workspace) -> None:
    a_lot(full, order="Q-8")
    decide(full, ["L0001-01", "L0002-02"], "quarantine", "one jig for both", operator="mira")
    with full.read() as session:
        entries = session.scalars(select(JournalEntry).order_by(JournalEntry.id)).all()
        labels = [label for table in (Lot, Piece, Machine, BenchRun) for label in session.scalars(select(table.label))]
        assert {label[0] for label in labels} == {"L", "M", "B"}
        for label in labels:
            named_in = [
                one.id
                for one in entries
                if one.subject == label or one.subject.startswith(f"{label}-") or f'"{label}"' in one.body
            ]
            found = entries_about(session, label)
            assert set(named_in) <= set(found), label
            wrote = {
                entry
                for table in written_tables()
                for row in session.execute(select(table)).mappings()
                for entry in [row["entry_id"]]
                if label in _labels_of(session, row)
            }
            assert set(found) <= wrote | set(named_in), label
    assert [one.act for one in read_log(full, "L0002-02").entries] == ["decide"]
    assert read_log(full, "L0002-02", before=1).entries == ()
    assert read_log(full, "L0099").found == 0
    with asked(full) as few:
        read_log(full, "L0002")
    with asked(full) as many:
        read_log(full, "L0001")
    assert few.number == many.number


def _labels_of(session: Session, row: Mapping[str, Any]) -> set[str]:
    """Return the labels of what a row is of, and of the lot of a piece."""
    found = {str(row.get("label"))}
    for name, table in (("lot_id", Lot), ("piece_id", Piece), ("machine_id", Machine)):
        if row.get(name) is not None:
            found.add(session.get_one(table, row[name]).label)
    return found | {label.partition("-")[0] for label in found}
