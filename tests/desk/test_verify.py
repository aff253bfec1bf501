"""Whatever is changed behind our back is named; what is not changed passes."""

import hashlib
import json
import sqlite3
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import select, text
from stock import a_lot

from tracker import journal
from tracker.desk.arrival import Paper
from tracker.desk.decide import decide
from tracker.desk.verify import MOST_FAULTS, RUNGS, Report, tidy, verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Document, JournalEntry
from tracker.records.session import write_transaction


@pytest.fixture
def used(workspace: Workspace, tmp_path: Path) -> Workspace:
    """Give a workspace with a lot, its invoice, a decision and a second lot."""
    invoice = tmp_path / "invoice.pdf"
    invoice.write_bytes(b"%PDF invented")
    a_lot(workspace, documents=(Paper("invoice", invoice),))
    decide(workspace, ["L0001-02"], "accept", "looks right", operator="mira")
    a_lot(workspace, part="CV74HC245N")
    return workspace


def tamper(workspace: Workspace, *statements: str) -> None:
    """Change the database as somebody with all rights would, past foreign keys and past us."""
    url = workspace._engine.url
    if url.drivername == "sqlite":
        # A connection of sqlite3 does not enforce foreign keys unless it is told to.
        connection = sqlite3.connect(workspace.folder / "records.sqlite", isolation_level=None)
    else:
        address = url.set(drivername="postgresql").render_as_string(hide_password=False)
        connection = psycopg.connect(address, autocommit=True)
        connection.execute("SET session_replication_role = replica")
    for statement in statements:
        connection.execute(statement)
    connection.close()


def said(report: Report) -> set[tuple[str, str]]:
    """Return rung and code of every fault."""
    return {(fault.rung, fault.code) for fault in report.faults}


def test_untouched_is_sound(used: Workspace) -> None:
    report = verify(used)
    assert (report.sound, report.faults, report.reached) == (True, (), "rows")
    assert [rung.name for rung in report.rungs] == list(RUNGS)
    assert all(rung.checked for rung in report.rungs)
    assert report.head.entry == 3
    # 2 lots, 6 pieces, 1 seller, 1 document, 1 decision
    assert report.rungs[-1].checked == 11


def test_empty_workspace_is_sound(workspace: Workspace) -> None:
    assert verify(workspace).sound


def test_row_edited(used: Workspace) -> None:
    tamper(used, "UPDATE lot SET claimed_part = 'CV6522' WHERE label = 'L0001'")
    report = verify(used)
    assert said(report) == {("rows", "row-edited")}
    assert report.faults[0].subject == "L0001"
    assert not report.sound


def test_row_edited_in_a_table_without_labels(used: Workspace) -> None:
    tamper(used, "UPDATE decision SET reason = 'looks wrong'")
    assert [(fault.code, fault.subject) for fault in verify(used).faults] == [("row-edited", "decision row 1")]


def test_row_removed(used: Workspace) -> None:
    tamper(used, "DELETE FROM piece WHERE label = 'L0001-03'")
    report = verify(used)
    assert ("rows", "row-removed") in said(report)
    assert ("counts", "piece-count") in said(report)
    assert [fault.subject for fault in report.faults if fault.code == "row-removed"] == ["piece row 3"]


def test_row_added(used: Workspace) -> None:
    tamper(used, "INSERT INTO piece (id, entry_id, label, lot_id, number) VALUES (99, 1, 'L0001-04', 1, 4)")
    report = verify(used)
    assert [fault.subject for fault in report.faults if fault.code == "row-added"] == ["piece row 99"]
    assert {code for _, code in said(report)} == {"row-added", "piece-count", "row-count"}


def test_row_moved_to_another_entry(used: Workspace) -> None:
    tamper(used, "UPDATE decision SET entry_id = 3")
    assert {code for _, code in said(verify(used))} == {"row-added", "row-removed"}


def _file(workspace: Workspace) -> Path:
    with workspace.read() as session:
        sha256 = session.scalars(select(Document.sha256)).one()
    return workspace.folder / "evidence" / sha256[:2] / sha256


def test_file_changed(used: Workspace) -> None:
    path = _file(used)
    path.chmod(0o600)
    path.write_bytes(bytes(byte ^ 0xFF for byte in path.read_bytes()))
    report = verify(used)
    assert said(report) == {("hashes", "file-changed")}
    assert "document invoice.pdf of L0001" in report.faults[0].message


def test_file_missing(used: Workspace) -> None:
    _file(used).unlink()
    report = verify(used)
    assert said(report) == {("completeness", "file-missing")}
    assert "document invoice.pdf of L0001" in report.faults[0].message


