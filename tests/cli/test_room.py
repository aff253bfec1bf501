"""What a narrow terminal shows: whole words, and no column silently gone."""

import pytest

from tracker.cli.printing import with_room

COLUMNS = ("piece", "part", "suspicion", "date code", "exemplar")
ROWS = (("L0001-01", "CV6522AP", "under 1 %", "8911", "yes"),)


@pytest.mark.parametrize(
    ("width", "kept"),
    [
        (80, COLUMNS),
        # 8 + 8 + 9 + 4 + 8 for the longest words, and 2 between columns.
        (45, COLUMNS),
        (44, COLUMNS[:4]),
        (34, ("piece", "suspicion", "date code")),
        (5, ("piece", "suspicion", "date code")),
    ],
)
def test_spare_columns_go_one_by_one(width: int, kept: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", str(width))
    assert with_room(COLUMNS, ROWS, ("exemplar", "part")) == list(kept)


def test_a_file_has_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: False)
    monkeypatch.setenv("COLUMNS", "5")
    assert with_room(COLUMNS, ROWS, ("exemplar", "part")) == list(COLUMNS)
