"""The workshop of any size that other tests and the benchmarks grow: sound, repeatable, and open for further acts."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from growing import TODAY, Growth, grow
from sqlalchemy import func, select
from stock import a_lot

from tracker.desk.facts import kept_document
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.records.models import Inspection, JournalEntry, Piece

SIZE = Growth(lots=3, pieces=15, looks=2.3, runs=0.8, settled=0.3, rematched=0.4, entries=150, seed=4)


def test_what_was_grown_verifies_and_goes_on(workspace: Workspace) -> None:
    grown = grow(workspace, SIZE)
    report = verify(workspace)
    assert report.sound, report.faults
    assert {rung.name: rung.checked > 0 for rung in report.rungs} == dict.fromkeys(
        ("structure", "counts", "completeness", "hashes", "chain", "signatures", "rows"), True
    )
    assert (grown.lots, grown.pieces) == (3, 45)
    assert grown.entries >= 150
    assert grown.inspections > 2 * 45
    # The desk's own acts follow from it: labels, ids, the chain, the key.
    received = a_lot(workspace, arrived=TODAY + timedelta(days=1))
    assert received.lot == "L0004"
    assert verify(workspace).sound


def test_every_document_is_whole_and_says_what_its_row_says(workspace: Workspace) -> None:
    grow(workspace, SIZE)
    with workspace.read() as session:
        rows = session.scalars(select(Inspection)).all()
        documents = [kept_document(row) for row in rows]
        assert [one.piece.marking for one in documents] == [row.marking for row in rows]
        assert [[f.code for f in one.piece.findings] for one in documents] == [
            [f.code for f in row.findings] for row in rows
        ]
        looks = dict(session.execute(select(Inspection.piece_id, func.count()).group_by(Inspection.piece_id)).all())
        assert len(looks) == session.scalar(select(func.count()).select_from(Piece))
        # Chips that were said later to be another piece.
        chips = [(row.photo_id, document.index) for row, document in zip(rows, documents, strict=True)]
        assert len(set(chips)) < len(chips)


def test_one_seed_makes_one_workshop(tmp_path: Path) -> None:
    def grown(name: str, seed: int) -> tuple[list[object], list[str]]:
        with Workspace.open(tmp_path / name, create=True) as workspace:
            grow(workspace, replace(SIZE, seed=seed))
            with workspace.read() as session:
                acts = select(JournalEntry.at, JournalEntry.operator, JournalEntry.act, JournalEntry.subject)
                documents = session.scalars(select(Inspection.document).order_by(Inspection.id))
                return [tuple(row) for row in session.execute(acts.order_by(JournalEntry.id))], list(documents)

    one = grown("one", 4)
    assert one == grown("another", 4)
    assert one != grown("other", 5)
