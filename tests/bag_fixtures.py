"""A sound bag, and a copy of it that may be changed; a plugin of `conftest.py`, so that every test may ask for them."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the bag of a lot that went all the way; it is not to be changed."""
    # Imported only where a bag is wanted: this module is loaded for every run.
    from bags import a_bag, copy, full_lot
    from staged import Stage

    from tracker.desk import photograph as photographing
    from tracker.desk.workspace import Workspace

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
    from bags import copy

    return copy(sound, tmp_path / "bag")
