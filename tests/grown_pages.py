"""Grown workshops and the pages on them, for tests that only look; `conftest.py` has these fixtures for all tests."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from growing import Growth
    from web_pages import Pages

PIECES = 30


@pytest.fixture(scope="session")
def grown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a workshop with four lots of thirty pieces, photographed, partly measured and decided on."""
    from growing import Growth

    size = Growth(lots=4, pieces=PIECES, looks=1.4, exemplars=0.1, runs=0.5, seed=7)
    return _grown(tmp_path_factory.mktemp("grown"), size)


@pytest.fixture(scope="session")
def handful(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a workshop with one lot of three pieces."""
    from growing import Growth

    return _grown(tmp_path_factory.mktemp("handful"), Growth(lots=1, pieces=3, seed=4))


def _grown(folder: Path, size: "Growth") -> Path:
    from growing import grow

    from tracker.desk.workspace import Workspace

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        for name in ("DATABASE", "EVIDENCE"):
            patch.delenv(f"LOTPROOF_{name}", raising=False)
        with Workspace.open(folder / "w", create=True) as workspace:
            grow(workspace, size)
    return folder / "w"


@pytest.fixture
def pages(grown: Path) -> Iterator["Pages"]:
    """Give a person at the pages of the grown workshop."""
    from web_pages import Pages

    opened = Pages(grown)
    yield opened
    opened.close()


@pytest.fixture
def few(handful: Path) -> Iterator["Pages"]:
    """Give a person at the pages of the smallest workshop."""
    from web_pages import Pages

    opened = Pages(handful)
    yield opened
    opened.close()
