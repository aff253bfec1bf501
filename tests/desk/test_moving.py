"""A workspace carried to another place: nothing lost, taken up again wherever it was broken off, the old place closed.

That both places hold the same is looked at here with the databases' and the store's own means, not by the digests that
the move itself takes.
"""

import hashlib
import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from buckets import kept_in, plainly
from conftest import Lotproof, _new_database, _order
from growing import Growth, grow
from killing import killed_at
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from stock import a_lot, arrival

from tracker import __version__, journal
from tracker.desk import carry, carry_rows, keys, task_leftovers
from tracker.desk import place as places
from tracker.desk.arrival import Paper
from tracker.desk.carry import Carried
from tracker.desk.log import in_words, read_log
from tracker.desk.move import move, reopen
from tracker.desk.receive import receive
from tracker.desk.task_rows import TaskRows
from tracker.desk.tasks import ask_photograph
from tracker.desk.tidy import tidy
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore
from tracker.records import bulk
from tracker.records.models import Base, JournalEntry

EVERY = 3


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give a small workshop on SQLite with some evidence; it is not to be changed."""
    folder = tmp_path_factory.mktemp("filled")
    shutil.copytree(sqlite_template, folder / "w")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        grow(workspace, Growth(lots=2, pieces=6, settled=0.3, runs=0.5))
        tidy(workspace, operator="mira")  # a picture that no photo came to use
        for number in range(3):
            (folder / "paper").write_text(f"Invoice {number}. Ωhm and « quotes »")
            receive(workspace, [arrival(order=f"Q-{number}", documents=(Paper("invoice", folder / "paper"),))])
    return folder / "w"


@pytest.fixture
def source(filled: Path, tmp_path: Path) -> Path:
    """Give a copy of it that may be moved."""
    return Path(shutil.copytree(filled, tmp_path / "source"))


def rows_of(folder: Path) -> dict[str, list[str]]:
    """Return every row of every table as text, by the database's own means."""
    place = places.find(folder)
    engine = create_engine(
        f"sqlite:///{place.records}"
        if place.database is None
        else make_url(place.database).set(drivername="postgresql+psycopg")
    )
    try:
        with engine.connect() as connection:
            found = {}
            for name, table in Base.metadata.tables.items():
                columns = ", ".join(column.name for column in table.columns)
                found[name] = sorted(
                    repr(tuple(map(_plain, row))) for row in connection.execute(text(f"SELECT {columns} FROM {name}"))
                )
            return found
    finally:
        engine.dispose()


def _plain(value: object) -> object:
    # SQLite has neither dates nor truth values of its own.
    if isinstance(value, bool):
        return int(value)
    return value if isinstance(value, int | float | str | None) else str(value)


def files_of(folder: Path, server: str | None = None) -> dict[str, str]:
    """Return the SHA-256 of every evidence file by its name, asked without any code of ours."""
    place = places.find(folder)
    if place.evidence is None:
        root = place.folder / places.EVIDENCE
        return {str(one.relative_to(root)): hashlib.sha256(one.read_bytes()).hexdigest() for one in root.glob("*/*")}
    assert server is not None
    bucket = place.evidence.split("/")[2]
    bodies = {name: plainly(server, "GET", f"/{bucket}/{name}")[1] for name in kept_in(server, bucket)}
    return {name.removeprefix("workshop/"): hashlib.sha256(body).hexdigest() for name, body in bodies.items()}


def without_moves(rows: dict[str, list[str]]) -> dict[str, list[str]]:
    return {name: [row for row in found if "'move-in'" not in row] for name, found in rows.items()}


