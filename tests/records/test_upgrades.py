"""Workspaces of every older schema: brought up to date whole or not at all, with every row's digest as it was."""

import os
import shutil
import signal
import sqlite3
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import Lotproof, _postgres_folder
from fault_cases import build, command, everything, state
from fault_points import Ran, broken, can_break
from older_records import Rows, rows_of, write_at
from sqlalchemy import Engine, event, text

from tracker import journal
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.records.schema import HEAD, revision, revisions
from tracker.records.session import postgres_engine, postgres_url, read_transaction, sqlite_engine, write_transaction

LATER = {"file-orphaned"}
"""Files of the acts that need a table of later lie there still."""
OLDER = [one for one in revisions() if one != HEAD]
ACTS = (
    ("settle", "L0001-03", "genuine", "--grounds", "opened"),
    ("exemplar", "L0001-03", "--grounds", "bought from its maker"),
    ("decide", "L0002-02", "return", "--reason", "no", "--carrier", "Post", "--tracking", "7"),
    ("receive", "--bag", "foreign"),
    ("correct", "L0001-01", "--reads", "CV6522AP", "--reads", "8916"),
)
"""Those that need a table of later come last, in the order in which the tables came."""


@pytest.fixture(scope="module")
def shop(sqlite_template: Path, sound: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a shop that has rows in every table; it is not to be changed."""
    folder = build(tmp_path_factory.mktemp("shop") / "s", sqlite_template, sound)
    for words in ACTS:
        ran = command(folder, *words)
        assert ran.code == 0, ran.err
    return folder


@pytest.fixture(scope="module")
def rows(shop: Path) -> Rows:
    """Give its rows."""
    engine = sqlite_engine(shop / "w" / "records.sqlite")
    found = rows_of(engine)
    engine.dispose()
    assert [name for name, there in found.items() if not there] == []
    assert {table.name for table in journal.written_tables()} <= found.keys()
    return found


def _older(shop: Path, rows: Rows, to: Path, at: str) -> Path:
    """Return a copy of the shop whose records stand at a revision."""
    shutil.copytree(shop, to)
    for name in ("records.sqlite", "records.sqlite-wal", "records.sqlite-shm"):
        (to / "w" / name).unlink(missing_ok=True)
    engine = sqlite_engine(to / "w" / "records.sqlite", create=True)
    write_at(engine, at, rows)
    engine.dispose()
    return to


def _digests(engine: Engine) -> dict[str, dict[int, str]]:
    return {
        name: {row["id"]: journal.row_mark(journal.row_text(row)) for row in there}
        for name, there in rows_of(engine).items()
        if name != "journal_entry" and there
    }


@can_break
@pytest.mark.parametrize("at", OLDER)
def test_every_older_schema_is_brought_up_to_date(
    shop: Path, rows: Rows, tmp_path: Path, at: str, lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = _older(shop, rows, tmp_path / "s", at) / "w"
    engine = sqlite_engine(place / "records.sqlite")
    before = _digests(engine)
    engine.dispose()
    _upgraded_and_sound(place, before)
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(place))
    assert [one["lot"] for one in lotproof("list", "lots", "--json").json["lots"]][:2] == ["L0001", "L0002"]
    assert lotproof("show", "L0001-01", "--json").json["piece"] == "L0001-01"
    entries = lotproof("log", "--json").json["entries"]
    assert {entry["program"] for entry in entries} == {None}  # of then
    assert lotproof("tidy").code == 0
    assert lotproof("decide", "L0001-03", "accept", "--reason", "as before").code == 0
    assert lotproof("log", "--json").json["entries"][-1]["program"] is not None
    checked = lotproof("verify", "--json")
    assert (checked.code, checked.json["sound"]) == (0, True), checked.out


@pytest.mark.sweep
@pytest.mark.parametrize("at", OLDER)
def test_the_same_on_postgresql(shop: Path, rows: Rows, tmp_path: Path, at: str, postgres_database: str) -> None:
    engine = postgres_engine(postgres_url(postgres_database))
    write_at(engine, at, rows)
    before = _digests(engine)
    engine.dispose()
    place = _postgres_folder(tmp_path / "w", postgres_database)
    shutil.copytree(shop / "w" / "evidence", place / "evidence")
    _upgraded_and_sound(place, before)
    assert _at_once(place) == {0}


def _upgraded_and_sound(place: Path, before: dict[str, dict[int, str]]) -> None:
    with Workspace.open(place) as workspace:
        report = verify(workspace)
        assert {fault.code for fault in report.faults} <= LATER, report.faults
        after = _digests(workspace._engine)
        assert {name: after[name] for name in before} == before
        with read_transaction(workspace._engine) as connection:
            assert revision(connection) == HEAD


def _open(place: Path, die_at: int | None = None) -> None:
    """Open a workspace; die before the n-th statement that changes something."""
    count = 0

    def before(connection: Any, cursor: Any, statement: str, *_: object) -> None:
        nonlocal count
        if not statement.lstrip().upper().startswith(("SELECT", "PRAGMA", "BEGIN")):
            count += 1
            if count == die_at:
                os.kill(os.getpid(), signal.SIGKILL)

    event.listen(Engine, "before_cursor_execute", before)
    Workspace.open(place).close()
    print(count)


def _killed_at(older: Path, to: Path, number: int | None) -> Ran:
    shutil.copytree(older, to)
    return broken(partial(_open, to / "w", number), to)


@can_break
@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_killed_while_it_upgrades_it_is_the_old_one(shop: Path, rows: Rows, tmp_path: Path, share: float) -> None:
    everything()
    older = _older(shop, rows, tmp_path / "older", OLDER[0])
    count = int(_killed_at(older, tmp_path / "whole", None).out)
    assert count > 10
    _old_and_then_new(older, tmp_path / "c", 1 + round(share * (count - 1)))


@can_break
@pytest.mark.sweep
def test_killed_at_any_statement_of_an_upgrade(shop: Path, rows: Rows, tmp_path: Path) -> None:
    everything()
    older = _older(shop, rows, tmp_path / "older", OLDER[0])
    for number in range(1, int(_killed_at(older, tmp_path / "whole", None).out) + 1):
        _old_and_then_new(older, tmp_path / "c", number)
        shutil.rmtree(tmp_path / "c")


def _old_and_then_new(older: Path, to: Path, number: int) -> None:
    assert _killed_at(older, to, number).killed
    assert _schema(to) == _schema(older)
    assert state(to / "w").codes <= LATER


def _schema(shop: Path) -> set[str]:
    connection = sqlite3.connect(shop / "w" / "records.sqlite")
    found = {
        str(row) for row in connection.execute("SELECT sql FROM sqlite_master UNION SELECT * FROM alembic_version")
    }
    connection.close()
    return found


@can_break
def test_two_programs_upgrade_at_once(shop: Path, rows: Rows, tmp_path: Path) -> None:
    everything()
    place = _older(shop, rows, tmp_path / "older", OLDER[0]) / "w"
    assert _at_once(place) == {0}
    assert state(place).codes <= LATER


def _at_once(place: Path) -> set[int]:
    children = []
    for _ in range(2):
        child = os.fork()
        if child == 0:
            code = 1
            try:
                Workspace.open(place).close()
                code = 0
            finally:
                os._exit(code)
        children.append(child)
    return {os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children}


READS = (
    ("list", "lots"), ("list", "pieces"), ("list", "machines"), ("list", "runs"), ("show", "L0001"), ("log",),
    ("verify",), ("due",), ("recall", "--lot", "L0001"), ("calibration",), ("next", "L0001"), ("costs",),
    ("dossier", "L0001", "--to", "d.html"), ("label", "L0001"), ("card", "L0001"), ("bench", "compare", "B0001"),
    ("bench", "plan", "L0001"), ("export", "bag", "L0001", "--to", "b"), ("export", "csv", "all", "--to", "t"),
    ("export", "prov", "L0001", "--to", "p.json"), ("serve", "--port", "1"),
)  # fmt: skip
WRITES = (
    ("receive", "--from", "delivery.csv"), ("document", "L0001", "letter=letter.txt"),
    ("photograph", "L0001", "new.png"), *ACTS, ("machine", "Another"), ("costs", "--minute", "1", "--reason", "x"),
    ("fit", "L0001-03", "--into", "M0001", "--at", "U9"), ("unfit", "L0001-01"), ("tidy", "--spool", "--work"),
    ("bench", "in-circuit", "L0001-01", "--runs"), ("bench", "clock", "L0001-01", "--from", "clock.csv"),
)  # fmt: skip


@can_break
def test_an_older_program_refuses_before_it_writes(shop: Path, tmp_path: Path) -> None:
    """One for all: a command that opens a workspace opens it in the one way."""
    _refused(shop, tmp_path, (*READS[:1], ("serve", "--port", "1"), WRITES[0]))


@can_break
@pytest.mark.sweep
def test_every_command_of_an_older_program_refuses_before_it_writes(shop: Path, tmp_path: Path) -> None:
    _refused(shop, tmp_path, (*READS, *WRITES))


def _refused(shop: Path, tmp_path: Path, commands: tuple[tuple[str, ...], ...]) -> None:
    shutil.copytree(shop, tmp_path / "newer")
    engine = sqlite_engine(tmp_path / "newer" / "w" / "records.sqlite")
    with write_transaction(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'v9999'"))
    engine.dispose()
    before = _bytes(tmp_path / "newer")
    for words in commands:
        ran = command(tmp_path / "newer", *words)
        assert ran.code == 2, (words, ran.out, ran.err)
        assert ran.err.startswith("lotproof: This workspace was written by a newer Lotproof (records at v9999"), words
        assert ran.out == ""
        assert _bytes(tmp_path / "newer") == before, words


def _bytes(folder: Path) -> dict[str, bytes]:
    """Return what lies there, SQLite's own notes of who reads left out, and what the bench keeps for itself."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.endswith(("-shm", "-wal")) and path.parent.name != "keys"
    }
