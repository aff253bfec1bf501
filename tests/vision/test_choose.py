"""Of candidates that cannot all be tops, those are kept that can be true together."""

import numpy as np

from vision.choose import Candidate, chosen
from vision.evidence import Evidence


def candidate(
    x: float,
    y: float,
    score: float,
    *,
    size: tuple[float, float] = (200.0, 66.0),
    rows: tuple[int, ...] = (),
    on: tuple[int, ...] = (),
    facing: bool = True,
    claims: tuple[int, ...] = (),
) -> Candidate:
    """A candidate with its upper left corner at (x, y)."""
    width, height = size
    corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
    return Candidate(corners, Evidence(score, on, rows, 0.95, facing, claims))


def places(found: list[Candidate]) -> list[tuple[float, float]]:
    return [(float(c.corners[0, 0]), float(c.corners[0, 1])) for c in found]


def test_what_is_likelier_not_than_a_top_is_left() -> None:
    assert places(chosen([candidate(0, 0, 0.9), candidate(300, 0, 0.4)])) == [(0, 0)]


def test_of_two_that_overlap_the_better_is_kept() -> None:
    assert places(chosen([candidate(0, 0, 0.7), candidate(40, 10, 0.9)])) == [(40, 10)]


def test_the_ground_between_two_chips_has_no_row_of_its_own() -> None:
    upper, lower = candidate(0, 0, 0.99, rows=(0, 1)), candidate(0, 160, 0.98, rows=(2, 3))
    between = candidate(0, 80, 0.9, size=(200, 66), rows=(1, 2))
    assert places(chosen([between, upper, lower])) == [(0, 0), (0, 160)]


def test_bare_ground_between_leads_bent_twice_has_no_row_of_its_own() -> None:
    upper, lower = (
        candidate(0, 0, 0.99, rows=(0, 1), claims=(1, 6)),
        candidate(0, 160, 0.98, rows=(2, 3), claims=(7, 2)),
    )
    between = candidate(0, 80, 0.7, size=(200, 66), rows=(6, 7))
    assert places(chosen([between, upper, lower])) == [(0, 0), (0, 160)]
    printed = candidate(0, 80, 0.7, size=(200, 66), rows=(6, 7), on=(4,))
    assert len(chosen([printed, upper, lower])) == 3


def test_a_label_on_a_top_gives_way_to_the_top() -> None:
    top = candidate(0, 0, 0.9, rows=(0, 1), on=(0,))
    label = candidate(50, 10, 0.97, size=(80, 40), on=(0,), facing=False)
    assert places(chosen([label, top])) == [(0, 0)]


def test_a_chip_with_rows_of_its_own_does_not_give_way_to_the_ground_around_it() -> None:
    ground = candidate(-20, -20, 0.9, size=(260, 110), rows=(4, 5))
    assert places(chosen([candidate(0, 0, 0.97, rows=(0, 1)), ground])) == [(0, 0)]


def test_a_doubtful_chip_as_large_as_three_sure_ones_is_kept() -> None:
    """Odds of 1 to 3, times e to the power 3, are 6.7 to 1."""
    sure = [candidate(300 * k, 0, 0.95) for k in range(3)]
    doubtful, smaller = candidate(0, 200, 0.25), candidate(300, 200, 0.25, size=(120, 66))
    found = chosen([*sure, doubtful, smaller])
    assert places(found) == [(0, 0), (300, 0), (600, 0), (0, 200)]
    assert abs(found[-1].score - 6.7 / 7.7) < 0.01
    assert len(chosen([*sure[:2], doubtful])) == 2


def test_two_chips_in_one_line_are_not_one_long_chip() -> None:
    sure = [candidate(300 * k, 0, 0.95) for k in range(3)]
    pair = [candidate(0, 200, 0.3), candidate(220, 200, 0.2)]
    long = candidate(0, 200, 0.96, size=(420, 66), rows=(0, 1))
    assert places(chosen([*sure, *pair, long])) == [(0, 0), (300, 0), (600, 0), (0, 200), (220, 200)]
