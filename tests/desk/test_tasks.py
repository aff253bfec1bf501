"""The work list: states, order, breaking off, trying again, and what became of what. All photos are staged."""

import io
import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Lotproof
from PIL import Image
from sqlalchemy import func, select
from staged import Stage, chip, picture
from stock import a_lot

from tracker.desk import photograph as photographing
from tracker.desk import task_worker, uploads
from tracker.desk.breaking_off import BrokenOff
from tracker.desk.inspect import Hands
from tracker.desk.photograph import photograph
from tracker.desk.task import Task
from tracker.desk.task_rows import TaskRows
from tracker.desk.task_worker import MOST_ATTEMPTS, Worker, alone
from tracker.desk.tasks import NothingTaken, ask_dossier, ask_export, ask_photograph, cancel, made_file, recorded, retry
from tracker.desk.uploads import INCOMING, Upload
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged
from tracker.records.models import Inspection, JournalEntry, Photo
from vision.crew import Crew


@contextmanager
def one_hand() -> Iterator[Hands]:
    """Give a crew of this process alone."""
    yield Crew()


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> Stage:
    one = Stage({}, [])
    monkeypatch.setattr(photographing, "look", one.look)
    return one


@pytest.fixture
def shop(sqlite_template: Path, tmp_path: Path) -> Iterator[Workspace]:
    """Give a workspace with one lot of three pieces; the list is no part of the records, so one database will do."""
    shutil.copytree(sqlite_template, tmp_path / "shop")
    with Workspace.open(tmp_path / "shop") as workspace:
        a_lot(workspace)
        yield workspace


@pytest.fixture
def rows(shop: Workspace) -> Iterator[TaskRows]:
    opened = TaskRows(shop.folder)
    yield opened
    opened.close()


@pytest.fixture
def worker(shop: Workspace, rows: TaskRows) -> Worker:
    return Worker(shop, rows, hands=one_hand)


def photo(stage: Stage, folder: Path, name: str, shade: int, *texts: str) -> Upload:
    """Stage a photo of one chip and give it as it comes in."""
    path = stage.put(picture(folder, f"{shade}.png", shade=shade), chip(*texts or ("CV6522AP", "8914")))
    return Upload(name, io.BytesIO(path.read_bytes()))


def count(workspace: Workspace, model: type) -> int:
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def pieces(task: Task) -> list[list[str]]:
    """Return the labels recorded of each photo of a task."""
    return [[one.piece for one in document.pieces] for p in task.photos if (document := recorded(p)) is not None]


def test_photos_wait_are_looked_at_and_become_evidence(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path
) -> None:
    sent = [photo(stage, tmp_path, "a.png", 60), photo(stage, tmp_path, "b.png", 70)]
    task = ask_photograph(shop, rows, "l1", sent, operator="mira")
    assert (task.label, task.state, task.total) == ("W0001", "waiting", 2)
    waiting = rows.folder / INCOMING / task.token
    assert sorted(one.name for one in waiting.iterdir()) == ["001", "002"]
    assert count(shop, Photo) == 0
    assert worker.work_off()
    task = rows.get(1)
    assert (task.state, task.done, task.total, task.operator) == ("done", 2, 2, "mira")
    assert task.began_at is not None
    assert task.ended_at is not None
    assert pieces(task) == [["L0001-01"], ["L0001-02"]]
    assert not waiting.exists()
    with shop.read() as session:
        entries = session.scalars(select(JournalEntry).where(JournalEntry.act == "photograph")).all()
        assert [(one.operator, f"W0001 photo {n}" in one.body) for n, one in enumerate(entries, 1)] == [
            ("mira", True),
            ("mira", True),
        ]
    assert (verify(shop).sound, verify(shop).notices) == (True, ())


