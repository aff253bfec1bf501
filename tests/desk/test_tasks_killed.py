"""A server killed at any moment: every photo that was acknowledged is recorded once, and nothing is doubled."""

import shutil
import signal
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path

import pytest
from sqlalchemy import func, select
from staged import Stage, chip, picture
from stock import a_lot

from tracker.desk import photograph as photographing
from tracker.desk.task_rows import TaskRows
from tracker.desk.task_worker import Worker
from tracker.desk.tasks import recorded
from tracker.desk.tidy import tidy
from tracker.desk.uploads import INCOMING
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.records.models import Inspection, JournalEntry, Photo
from vision.crew import Crew

PREPARE = f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1])!r})\n"
# Sends two photos of one chip each and works them off, and dies by SIGKILL at the moment named on the command line, the
# first time or the second that it comes. Every photo it was asked to look at is named on standard output first.
SERVER = (
    PREPARE
    + """
import contextlib, io, os, pathlib, signal
from staged import Stage, chip
from tracker.desk import photograph as photographing, task_kinds, task_rows, task_worker, uploads
from tracker.desk.task_rows import TaskRows
from tracker.desk.task_worker import Worker
from tracker.desk.tasks import ask_photograph
from tracker.desk.uploads import Upload
from tracker.desk.workspace import Workspace
from tracker.records import session
from vision.crew import Crew

place, photos, moment, time, named = sys.argv[1:]
left = int(time)

def dies(before=None, after=None):
    def wrapped(inner):
        def call(*given, **how):
            global left
            if before:
                left -= 1
                if not left:
                    os.kill(os.getpid(), signal.SIGKILL)
            answer = inner(*given, **how)
            if after:
                left -= 1
                if not left:
                    os.kill(os.getpid(), signal.SIGKILL)
            return answer
        return call
    return wrapped

stage = Stage({}, [])
files = sorted(pathlib.Path(photos).iterdir())
for path in files:
    stage.put(path, chip("CV6522AP", "8914"))
def look(given, **how):
    print("look", given[0].path, flush=True)
    return stage.look(given, **how)
photographing.look = look

@contextlib.contextmanager
def one_hand():
    yield Crew()

targets = {
    "while a photo comes in": (uploads.os, "fsync", dies(before=True)),
    "before the task is on the list": (TaskRows, "add", dies(before=True)),
    "once the task is on the list": (TaskRows, "add", dies(after=True)),
    "once the task is begun": (TaskRows, "begin", dies(after=True)),
    "while it looks": (photographing, "look", dies(before=True)),
    "within the act": (photographing, "record", dies(before=True)),
    "within the act, once it is prepared": (TaskRows, "prepare_photo", dies(after=True)),
    "after the commit": (task_worker, "photograph_one", dies(after=True)),
    "once the photo is done": (TaskRows, "end_photo", dies(after=True)),
    "once its copy is gone": (task_worker, "drop_photo", dies(after=True)),
    "never": (TaskRows, "close", lambda inner: inner),
}
holder, name, change = targets[moment]
with Workspace.open(place) as workspace:
    rows = TaskRows(workspace.folder)
    setattr(holder, name, change(getattr(holder, name)))
    if files and not rows.every():
        sent = [Upload(path.name, io.BytesIO(path.read_bytes())) for path in files]
        piece = ["L0001-03"] if named == "named" else []
        task = ask_photograph(workspace, rows, "L0001", sent, piece=piece, operator="mira")
        print("acknowledged", task.label, flush=True)
    Worker(workspace, rows, hands=one_hand).work_off()
"""
)
BEFORE = ("while a photo comes in", "before the task is on the list")
ACKNOWLEDGED = [
    ("once the task is begun", 1, "by order"),
    ("while it looks", 2, "by order"),
    ("within the act", 1, "named"),
    ("within the act, once it is prepared", 1, "by order"),
    ("within the act, once it is prepared", 2, "named"),
    ("after the commit", 1, "by order"),
    ("after the commit", 1, "named"),
    ("after the commit", 2, "named"),
    ("once the photo is done", 1, "named"),
    ("once its copy is gone", 1, "by order"),
]


@pytest.fixture
def shop(sqlite_template: Path, tmp_path: Path) -> Path:
    """Give the folder of a workspace that has one lot of three pieces, beside two photos to send."""
    shutil.copytree(sqlite_template, tmp_path / "shop")
    with Workspace.open(tmp_path / "shop") as workspace:
        a_lot(workspace)
    (tmp_path / "photos").mkdir()
    for name, shade in (("a.png", 60), ("b.png", 70)):
        picture(tmp_path / "photos", name, shade=shade)
    return tmp_path / "shop"


