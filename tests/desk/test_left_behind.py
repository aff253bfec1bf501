"""A workspace that has moved: long work is refused at its beginning, and every page says where the workspace is now."""

import shutil
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest
from conftest import Lotproof
from stock import a_lot
from web_pages import Pages

from tracker.desk.export_bag import export_bag
from tracker.desk.move import move, reopen
from tracker.desk.photograph import photograph
from tracker.desk.reinspect import dry_run, reinspect
from tracker.desk.reinspect_job import LotJob, LotSeen
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.session import frozen_sqlite_engine

PLACES = ("/", "/lots/L0001", "/receive", "/phone")
NOBODY = "TCPIP::127.0.0.1::9::SOCKET"


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the folder of a workspace that has moved to `new` beside it."""
    folder = tmp_path_factory.mktemp("left")
    shutil.copytree(sqlite_template, folder / "w")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        a_lot(workspace)
        move(workspace, folder / "new")
    return folder / "w"


@pytest.fixture
def closed(left: Path) -> Iterator[Workspace]:
    """Give it, open."""
    with Workspace.open(left) as workspace:
        yield workspace


class Nobody:
    """Hands that are not to be asked."""

    workers = 1

    def submit(self, job: LotJob) -> "Future[LotSeen]":
        raise AssertionError("work was handed over")

    def outcome(self, future: "Future[LotSeen]") -> LotSeen:
        raise AssertionError

    def renew(self) -> None:
        raise AssertionError


def sentence(workspace: Workspace) -> str:
    """Return what an act is refused with."""
    with pytest.raises(BadRequest) as refused:
        a_lot(workspace)
    assert str(workspace.folder.parent / "new") in refused.value.what
    return refused.value.what


def test_photos_are_refused_before_they_are_read(closed: Workspace, tmp_path: Path) -> None:
    with pytest.raises(BadRequest) as refused:
        photograph(closed, "L0001", [tmp_path / "not read.jpg"])
    assert refused.value.what == sentence(closed)


def test_no_bag_is_gathered(closed: Workspace, tmp_path: Path) -> None:
    with pytest.raises(BadRequest, match="has moved to"):
        export_bag(closed, "no such lot", tmp_path / "bag")


def test_nobody_looks_again(closed: Workspace, lotproof: Lotproof) -> None:
    with pytest.raises(BadRequest) as refused:
        reinspect(closed, Nobody())
    assert refused.value.what == sentence(closed)
    assert dry_run(closed).to_do == 0  # what only counts may be asked
    ran = lotproof("reinspect", "--scheduler", "tcp://127.0.0.1:9", "--workspace", closed.folder)
    assert (ran.code, sentence(closed) in " ".join(ran.err.split())) == (2, True)


@pytest.mark.parametrize(
    "words",
    [
        ("current", "L0001-01", "--read", NOBODY),
        ("current", "L0001-01", "--prompt"),
        ("clock", "L0001-01", "--prompt"),
        ("soak", "L0001-01", "--read", NOBODY),
        ("soak", "L0001-01", "--prompt"),
    ],
)
def test_no_reading_is_taken(left: Path, lotproof: Lotproof, words: tuple[str, ...]) -> None:
    ran = lotproof("bench", *words, "--workspace", left)
    assert ran.code == 2
    assert "has moved to" in ran.err
    assert str(left.parent / "new") in "".join(ran.err.split("\n"))
    assert not (left / "spool").exists()


def test_every_page_says_it_from_then_on(tmp_path: Path, sqlite_template: Path) -> None:
    folder, new = tmp_path / "w", tmp_path / "new"
    shutil.copytree(sqlite_template, folder)
    with Workspace.open(folder) as other_bench:
        a_lot(other_bench)
        pages = Pages(folder)
        assert not any("has moved" in pages.text(path) for path in PLACES)
        move(other_bench, new)
        said = sentence(other_bench)
        for path in PLACES:
            shown = pages.text(path)
            assert shown.count(said) == 1, path
            assert f"lotproof serve --workspace {new}" in shown
        form = {"test": "current", "resource": NOBODY}
        refused = pages.post("/bench/live/start/current/L0001-01", form)
        assert (refused.status_code, refused.text.count(said)) == (422, 1)
        reopen(other_bench)
        assert not any("has moved" in pages.text(path) for path in PLACES)
        pages.close()


def test_a_file_that_nobody_may_change_is_read_and_left(left: Path, tmp_path: Path) -> None:
    shutil.copyfile(left / "records.sqlite", tmp_path / "records.sqlite")
    (tmp_path / "records.sqlite").chmod(0o444)
    engine = frozen_sqlite_engine(tmp_path / "records.sqlite")
    with engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM journal_entry").scalar() > 1
    engine.dispose()
    assert [one.name for one in tmp_path.iterdir()] == ["records.sqlite"]
