"""The invented workshop that campaigns work in: as the tests of the pages have it, made once a process."""

import shutil
import tempfile
from pathlib import Path

import pytest
from bags import a_bag, full_lot
from staged import Stage
from web_workshop import _second_lot

from tracker.desk import photograph as photographing
from tracker.desk.workspace import Workspace

_folder = Path(tempfile.mkdtemp(prefix="fuzz-workshop-"))


def workshop() -> Path:
    """Return the workspace of a workshop with two lots, one gone all the way; it is not to be changed."""
    place = _folder / "prepared"
    if not place.exists():
        with pytest.MonkeyPatch.context() as patch, Workspace.open(place, create=True) as workspace:
            stage = Stage({}, [])
            patch.setattr(photographing, "look", stage.look)
            full_lot(workspace, _folder / "desk", stage)
            _second_lot(workspace)
    return place


def fresh(name: str) -> Path:
    """Return a copy of it that may be changed; an earlier one of that name is gone."""
    shutil.rmtree(_folder / name, ignore_errors=True)
    shutil.copytree(workshop(), _folder / name)
    return _folder / name


def a_lots_bag(lot: str) -> Path:
    """Return the bag of one of its lots."""
    with Workspace.open(fresh("bagging")) as workspace:
        return a_bag(workspace, _folder / "bags" / lot, lot)


def scratch() -> Path:
    """Return a folder of this process to write in."""
    return _folder


def remove() -> None:
    """Remove all of it."""
    shutil.rmtree(_folder, ignore_errors=True)