def _served(shop: Path, moment: str, time: int = 1, named: str = "by order") -> tuple[int, str]:
    words = [str(shop), str(shop.parent / "photos"), moment, str(time), named]
    ran = subprocess.run(
        [sys.executable, "-c", SERVER, *words], capture_output=True, text=True, timeout=120, check=False
    )
    assert ran.returncode in (0, -signal.SIGKILL), ran.stderr
    return ran.returncode, ran.stdout


def _work_off(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Do what a server does that is started next."""
    stage = Stage({}, [])
    for path in (shop.parent / "photos").iterdir():
        stage.put(path, chip("CV6522AP", "8914"))
    monkeypatch.setattr(photographing, "look", stage.look)
    with Workspace.open(shop) as workspace:
        rows = TaskRows(shop)
        assert Worker(workspace, rows, hands=lambda: nullcontext(Crew())).work_off()
        rows.close()


@pytest.mark.parametrize(("moment", "time", "named"), ACKNOWLEDGED)
def test_what_was_acknowledged_is_recorded_once(
    shop: Path, monkeypatch: pytest.MonkeyPatch, moment: str, time: int, named: str
) -> None:
    code, said = _served(shop, moment, time, named)
    assert (code, "acknowledged W0001" in said) == (-signal.SIGKILL, True)
    _work_off(shop, monkeypatch)
    with Workspace.open(shop) as workspace:
        rows = TaskRows(shop)
        (task,) = rows.every()
        rows.close()
        assert (task.state, [one.state for one in task.photos]) == ("done", ["done", "done"])
        documents = [document for one in task.photos if (document := recorded(one)) is not None]
        labels = [[one.piece for one in document.pieces] for document in documents]
        assert labels == ([["L0001-03"]] * 2 if named == "named" else [["L0001-01"], ["L0001-02"]])
        with workspace.read() as session:
            counts = [session.scalar(select(func.count()).select_from(model)) for model in (Photo, Inspection)]
            acts = session.scalars(select(JournalEntry.act).order_by(JournalEntry.id)).all()
        assert (counts, acts) == ([2, 2], ["receive", "photograph", "photograph"])
        tidy(workspace)  # an act that was killed leaves a file that belongs to no entry
        report = verify(workspace)
        assert (report.sound, report.notices) == (True, ())
        assert list((shop / "work" / INCOMING).iterdir()) == []


@pytest.mark.parametrize("moment", BEFORE)
def test_what_was_not_acknowledged_is_named_and_is_no_task(shop: Path, moment: str) -> None:
    code, said = _served(shop, moment)
    assert (code, said) == (-signal.SIGKILL, "")
    with Workspace.open(shop) as workspace:
        (notice,) = verify(workspace).notices
        assert "a sending that broke off and was never acknowledged" in notice.message
    code, said = _served(shop, "never")  # it is sent again
    assert (code, said.splitlines()[0]) == (0, "acknowledged W0001")
    with Workspace.open(shop) as workspace, workspace.read() as session:
        assert session.scalar(select(func.count()).select_from(Photo)) == 2


def test_on_the_list_and_not_acknowledged_is_done_all_the_same(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sender heard nothing and may send again: that is recognised."""
    code, said = _served(shop, "once the task is on the list")
    assert (code, said) == (-signal.SIGKILL, "")
    _work_off(shop, monkeypatch)
    with Workspace.open(shop) as workspace, workspace.read() as session:
        assert session.scalar(select(func.count()).select_from(Photo)) == 2


def test_two_servers_do_each_photo_once(shop: Path) -> None:
    """Both begin at the same moment; one has the place, and takes what is there."""
    words = [str(shop), str(shop.parent / "photos"), "never", "1", "by order"]
    first = _served(shop, "once the task is on the list")
    assert first[0] == -signal.SIGKILL
    both = [
        subprocess.Popen([sys.executable, "-c", SERVER, *words], stdout=subprocess.PIPE, text=True) for _ in range(2)
    ]
    said = "".join(one.communicate(timeout=120)[0] for one in both)
    assert [one.returncode for one in both] == [0, 0]
    assert sorted(said.splitlines()) == ["look a.png", "look b.png"]