def test_file_added_is_an_orphan_and_tidy_removes_only_that(used: Workspace) -> None:
    orphan = used.store.keep(b"nobody's").sha256
    (used.folder / "evidence" / "unfinished-12").write_bytes(b"half")
    report = verify(used)
    assert said(report) == {("completeness", "file-orphaned")}
    assert {fault.subject for fault in report.faults} == {orphan, "unfinished-12"}
    assert set(tidy(used, operator="mira").removed) == {orphan, "unfinished-12"}
    assert verify(used).sound
    assert _file(used).read_bytes() == b"%PDF invented"
    assert tidy(used, operator="mira").removed == ()
    with used.read() as session:
        entry = session.scalars(select(JournalEntry).order_by(JournalEntry.id.desc())).first()
    assert entry is not None
    assert (entry.act, set(json.loads(entry.body)["removed"])) == ("tidy", {orphan, "unfinished-12"})


def test_a_file_named_only_by_the_journal_is_no_orphan(used: Workspace) -> None:
    with used.act("mira", "note", "L0001") as act:
        act.keep(b"a log without a row")
    assert verify(used).sound
    assert tidy(used).removed == ()


@pytest.mark.parametrize("column", ["operator", "at", "act", "subject", "body", "hash", "previous_hash"])
def test_entry_edited(used: Workspace, column: str) -> None:
    tamper(used, f"UPDATE journal_entry SET {column} = 'x' || substr({column}, 2) WHERE id = 2")
    report = verify(used)
    assert ("chain", "entry-edited") in said(report)
    assert "entry 2" in {fault.subject for fault in report.faults}


def test_entry_removed(used: Workspace) -> None:
    tamper(used, "DELETE FROM journal_entry WHERE id = 2")
    report = verify(used)
    assert {("chain", "entry-removed"), ("rows", "entry-missing")} <= said(report)
    assert {fault.subject for fault in report.faults if fault.rung in ("chain", "rows")} == {"entry 2"}


def test_entry_edited_and_hashed_anew_breaks_the_next_link(used: Workspace) -> None:
    with used.read() as session:
        entry = session.get_one(JournalEntry, 2)
        names = ("id", "at", "act", "subject", "body", "previous_hash")
        members = {name: getattr(entry, name) for name in names} | {"operator": "jonas"}
    forged = hashlib.sha256(json.dumps(members, sort_keys=True, separators=(",", ":")).encode()).hexdigest()
    tamper(used, f"UPDATE journal_entry SET operator = 'jonas', hash = '{forged}' WHERE id = 2")
    report = verify(used)
    assert [(fault.code, fault.subject) for fault in report.faults] == [("link-broken", "entry 3")]


def test_noted_head_shows_that_the_last_act_was_removed_whole(used: Workspace) -> None:
    noted = verify(used).head.hash
    assert verify(used, against=noted).sound
    assert verify(used, against=noted[:12].upper()).sound
    last = "WHERE entry_id = 3"
    tamper(used, f"DELETE FROM piece {last}", f"DELETE FROM lot {last}", "DELETE FROM journal_entry WHERE id = 3")
    assert verify(used).sound  # by itself the workspace cannot know: that is what the noted head is for
    assert said(verify(used, against=noted)) == {("chain", "head-missing")}


@pytest.mark.parametrize("head", ["", "abc", "x" * 64, "a" * 65])
def test_a_head_is_a_hash(used: Workspace, head: str) -> None:
    with pytest.raises(BadRequest, match="not the hash"):
        verify(used, against=head)


def test_missing_column_stops_at_the_first_rung(used: Workspace) -> None:
    tamper(used, "ALTER TABLE lot RENAME COLUMN remark TO comment")
    report = verify(used)
    assert (report.reached, said(report)) == (None, {("structure", "column-missing")})


def test_missing_table(used: Workspace) -> None:
    tamper(used, "DROP TABLE bench_sample")
    assert said(verify(used)) == {("structure", "table-missing")}


def test_every_fault_is_counted_and_the_list_is_bounded(workspace: Workspace) -> None:
    a_lot(workspace, quantity=150, received=150)
    tamper(workspace, "UPDATE piece SET number = number + 1000 WHERE number < 140")
    report = verify(workspace)
    edited = report.rungs[-1].faults
    assert edited == 139
    assert len(report.faults) == MOST_FAULTS < report.fault_count


def test_verify_writes_nothing(used: Workspace) -> None:
    with used.read() as session:
        before = journal.head(session)
    used.store.keep(b"nobody's")
    verify(used)
    with used.read() as session:
        assert journal.head(session) == before


def test_marks_cannot_hide_an_edit(used: Workspace) -> None:
    """The short marks only name rows: with every mark right, the whole digest still decides."""
    from tracker.desk.row_check import check_rows

    with used.read() as session:
        body = json.loads(session.get_one(JournalEntry, 2).body)
    body["rows"]["decision"]["sha256"] = "0" * 64
    with write_transaction(used._engine) as connection:
        connection.execute(text("UPDATE journal_entry SET body = :body WHERE id = 2"), {"body": json.dumps(body)})
    with used.read() as session:
        faults = [one for one in check_rows(session) if not isinstance(one, int)]
    assert [(one.code, one.subject) for one in faults] == [("rows-differ", "entry 2")]
