"""A photo in which labels lie beside the chips: each piece gets its own photo, whatever the order they lie in."""

import shutil

import pytest
from label_shots import PLACES, shot
from stock import a_lot

from tracker.desk.workspace import Workspace

MIXED = [("L0001-04", (-30.0, -18.0), 4.0), ("L0001-02", (30.0, -18.0), -9.0),
         ("L0001-06", (-30.0, 26.0), 175.0), ("L0001-03", (30.0, 26.0), 2.0)]  # fmt: skip


@pytest.fixture
def folder(sqlite_template, tmp_path):
    shutil.copytree(sqlite_template, tmp_path / "workspace")
    with Workspace.open(tmp_path / "workspace") as workspace:
        a_lot(workspace, quantity=6, received=6, maker="Corvane")
    return tmp_path / "workspace"


def test_the_piece_is_told_by_the_label_beside_it(folder, tmp_path, monkeypatch, lotproof):
    path = tmp_path / "labels.jpg"
    path.write_bytes(shot(PLACES, MIXED, monkeypatch))
    shutil.copytree(folder, tmp_path / "other")
    ran = lotproof("photograph", "L0001", path, "--workspace", folder, "--operator", "mira", "--json")
    assert ran.code == 0, ran.err
    seen = {one["piece"]: one for one in ran.json["pieces"]}
    assert sorted(seen) == ["L0001-02", "L0001-03", "L0001-04", "L0001-06"]
    assert {one["matched_by"] for one in seen.values()} == {"label in view"}
    assert seen["L0001-04"]["index"] == 0  # the upper left one
    told = lotproof("photograph", "L0001", path, "--workspace", tmp_path / "other", "--operator", "mira")
    assert "by label in view" in told.out
