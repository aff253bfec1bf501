"""Photos looked at again by the workers of a real dask scheduler on this computer, with the real reader."""

import csv
import os
import signal
import threading
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import breaking_workers
import pytest
from sqlalchemy import select
from staged import Stage, chip
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk import reinspect_hands
from tracker.desk.photograph import photograph
from tracker.desk.reinspect import reinspect
from tracker.desk.reinspect_hands import cluster_hands
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Inspection, JournalEntry, Piece

pytestmark = pytest.mark.sweep
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PICTURES = ("swab_before.jpg", "soic_lot.jpg", "swab_after.jpg")


@pytest.fixture(scope="module")
def cluster():
    import dask
    from distributed import LocalCluster

    settings = {"distributed.scheduler.allowed-failures": 1, "distributed.worker.daemon": False}
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as one,
    ):
        yield one


@pytest.fixture
def archive(tmp_path, sqlite_template, monkeypatch):
    """Give lots of one photo each, recorded with the right places and wrong readings; and what is on the chips."""
    truth = defaultdict(list)
    for row in csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")):
        outline = tuple((float(row[f"x{k}"]), float(row[f"y{k}"])) for k in range(4))
        truth[row["file"]].append((outline, row["lines"]))
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        for number, name in enumerate(PICTURES, start=1):
            chips = [replace(chip("WRONG"), outline=outline) for outline, _ in truth[name]]
            a_lot(workspace, received=len(chips), quantity=len(chips))
            stage.put(SAMPLES / name, *chips)
            names = [f"L{number:04d}-01..{len(chips):02d}"] if len(chips) > 1 else [f"L{number:04d}-01"]
            photograph(workspace, f"L{number:04d}", [SAMPLES / name], piece=names, operator="mira", today=TODAY)
        yield workspace, truth


def test_two_workers_look_and_one_of_them_is_killed(cluster, archive):
    workspace, truth = archive
    with cluster_hands(cluster.scheduler_address) as hands:
        first = next(iter(hands._client.run(os.getpid).values()))
        # By then both are at work: looking at the three photos takes longer on any machine.
        killer = threading.Timer(1.0, os.kill, (first, signal.SIGKILL))
        killer.start()
        document = reinspect(workspace, hands, operator="mira", today=TODAY)
        killer.join()
    assert (document.done, document.set_aside) == (3, ())
    with workspace.read() as session:
        rows = session.execute(select(Piece.label, Inspection.marking).join(Inspection.piece).order_by(Inspection.id))
        reads = dict(tuple(row) for row in rows)
        entries = session.scalars(select(JournalEntry).where(JournalEntry.act == "reinspect")).all()
    assert len(entries) == 3
    assert reads["L0001-01"] == truth["swab_before.jpg"][0][1]
    assert "WRONG" not in reads.values()
    assert verify(workspace).faults == ()
    with cluster_hands(cluster.scheduler_address) as hands:
        assert reinspect(workspace, hands, operator="mira", today=TODAY).to_do == 0


def test_a_photo_that_breaks_its_worker_is_set_aside(cluster, archive):
    workspace, _ = archive
    with cluster_hands(cluster.scheduler_address) as hands:
        hands._look = breaking_workers.look
        document = reinspect(workspace, hands, operator="mira", today=TODAY)
    (aside,) = document.set_aside
    assert aside.photo == PICTURES[1]
    assert document.done == 2


def test_workers_with_another_program_are_refused(cluster, monkeypatch):
    own = {**reinspect_hands.program(), "vision": "another"}
    monkeypatch.setattr(reinspect_hands, "program", lambda: own)
    with (
        pytest.raises(BadRequest, match="has another program than this one: vision is"),
        cluster_hands(cluster.scheduler_address),
    ):
        pass


def test_nobody_answers(monkeypatch):
    monkeypatch.setattr(reinspect_hands, "PATIENCE", "1s")
    with pytest.raises(BadRequest, match="No scheduler answers"), cluster_hands("tcp://127.0.0.1:9"):
        pass