def test_there_and_back(
    source: Path, tmp_path: Path, postgres_database: str, bucket: str, bucket_server: str, lotproof: Lotproof
) -> None:
    """From a folder to PostgreSQL and a bucket, and back into a folder."""
    files = files_of(source)
    shared, back = tmp_path / "shared", tmp_path / "back"
    words = ("--to", shared, "--records", postgres_database, "--evidence", bucket)
    ran = lotproof("workspace", "move", *words, "--workspace", source, "--json")
    assert ran.code == 0, ran.err
    assert without_moves(rows_of(shared)) == rows_of(source)
    assert files_of(shared, bucket_server) == files_of(source) == files
    with Workspace.open(shared) as workspace:
        assert verify(workspace).sound
        assert a_lot(workspace).lot == "L0006"  # ids and labels go on
    ran = lotproof("workspace", "move", "--to", back, "--workspace", shared, "--json")
    assert ran.code == 0, ran.err
    assert ran.json["carried"]["head"]["entry"] == len(rows_of(shared)["journal_entry"])
    before, after = rows_of(shared), rows_of(back)
    assert len(after.pop("journal_entry")) == len(before.pop("journal_entry")) + 1
    assert after == before
    assert files_of(back) == files
    with Workspace.open(back) as workspace:
        assert verify(workspace).sound
        assert a_lot(workspace).lot == "L0007"
        with workspace.read() as session:
            entries = session.scalars(sa.select(JournalEntry).where(JournalEntry.act == "move-in")).all()
        assert [journal.program_of(one) for one in entries] == [__version__, __version__]


def test_the_texts_that_are_compared_are_the_journals(filled: Path) -> None:
    engine = create_engine(f"sqlite:///{filled / 'records.sqlite'}")
    with engine.connect() as connection:
        for table in carry_rows.tables():
            keys = table.primary_key.columns
            rows = list(connection.execute(sa.select(table).order_by(*keys)).mappings())
            bare = connection.execute(bulk.select_bare(table).order_by(*keys)).all()
            assert not rows or carry_rows.texts(table, bare) == [journal.row_text(row) for row in rows]
    engine.dispose()


def test_the_old_place_is_closed_and_says_where_it_went(source: Path, tmp_path: Path, lotproof: Lotproof) -> None:
    new = tmp_path / "new"
    with Workspace.open(source) as before, Workspace.open(source) as other_bench:
        move(before, new)
        with pytest.raises(BadRequest, match="has moved to") as refused:
            a_lot(other_bench)
        assert str(new) in str(refused.value)
        assert verify(other_bench).sound  # it is left whole, and can be read
    shown = lotproof("workspace", "show", "--workspace", source, "--json").json
    assert shown["moved_to"]["folder"] == str(new)
    assert lotproof("list", "lots", "--workspace", source).code == 0
    ran = lotproof("decide", "L0001-01", "accept", "--reason", "x", "--workspace", source)
    assert (ran.code, str(new) in ran.err) == (2, True)
    assert lotproof("workspace", "reopen", "--workspace", source).code == 0
    with Workspace.open(source) as again:
        assert a_lot(again).lot == "L0006"
        assert verify(again).sound
    assert lotproof("workspace", "reopen", "--workspace", source).code == 2


@pytest.mark.sweep
def test_the_same_command_again_changes_nothing(source: Path, tmp_path: Path) -> None:
    with Workspace.open(source) as workspace:
        first = move(workspace, tmp_path / "new")
        rows = rows_of(tmp_path / "new")
        assert move(workspace, tmp_path / "new") == first
        with pytest.raises(BadRequest, match="on its way to"):
            move(workspace, tmp_path / "elsewhere")
    assert rows_of(tmp_path / "new") == rows