def test_what_cannot_be_used_is_refused_and_the_others_are_taken(
    shop: Workspace, rows: TaskRows, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = photo(stage, tmp_path, "good.png", 60)
    whole = good.stream.read()
    good.stream.seek(0)
    monkeypatch.setattr(uploads, "MOST_BYTES", len(whole) + 10)
    sent = [
        Upload("notes.jpg", io.BytesIO(b"no picture")),
        good,
        Upload("empty.png", io.BytesIO()),
        Upload("cut.png", io.BytesIO(whole[: len(whole) // 2])),
        Upload("again.png", io.BytesIO(whole)),
        Upload("heavy.png", io.BytesIO(whole + bytes(20))),
    ]
    task = ask_photograph(shop, rows, "L0001", sent)
    assert [one.name for one in task.photos] == ["good.png"]
    said = {one.name: one.what for one in task.refused}
    assert said["notes.jpg"] == "'notes.jpg' is not a picture."
    assert said["empty.png"] == "'empty.png' is empty."
    assert "'cut.png' is damaged or cut short" in said["cut.png"]
    assert said["again.png"] == "'again.png' is the same picture as 'good.png'."
    assert "'heavy.png' is larger than" in said["heavy.png"]
    (path,) = (rows.folder / INCOMING / task.token).iterdir()
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../../etc/passwd", "passwd"),
        ("C:\\fakepath\\chips.jpg", "chips.jpg"),
        ("..", "photo"),
        ("", "photo"),
        ("a\x00b\x1b[31m\n.png", "a?b?[31m?.png"),
        ("<script>alert(1)</script>.png", "script>.png"),
        ("x" * 500 + ".png", ("x" * 500 + ".png")[-300:]),
    ],
)
def test_the_name_it_came_with_is_never_the_name_of_a_file(
    shop: Workspace, rows: TaskRows, stage: Stage, tmp_path: Path, name: str, shown: str
) -> None:
    sent = Upload(name, photo(stage, tmp_path, "x", 60).stream)
    task = ask_photograph(shop, rows, "L0001", [sent])
    assert [one.name for one in task.photos] == [shown]
    inside = {str(one.relative_to(rows.folder)) for one in rows.folder.rglob("*") if one.is_file()}
    assert inside == {"list.sqlite", f"incoming/{task.token}/001"}


def test_nothing_is_left_where_nothing_can_be_taken(shop: Workspace, rows: TaskRows) -> None:
    sent = [Upload("a.jpg", io.BytesIO(b"x")), Upload("b.jpg", io.BytesIO(b"y"))]
    with pytest.raises(NothingTaken, match="None of the 2 files") as refused:
        ask_photograph(shop, rows, "L0001", sent)
    assert [one.name for one in refused.value.refused] == ["a.jpg", "b.jpg"]
    with pytest.raises(BadRequest, match=r"No photo was sent\."):
        ask_photograph(shop, rows, "L0001", [])
    with pytest.raises(BadRequest, match="no lot L0009"):
        ask_photograph(shop, rows, "L0009", sent)
    with pytest.raises(BadRequest, match="role"):
        ask_photograph(shop, rows, "L0001", sent, role="portrait")
    with pytest.raises(BadRequest, match="no piece L0001-09"):
        ask_photograph(shop, rows, "L0001", sent, piece=["L0001-09"])
    assert rows.newest(10) == ()
    assert list((rows.folder / INCOMING).iterdir()) == []


def test_a_full_disk_takes_nothing_and_says_so(
    shop: Workspace, rows: TaskRows, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(uploads.os, "fsync", full)
    with pytest.raises(BadRequest, match=r"cannot be kept \(No space left on device\)"):
        ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    assert list((rows.folder / INCOMING).iterdir()) == []


def test_warnings_of_a_quick_look_are_there_at_once(shop: Workspace, rows: TaskRows) -> None:
    out = io.BytesIO()
    Image.new("RGB", (400, 300), (255, 255, 255)).save(out, "PNG")  # nothing but burnt-out paper
    out.seek(0)
    (one,) = ask_photograph(shop, rows, "L0001", [Upload("white.png", out)]).photos
    assert any("move the lamp to the side" in said for said in one.warnings)


def test_the_same_photo_twice_is_recorded_once(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path
) -> None:
    """By reading order alone the second sending would show the next piece that has no photo."""
    ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    with pytest.raises(BadRequest, match="being looked at already"):
        ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    both = [photo(stage, tmp_path, "a.png", 60), photo(stage, tmp_path, "b.png", 70)]
    later = ask_photograph(shop, rows, "L0001", both)
    assert [one.name for one in later.photos] == ["b.png"]
    assert [one.what for one in later.refused] == ["'a.png' is being looked at already."]
    worker.work_off()
    again = ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a again.png", 60)])
    worker.work_off()
    done = rows.get(again.number)
    document = recorded(done.photos[0])
    assert document is not None
    assert (pieces(done), document.photos[0].already) == ([["L0001-01"]], True)
    assert document.notes == ("a.png was kept in this role before; this is what was recorded then.",)
    assert (count(shop, Photo), count(shop, Inspection)) == (2, 2)


def test_a_named_piece_corrects_what_the_order_said(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path
) -> None:
    ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    worker.work_off()
    named = ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)], piece=["L0001-03", ""])
    worker.work_off()
    assert pieces(rows.get(named.number)) == [["L0001-03"]]


