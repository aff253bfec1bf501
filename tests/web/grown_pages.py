"""A grown workshop and the pages on it, for tests that only look. Fixtures are imported by name."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from growing import Growth, grow
from web_pages import Pages

from tracker.desk.workspace import Workspace

PIECES = 30


@pytest.fixture(scope="session")
def grown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a workshop with four lots of thirty pieces, photographed, partly measured and decided on."""
    folder = tmp_path_factory.mktemp("grown")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        for name in ("DATABASE", "EVIDENCE"):
            patch.delenv(f"LOTPROOF_{name}", raising=False)
        with Workspace.open(folder / "w", create=True) as workspace:
            grow(workspace, Growth(lots=4, pieces=PIECES, looks=1.4, exemplars=0.1, runs=0.5, seed=7))
    return folder / "w"


@pytest.fixture
def pages(grown: Path) -> Iterator[Pages]:
    """Give a person at the pages of the grown workshop."""
    opened = Pages(grown)
    yield opened
    opened.close()
