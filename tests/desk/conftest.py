"""A sound bag, and a copy of it that may be changed."""

from pathlib import Path

import pytest
from bags import a_bag, copy, full_lot
from staged import Stage

from tracker.desk import photograph as photographing
from tracker.desk.workspace import Workspace


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the bag of a lot that went all the way; it is not to be changed."""
    folder = tmp_path_factory.mktemp("sound")
    copy(sqlite_template, folder / "A")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "A") as theirs:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        full_lot(theirs, folder / "desk", stage)
        return a_bag(theirs, folder / "bag")


@pytest.fixture
def bag(sound: Path, tmp_path: Path) -> Path:
    """Give a copy of that bag."""
    return copy(sound, tmp_path / "bag")