def test_a_waiting_task_leaves_and_comes_back_behind_the_others(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path
) -> None:
    for name, shade in (("a.png", 60), ("b.png", 70)):
        ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, name, shade)])
    assert cancel(rows, "w1").state == "cancelled"
    with pytest.raises(BadRequest, match="W0001 is over already: cancelled"):
        cancel(rows, "W0001")
    assert retry(rows, "W1").state == "waiting"
    assert [one.label for one in rows.waiting()] == ["W0002", "W0001"]
    worker.work_off()
    assert [pieces(rows.get(number)) for number in (2, 1)] == [[["L0001-01"]], [["L0001-02"]]]
    with pytest.raises(BadRequest, match="W0001 is done, so there is nothing to do again"):
        retry(rows, "W0001")
    for label in ("W0009", "W", "L0001", "W0001; DROP TABLE task"):
        with pytest.raises(BadRequest):
            cancel(rows, label)


def test_a_running_task_is_broken_off_while_it_looks(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first photo is recorded; the second is cancelled in the midst of looking, and tried again later."""
    sent = [photo(stage, tmp_path, name, shade) for name, shade in (("a.png", 60), ("b.png", 70), ("c.png", 80))]
    task = ask_photograph(shop, rows, "L0001", sent)

    def look(photos, **how):  # type: ignore[no-untyped-def]
        if photos[0].path == "b.png":
            assert cancel(rows, task.label).state == "running"
        how["hands"].each(len, [[]])
        return stage.look(photos, **how)

    monkeypatch.setattr(photographing, "look", look)
    worker.work_off()
    ended = rows.get(1)
    assert (ended.state, [one.state for one in ended.photos]) == ("cancelled", ["done", "cancelled", "cancelled"])
    assert (count(shop, Photo), ended.done) == (1, 1)
    monkeypatch.setattr(photographing, "look", stage.look)
    retry(rows, "W0001")
    worker.work_off()
    assert pieces(rows.get(1)) == [["L0001-01"], ["L0001-02"], ["L0001-03"]]
    assert count(shop, Photo) == 3


def test_a_task_is_not_broken_off_while_it_writes(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60), photo(stage, tmp_path, "b.png", 70)])
    record = photographing.record

    def writing(*given):  # type: ignore[no-untyped-def]
        cancel(rows, "W0001")
        return record(*given)

    monkeypatch.setattr(photographing, "record", writing)
    worker.work_off()
    task = rows.get(1)
    assert (task.state, [one.state for one in task.photos]) == ("cancelled", ["done", "cancelled"])
    assert (count(shop, Photo), verify(shop).sound) == (1, True)


def test_a_photo_that_fails_says_why_and_the_others_are_recorded(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60), photo(stage, tmp_path, "b.png", 70)])

    def look(photos, **how):  # type: ignore[no-untyped-def]
        if photos[0].path == "a.png":
            raise ZeroDivisionError
        return stage.look(photos, **how)

    monkeypatch.setattr(photographing, "look", look)
    worker.work_off()
    task = rows.get(1)
    assert (task.state, task.what) == ("failed", "1 of 2 photos could not be recorded; the others were.")
    assert [(one.state, one.what) for one in task.photos] == [
        ("failed", "Lotproof itself went wrong (ZeroDivisionError)."),
        ("done", ""),
    ]
    assert [notice.message for notice in verify(shop).notices] == [
        f"work/incoming/{task.token} holds 1 photo of L0001 that W0001 did not record (failed). "
        "Try that again on the work list; `lotproof tidy --work` removes it after 2 days."
    ]
    monkeypatch.setattr(photographing, "look", stage.look)
    retry(rows, "W0001")
    worker.work_off()
    assert (rows.get(1).state, pieces(rows.get(1))) == ("done", [["L0001-02"], ["L0001-01"]])


def test_somebody_at_the_command_line_meanwhile_makes_it_look_again(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = stage.put(picture(tmp_path, "theirs.png", shade=120), chip("CV6522AP", "8914"))
    ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    looks = []

    def look(photos, **how):  # type: ignore[no-untyped-def]
        looks.append(photos[0].path)
        if len(looks) == 1:
            photograph(shop, "L0001", [other])
        return stage.look(photos, **how)

    monkeypatch.setattr(photographing, "look", look)
    worker.work_off()
    assert (rows.get(1).state, pieces(rows.get(1))) == ("done", [["L0001-02"]])


def test_a_bag_and_a_dossier_are_made_and_can_be_fetched(shop: Workspace, rows: TaskRows, worker: Worker) -> None:
    bag = ask_export(shop, rows, "l1", organization="Halden Repairs", operator="mira")
    page = ask_dossier(shop, rows, "l1-2", form="html", without=["prices"], operator="mira")
    worker.work_off()
    ended = [rows.get(one.number) for one in (bag, page)]
    assert [(one.state, one.what) for one in ended] == [("done", ""), ("done", "")]
    assert made_file(shop, ended[0]).read_bytes()[:2] == b"PK"
    assert "L0001-02" in made_file(shop, ended[1]).read_text()
    with pytest.raises(BadRequest, match="no piece L0001-09"):
        ask_dossier(shop, rows, "L0001-09")
    with pytest.raises(BadRequest, match="part to leave out"):
        ask_dossier(shop, rows, "L0001", without=["everything"])
    assert verify(shop).sound


def test_two_workers_do_not_take_the_same_work(shop: Workspace, rows: TaskRows, worker: Worker) -> None:
    with alone(rows.folder) as mine:
        assert mine
        assert worker.work_off() is False
        with alone(rows.folder) as second:
            assert not second
    assert worker.work_off() is True


def test_a_worker_in_a_thread_ends_in_the_midst_of_looking_and_loses_nothing(
    shop: Workspace, rows: TaskRows, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    task = ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    looking, go_on = threading.Event(), threading.Event()

    def look(photos, **how):  # type: ignore[no-untyped-def]
        looking.set()
        go_on.wait(30)
        how["progress"](0, 1)
        raise AssertionError("it was not broken off")

    monkeypatch.setattr(photographing, "look", look)
    with Worker(shop, rows, hands=one_hand) as working:
        working.wake()
        assert looking.wait(30)
        assert rows.get(task.number).state == "running"
        threading.Timer(0.2, go_on.set).start()
    left = rows.get(task.number)
    assert (left.state, left.photos[0].state, left.photos[0].attempts) == ("waiting", "waiting", 0)
    monkeypatch.setattr(photographing, "look", stage.look)
    with Worker(shop, rows, hands=one_hand):
        for _ in range(600):
            if rows.get(task.number).state == "done":
                break
            threading.Event().wait(0.05)
    assert rows.get(task.number).state == "done"


def test_a_photo_that_ends_the_program_is_not_tried_for_ever(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path
) -> None:
    task = ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)])
    for _ in range(MOST_ATTEMPTS):  # as a kill leaves it each time
        rows.begin(task.number)
        rows.begin_photo(task.number, 1)
        rows.put_back(task.number, killed=True)
    worker.work_off()
    assert rows.get(task.number).what == "The program ended 3 times while it was at work on 'a.png'."
    retry(rows, task.label)
    worker.work_off()
    assert rows.get(task.number).state == "done"


def test_what_the_journal_has_is_not_recorded_again(
    workspace: Workspace, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken off between the commit and our hearing of it; with a piece named, looking again would be recorded anew."""
    a_lot(workspace)
    rows = TaskRows(workspace.folder)
    worker = Worker(workspace, rows, hands=one_hand)
    ask_photograph(workspace, rows, "L0001", [photo(stage, tmp_path, "a.png", 60)], piece=["L0001-02"])
    once = task_worker.photograph_one

    def unheard(*given: Any) -> None:
        once(*given)
        rows.cancel(1)
        raise BrokenOff

    monkeypatch.setattr(task_worker, "photograph_one", unheard)
    worker.work_off()
    assert (rows.get(1).state, count(workspace, Inspection)) == ("cancelled", 1)
    monkeypatch.setattr(task_worker, "photograph_one", once)
    retry(rows, "W0001")
    worker.work_off()
    assert (pieces(rows.get(1)), count(workspace, Inspection), len(stage.asked)) == ([["L0001-02"]], 1, 1)
    assert verify(workspace).sound
    rows.close()


def test_changes_are_told_in_order(rows: TaskRows, shop: Workspace, worker: Worker) -> None:
    before = rows.mark()
    ask_dossier(shop, rows, "L0001", form="html")
    asked = rows.mark()
    assert [one.label for one in rows.changed_since(before)] == ["W0001"]
    assert rows.changed_since(asked) == ()
    worker.work_off()
    assert [(one.label, one.state) for one in rows.changed_since(asked)] == [("W0001", "done")]


def test_a_damaged_list_says_so_and_hurts_nothing_else(shop: Workspace) -> None:
    (shop.folder / "work").mkdir()
    (shop.folder / "work" / "list.sqlite").write_bytes(b"this is no database" * 400)
    with pytest.raises(Damaged, match=r"work list in .* is damaged"):
        TaskRows(shop.folder)
    report = verify(shop)
    assert (report.sound, [notice.code for notice in report.notices]) == (True, ["work-list-damaged"])


def test_tidy_removes_what_nobody_can_need_and_only_when_asked(
    shop: Workspace, rows: TaskRows, worker: Worker, stage: Stage, tmp_path: Path, lotproof: Lotproof
) -> None:
    """A sending that was never acknowledged, a cancelled one, a bag that was made; and a photo that waits."""
    ask_export(shop, rows, "L0001")
    worker.work_off()
    for name, shade in (("a.png", 60), ("b.png", 70)):
        ask_photograph(shop, rows, "L0001", [photo(stage, tmp_path, name, shade)])
    cancel(rows, "W0002")
    torn = rows.folder / INCOMING / "0123456789abcdef"
    torn.mkdir()
    (torn / "001").write_bytes(b"half a pho")
    where = ("--workspace", shop.folder)
    told = lotproof("verify", *where, "--json").json
    assert (told["sound"], [notice["code"] for notice in told["notices"]]) == (True, ["work-left"] * 4)
    said = " ".join(notice["message"] for notice in told["notices"])
    for words in (
        "a sending that broke off",
        "W0002 did not record (cancelled)",
        "W0003 to be looked at",
        "W0001 made",
    ):
        assert words in said
    assert lotproof("tidy", *where, "--json").json["removed"] == []
    assert lotproof("tidy", "--work", *where, "--json").json["removed"] == []
    then = time.time() - timedelta(days=2.1).total_seconds()
    for path in rows.folder.rglob("*"):
        os.utime(path, (then, then))
    tidied = lotproof("tidy", "--work", *where, "--json").json
    tokens = {one.label: one.token for one in rows.every()}
    assert sorted(tidied["removed"]) == sorted(
        ["work/incoming/0123456789abcdef", f"work/incoming/{tokens['W0002']}", f"work/made/{tokens['W0001']}"]
    )
    assert [one["code"] for one in tidied["left"]] == ["work-wanted"]
    assert lotproof("log", *where, "--limit", 1, "--json").json["entries"][0]["subject"] == "work"
    with pytest.raises(BadRequest, match="no file of W0001"):
        made_file(shop, rows.get(1))
    retry(rows, "W0002")
    worker.work_off()
    assert [rows.get(number).state for number in (2, 3)] == ["failed", "done"]
    assert rows.get(2).advice == "Send it again."
    assert verify(shop).sound
