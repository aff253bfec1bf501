"""Whatever is changed behind our back is named; what is not changed passes."""

import hashlib
import json
import multiprocessing
import sqlite3
import sys
import time
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import select, text
from stock import a_lot

from tracker import journal
from tracker.desk import verify_state
from tracker.desk.arrival import Paper
from tracker.desk.decide import decide
from tracker.desk.found import MOST_FAULTS
from tracker.desk.journal_walk import Walk, _Signatures
from tracker.desk.tidy import tidy
from tracker.desk.verify import RUNGS, Report, verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records import bulk
from tracker.records.models import Document, JournalEntry
from tracker.records.session import write_transaction
from tracker.signing import SigningKey, all_hold


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


def forge(workspace: Workspace, entry_id: int, **changed: str) -> str:
    """Return the statement that changes an entry and works its hash out anew, as the recipe in the journal says."""
    with workspace.read() as session:
        entry = session.get_one(JournalEntry, entry_id)
        names = ("id", "at", "operator", "act", "subject", "body", "previous_hash")
        members = {name: getattr(entry, name) for name in names} | changed
    text = json.dumps(members, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    members["hash"] = hashlib.sha256(text.encode()).hexdigest()
    said = ", ".join(f"{name} = '{members[name]}'" for name in (*changed, "hash"))
    return f"UPDATE journal_entry SET {said} WHERE id = {entry_id}"


def hash_of(workspace: Workspace, entry_id: int) -> str:
    """Return the hash an entry has now."""
    with workspace.read() as session:
        return session.get_one(JournalEntry, entry_id).hash


@pytest.fixture
def other_bench(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Go on as a bench that has none of the keys and memories so far."""
    monkeypatch.setenv("LOTPROOF_KEYS", str(tmp_path / "other keys"))


def test_entry_edited_and_hashed_anew_breaks_the_next_link(used: Workspace) -> None:
    tamper(used, forge(used, 2, operator="jonas"))
    report = verify(used)
    faults = [(fault.code, fault.subject) for fault in report.faults]
    assert faults == [("link-broken", "entry 3"), ("signature-wrong", "entry 2")]


def test_chain_rebuilt_without_the_key(used: Workspace, other_bench: None) -> None:
    tamper(used, forge(used, 2, operator="jonas"))
    tamper(used, forge(used, 3, previous_hash=hash_of(used, 2)))
    report = verify(used)
    assert [(fault.code, fault.subject) for fault in report.faults] == [
        ("signature-wrong", "entry 2"),
        ("signature-wrong", "entry 3"),
    ]


def test_chain_rebuilt_with_another_key(used: Workspace, other_bench: None) -> None:
    """A forged key that no entry announces is named; one that is announced has another name than the one noted."""
    before = verify(used).keys
    tamper(used, forge(used, 3, operator="jonas"))
    forger = SigningKey.new()
    tamper(used, signed(forger, used, 3))
    assert said(verify(used)) == {("signatures", "key-unknown")}
    body = {**json.loads(body_of(used, 3)), "key": {"name": forger.name, "public_key": forger.public_key, "bench": "x"}}
    tamper(used, forge(used, 3, body=json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)))
    tamper(used, signed(forger, used, 3))
    after = verify(used)
    assert [(key.name, key.entries) for key in before] == [(before[0].name, 3)]
    assert [(key.name, key.since, key.entries) for key in after.keys] == [(before[0].name, 1, 2), (forger.name, 3, 1)]


def signed(key: SigningKey, workspace: Workspace, entry_id: int) -> str:
    """Return the statement that signs an entry."""
    signature = key.sign(hash_of(workspace, entry_id))
    return (
        f"UPDATE journal_entry SET signing_key = '{signature.key}', signature = '{signature.signature}' "
        f"WHERE id = {entry_id}"
    )


def body_of(workspace: Workspace, entry_id: int) -> str:
    """Return the text an entry holds."""
    with workspace.read() as session:
        return session.get_one(JournalEntry, entry_id).body


def test_signature_taken_off_or_changed(used: Workspace) -> None:
    tamper(used, "UPDATE journal_entry SET signature = NULL, signing_key = NULL WHERE id = 2")
    assert [(fault.code, fault.subject) for fault in verify(used).faults] == [("not-signed", "entry 2")]
    tamper(used, "UPDATE journal_entry SET signature = 'zz' || substr(signature, 3) WHERE id = 3")
    assert ("signature-wrong", "entry 3") in {(fault.code, fault.subject) for fault in verify(used).faults}


def test_every_signature_taken_off_is_seen_by_the_bench_that_signed_or_with_a_noted_head(used: Workspace) -> None:
    """Where keys and signatures are gone, the entries look as if from before signing; they must then be rebuilt."""
    noted = verify(used).head.hash
    body = json.loads(body_of(used, 1))
    del body["key"]
    tamper(used, forge(used, 1, body=json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)))
    for entry in (2, 3):
        tamper(used, forge(used, entry, previous_hash=hash_of(used, entry - 1)))
    tamper(used, "UPDATE journal_entry SET signature = NULL, signing_key = NULL")
    report = verify(used, against=noted)
    assert said(report) == {("chain", "head-missing"), ("signatures", "signed-entry-missing")}
    assert [notice.code for notice in report.notices] == ["before-signing"]


def test_clock_set_back(used: Workspace) -> None:
    """An entry that claims to be older than the one before it is named, unless it said so when it was written."""
    tamper(used, forge(used, 3, at="2001-02-03T04:05:06.000000Z"))
    assert ("chain", "clock-back") in said(verify(used))


def test_a_clock_that_stands_behind_is_said_in_the_entry(used: Workspace) -> None:
    with used.act("mira", "note", "L0001") as act:
        journal.append(
            act.session, operator="mira", act="note", subject="L0001", body={}, at=datetime(2001, 2, 3, tzinfo=UTC)
        )
    body = json.loads(body_of(used, 4))
    assert body["clock_behind_s"] > 20 * 365 * 86400
    report = verify(used)
    assert [notice.subject for notice in report.notices if notice.code == "clock-behind"] == ["entry 4"]
    assert "clock-back" not in {code for _, code in said(report)}


def test_noted_head_shows_that_the_last_act_was_removed_whole(used: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    noted = verify(used).head.hash
    assert verify(used, against=noted).sound
    assert verify(used, against=noted[:12].upper()).sound
    assert verify(used, against=f"Head: entry 3, {noted}").sound  # the whole line, as it is printed
    assert verify(used, against=f"entry 3, {noted}").sound
    last = "WHERE entry_id = 3"
    tamper(used, f"DELETE FROM piece {last}", f"DELETE FROM lot {last}", "DELETE FROM journal_entry WHERE id = 3")
    assert said(verify(used)) == {("signatures", "signed-entry-missing")}  # this bench remembers what it signed
    monkeypatch.setenv("LOTPROOF_KEYS", str(used.folder / "no keys"))
    assert verify(used).sound  # another cannot know: that is what the noted head is for
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
    with used.read() as session:
        body = json.loads(session.get_one(JournalEntry, 2).body)
    body["rows"]["decision"]["sha256"] = "0" * 64
    with write_transaction(used._engine) as connection:
        connection.execute(text("UPDATE journal_entry SET body = :body WHERE id = 2"), {"body": json.dumps(body)})
    faults = [one for one in verify(used).faults if one.rung == "rows"]
    assert [(one.code, one.subject) for one in faults] == [("rows-differ", "entry 2")]


class _BrokenOff(Exception):
    pass


def break_off(workspace: Workspace, monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """Break a check off once so many entries and files are done, as a kill at that moment would."""
    monkeypatch.setattr(verify_state, "EVERY_S", 0.0)
    monkeypatch.setattr(bulk, "BLOCK", 1)
    moments = 0

    def told(done: int, total: int) -> None:
        nonlocal moments
        moments += 1
        if moments > after:
            raise _BrokenOff

    with pytest.raises(_BrokenOff):
        verify(workspace, progress=told)


@pytest.mark.parametrize("after", [1, 2, 3, 4])
def test_a_check_that_was_broken_off_is_gone_on_with(
    used: Workspace, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Wherever it was broken off, the whole comes to what one check in one go finds, and says that it went on."""
    tamper(used, "UPDATE decision SET reason = 'looks wrong'", "UPDATE lot SET remark = 'x' WHERE label = 'L0002'")
    once = verify(used)
    break_off(used, monkeypatch, after)
    a_lot(used, part="HDS74HC595D")  # a bench goes on meanwhile
    resumed = verify(used, resume=True)
    assert resumed.faults == once.faults
    assert [notice.code for notice in resumed.notices] == ["resumed"]
    whole = verify(used)
    assert (resumed.rungs, resumed.keys, resumed.head) == (whole.rungs, whole.keys, whole.head)
    assert not verify_state.path_of(used).exists()


def test_nothing_to_go_on_with(used: Workspace) -> None:
    with pytest.raises(BadRequest, match="broken off"):
        verify(used, resume=True)


@pytest.mark.parametrize(
    "sentence",
    [
        "DELETE FROM piece WHERE id = 2",
        "DELETE FROM journal_entry WHERE id = 1",
        "UPDATE journal_entry SET hash = 'x' || substr(hash, 2) WHERE id = 3",
    ],
)
def test_what_was_changed_since_the_break_is_not_gone_on_with(
    used: Workspace, monkeypatch: pytest.MonkeyPatch, sentence: str
) -> None:
    break_off(used, monkeypatch, 3)
    tamper(used, sentence)
    with pytest.raises(BadRequest, match="not as they were"):
        verify(used, resume=True)
    assert not verify(used).sound


def test_a_spoiled_note_of_the_break_is_refused(used: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    break_off(used, monkeypatch, 3)
    verify_state.path_of(used).write_text('{"form": 1}')
    with pytest.raises(BadRequest, match="cannot be read"):
        verify(used, resume=True)


def test_many_signatures_are_checked_elsewhere_with_the_same_findings(
    used: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    tamper(used, forge(used, 2, operator="x"))
    here = verify(used)
    monkeypatch.setattr("tracker.desk.verify.MANY", 0)
    assert verify(used) == here
    assert ("signatures", "signature-wrong") in said(here)


def test_a_value_that_no_date_can_be_made_of_is_an_edited_row(used: Workspace) -> None:
    if used.url.startswith("file:"):
        tamper(used, "UPDATE lot SET arrived_on = 'never' WHERE label = 'L0001'")
        assert [(one.code, one.subject) for one in verify(used).faults] == [("row-edited", "L0001")]


def test_bytes_where_a_text_was_are_a_fault_and_no_crash(used: Workspace) -> None:
    if used.url.startswith("file:"):
        tamper(used, "UPDATE journal_entry SET at = x'ff00', signature = x'ff00' WHERE id = 2")
        assert said(verify(used)) == {("chain", "entry-edited"), ("signatures", "signature-wrong")}


@pytest.mark.sweep
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_who_checks_signatures_does_not_outlive_a_killed_check() -> None:
    told, heard = multiprocessing.get_context("fork").Pipe()
    check = multiprocessing.get_context("fork").Process(target=_check_until_killed, args=(heard,))
    check.start()
    helpers = told.recv()
    assert all(map(_runs, helpers))
    check.kill()
    check.join(10)
    until = time.monotonic() + 10
    while any(map(_runs, helpers)) and time.monotonic() < until:
        time.sleep(0.02)
    assert helpers
    assert not any(map(_runs, helpers))


def _check_until_killed(heard: "Connection") -> None:
    with _Signatures(Walk(), many=True) as signatures:
        assert signatures._pool is not None
        assert signatures._pool.submit(all_hold, []).result() == []  # then the helper has begun
        heard.send(list(signatures._pool._processes))
        time.sleep(60)


def _runs(number: int) -> bool:
    try:
        return Path(f"/proc/{number}/stat").read_text(encoding="ascii").split(") ")[1][0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