@pytest.mark.sweep
def test_what_this_bench_signed_is_remembered_at_the_new_place(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        a_lot(workspace)
        old = workspace.url
        (mine,) = keys.remembered(old)
        # Another bench on the same folder, which moves it.
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("LOTPROOF_KEYS", str(tmp_path / "other"))
            move(workspace, tmp_path / "new")
    with Workspace.open(tmp_path / "new") as moved:
        assert verify(moved).sound
        assert keys.remembered(moved.url) == ()
        assert keys.concerning(keys.remembered(), moved.url, {old: mine.head.entry}) == (mine,)
        engine = create_engine(f"sqlite:///{tmp_path / 'new' / 'records.sqlite'}")
        with engine.begin() as connection:
            connection.execute(text("UPDATE journal_entry SET hash = 'x' || substr(hash, 2) WHERE id = 1"))
        engine.dispose()
        assert "signed-entry-missing" in {fault.code for fault in verify(moved).faults}


def test_other_things_at_the_new_place_are_left_alone(
    source: Path, tmp_path: Path, postgres_database: str, bucket: str
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("mine")
    with Workspace.open(tmp_path / "other", create=True) as other:
        a_lot(other)
    store = EvidenceStore(bucket)
    store.keep(b"a file of somebody else")
    engine = create_engine(make_url(postgres_database).set(drivername="postgresql+psycopg"))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE theirs (id int)"))
    engine.dispose()
    with Workspace.open(source) as workspace:
        for words, said in (
            ({"folder": tmp_path / "full"}, "holds other files"),
            ({"folder": tmp_path / "other"}, "is a workspace already|a workspace in"),
            ({"folder": source}, "this very workspace"),
            ({"folder": tmp_path / "new", "records": postgres_database}, "holds other tables"),
            ({"folder": tmp_path / "new", "evidence": bucket}, "files of something else"),
            ({"folder": tmp_path / "new", "evidence": "bucket/workshop"}, "Write it like s3"),
            ({"folder": tmp_path / "new", "evidence": f"{(source / 'evidence').as_uri()}/"}, "lies there already"),
            ({"folder": tmp_path / "new", "endpoint": "http://127.0.0.1:9"}, "Name the bucket, too"),
            ({"folder": tmp_path / "new", "records": "mysql://x/y"}, "not known here"),
        ):
            with pytest.raises(BadRequest, match=said):
                move(workspace, **words)  # type: ignore[arg-type]
        a_lot(workspace)  # it was not closed by any of them


@pytest.mark.sweep
def test_damage_is_found_before_anything_closes(source: Path, tmp_path: Path) -> None:
    victim = next((source / "evidence").glob("*/*"))
    victim.chmod(0o600)
    victim.write_bytes(bytes(byte ^ 0xFF for byte in victim.read_bytes()))
    with Workspace.open(source) as workspace:
        with pytest.raises(Damaged, match="has changed"):
            move(workspace, tmp_path / "new")
        a_lot(workspace)
        victim.unlink()
        with pytest.raises(Damaged, match="is missing"):
            move(workspace, tmp_path / "new")


@pytest.mark.sweep
def test_a_copy_that_differs_is_not_put_to_use(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def other_pages(*words: object) -> Iterator[list[object]]:
        for page in whole(*words):  # type: ignore[arg-type]
            yield [["CV6522AQ" if value == "CV6522AP" else value for value in row] for row in page]

    whole, copy = carry_rows._pages, carry_rows.copy_rows

    def altered(*words: object) -> None:
        monkeypatch.setattr(carry_rows, "_pages", other_pages)
        copy(*words)  # type: ignore[arg-type]
        monkeypatch.setattr(carry_rows, "_pages", whole)

    monkeypatch.setattr(carry, "copy_rows", altered)
    with Workspace.open(source) as workspace:
        with pytest.raises(Damaged, match=r"The table lot .* is not what it should be"):
            move(workspace, tmp_path / "new")
        with pytest.raises(BadRequest, match="not finished"):
            Workspace.open(tmp_path / "new")
        with pytest.raises(BadRequest, match="not finished"):
            Workspace.open(tmp_path / "new", create=True)


def test_photos_that_wait_are_not_left_behind(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    waits = task_leftovers.LeftOver(source / "work" / "incoming" / "x", "A photo waits.", "", 1, None, wanted=True)  # type: ignore[arg-type]
    monkeypatch.setattr(task_leftovers, "look", lambda _folder: (waits,))
    with Workspace.open(source) as workspace, pytest.raises(BadRequest, match="work list"):
        move(workspace, tmp_path / "new")


def test_no_photo_is_taken_in_at_a_place_that_was_left(source: Path, tmp_path: Path) -> None:
    """It would wait in a folder in which nothing can be recorded."""
    with Workspace.open(source) as workspace, closing(TaskRows(source)) as rows:
        move(workspace, tmp_path / "new")
        with pytest.raises(BadRequest, match="has moved"):
            ask_photograph(workspace, rows, "L0001", ())


@pytest.mark.parametrize("where", ["before the server", "in the query"])
def test_no_password_is_written_down(
    source: Path, tmp_path: Path, postgres_database: str, lotproof: Lotproof, where: str
) -> None:
    url = make_url(postgres_database)
    words = {"password": "hidden-word"}
    url = url.set(password="hidden-word") if where == "before the server" else url.update_query_dict(words)
    address = url.render_as_string(hide_password=False)
    (source / "spool").mkdir()
    (source / "spool" / "read-1.csv").write_text("time_s,current_a\n0,1\n")
    ran = lotproof("workspace", "move", "--to", tmp_path / "new", "--records", address, "--workspace", source)
    assert ran.code == 0, ran.err
    assert "1 table of readings" in ran.out
    assert "PGPASSWORD" in ran.out
    assert "hidden-word" not in ran.out + ran.err + (tmp_path / "new" / "workspace.toml").read_text()
    assert not any("hidden-word" in row for found in rows_of(tmp_path / "new").values() for row in found)


def test_the_journal_tells_of_a_move_in_a_few_words(source: Path, tmp_path: Path) -> None:
    with Workspace.open(source) as workspace:
        moved = move(workspace, tmp_path / "new")
        out = in_words(read_log(workspace).entries[-1])
    with Workspace.open(tmp_path / "new") as there:
        came = in_words(read_log(there).entries[-1])
    rows, files = sum(one.rows for one in moved.carried.tables.values()), moved.carried.files
    assert files > 1
    assert out.split("; ")[-1] == f"to: {tmp_path / 'new'}"
    assert came == f"copied: {rows} rows and {files} files, up to entry {moved.carried.head.entry}; from: {source}"


def test_opened_again_while_it_was_copied(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile(*words: object) -> Carried:
        carried = take(*words)  # type: ignore[arg-type]
        monkeypatch.setattr(carry.Target, "take", take)
        with Workspace.open(source) as other:
            reopen(other)
            a_lot(other)
        return carried

    take = carry.Target.take
    monkeypatch.setattr(carry.Target, "take", meanwhile)
    with Workspace.open(source) as workspace:
        with pytest.raises(BadRequest, match="opened again"):
            move(workspace, tmp_path / "new")
        move(workspace, tmp_path / "new")
    assert without_moves(rows_of(tmp_path / "new")) == rows_of(source)


def _moves(source: Path, **words: object) -> Callable[[], object]:
    def do() -> object:
        with Workspace.open(source) as workspace:
            return move(workspace, **words)  # type: ignore[arg-type]

    return do


def _killed_and_taken_up(filled: Path, folder: Path, step: int) -> bool:
    source = Path(shutil.copytree(filled, folder / f"source-{step}"))
    do = _moves(source, folder=folder / f"new-{step}")
    lived = killed_at(step, do)
    do()
    assert without_moves(rows_of(folder / f"new-{step}")) == rows_of(source)
    assert files_of(folder / f"new-{step}") == files_of(source)
    with Workspace.open(folder / f"new-{step}") as workspace:
        assert verify(workspace).sound
        a_lot(workspace)
    shutil.rmtree(source)
    shutil.rmtree(folder / f"new-{step}")
    return lived


@pytest.mark.parametrize("step", [12])
def test_killed_and_taken_up_again(filled: Path, tmp_path: Path, step: int) -> None:
    assert not _killed_and_taken_up(filled, tmp_path, step)


@pytest.mark.sweep
def test_killed_at_every_third_moment(filled: Path, tmp_path: Path) -> None:
    """Until it lives to the end; the others are before and after the same kinds of moment."""
    steps = itertools.takewhile(
        lambda step: not _killed_and_taken_up(filled, tmp_path, step), itertools.count(1, EVERY)
    )
    assert sum(1 for _ in steps) * EVERY > 20


@pytest.mark.sweep
@pytest.mark.parametrize("step", [3, 11, 20, 28])
def test_killed_on_the_way_to_a_bucket(
    source: Path, tmp_path: Path, postgres_server: str, bucket: str, bucket_server: str, step: int
) -> None:
    name = f"moved_{os.getpid()}_{step}"
    do = _moves(source, folder=tmp_path / "new", records=_new_database(postgres_server, name), evidence=bucket)
    try:
        assert not killed_at(step, do)
        do()
        assert without_moves(rows_of(tmp_path / "new")) == rows_of(source)
        assert files_of(tmp_path / "new", bucket_server) == files_of(source)
        with Workspace.open(tmp_path / "new") as workspace:
            assert verify(workspace).sound
    finally:
        _order(postgres_server, f"DROP DATABASE {name} WITH (FORCE)")
