"""Body sizes against the claimed package: the height of the top over the card, the uncertainty, the decision."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from staged import chip

from tracker.desk.body_size import CODE, RIM_MM, body_side, check_sizes
from tracker.knowledge.bodies import claimed_bodies
from tracker.knowledge.packages import outline
from vision.observations import CardView, Measure, NotMeasured, PieceView, TopSize

HEIGHT = Measure(236.0, "mm", 5.0, 36)
DIP40 = outline("DIP-40")


def card(height: Measure = HEIGHT) -> CardView:
    return CardView("large", "L0001", 1, (), np.eye(3), 0.1, 0.02, height, NotMeasured("not looked at"), (), ())


def piece(length: float, width: float, *, u: float = 0.25, **changes: object) -> PieceView:
    """A chip whose body has these sides, seen from HEIGHT with its top 7 mm above the card."""
    larger = HEIGHT.value / (HEIGHT.value - 7.0)
    rim = sum(RIM_MM) / 2
    size = TopSize(Measure((length - rim) * larger, "mm", u, 2), Measure((width - rim) * larger, "mm", u, 2))
    return replace(chip("CV6522AP"), size=size, package=None, package_confidence=0.0, **changes)


def strengths(*pieces: PieceView, part: str | None = "CV6522AP", height: Measure = HEIGHT) -> list[str | None]:
    checked = check_sizes(pieces, card(height), part)
    return [one.remarks[0].strength if one.remarks else None for one in checked]


@given(st.floats(3, 60), st.floats(0, 12), st.floats(120, 500), st.floats(0, 40), st.floats(-90, 90), st.floats(0, 180))
def test_the_height_s_correction_is_that_of_central_projection(
    side: float, top: float, above: float, tilt: float, aside: float, turn: float
) -> None:
    """OpenCV's projectPoints puts a side at height `top` into a tilted photo; taken back through the homography of the
    card's plane alone it comes out larger, and the correction makes it the side again, in every direction and place."""
    angle = np.radians(turn)
    ends = np.array([aside, -aside / 2, 0]) + np.outer([-0.5, 0.5], side * np.array([np.cos(angle), np.sin(angle), 0]))
    rotation = cv2.Rodrigues(np.array([np.radians(tilt), 0.0, 0.0]))[0]
    centre = np.array([10.0, 20.0, -above])  # the camera; heights above the card are negative z
    shift = -rotation @ centre
    camera = np.array([[2000.0, 0, 999.5], [0, 2000.0, 749.5], [0, 0, 1]])
    lifted, _ = cv2.projectPoints(ends - [0, 0, top], cv2.Rodrigues(rotation)[0], shift, camera, None)
    plane = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    back = np.hstack([lifted.reshape(2, 2), np.ones((2, 1))]) @ np.linalg.inv(plane).T
    flat = back[:, :2] / back[:, 2:]
    seen = float(np.linalg.norm(flat[1] - flat[0]))
    value, _ = body_side(Measure(seen, "mm", 0.1, 2), Measure(above, "mm", 1.0, 9), (top, top))
    assert value - sum(RIM_MM) / 2 == pytest.approx(side, rel=1e-5)


def test_the_uncertainty_is_that_of_drawing_every_input() -> None:
    """GUM Supplement 1 (JCGM 101): the same model with every input drawn at random scatters as much as is said."""
    rng, n = np.random.default_rng(3), 200_000
    seen, height, top = Measure(53.4, "mm", 0.25, 2), Measure(236.0, "mm", 9.0, 36), (4.5, 9.5)
    h, c = rng.uniform(*top, n), rng.normal(height.value, height.u, n)
    drawn = rng.normal(seen.value, seen.u, n) * (1 - h / c) + rng.uniform(*RIM_MM, n)
    drawn = drawn * (1 + rng.uniform(-0.005, 0.005, n))
    value, u = body_side(seen, height, top)
    assert value == pytest.approx(drawn.mean(), abs=0.02)
    assert u == pytest.approx(drawn.std(), rel=0.03)


def test_bodies_inside_the_outline_are_quiet_and_wrong_ones_are_not() -> None:
    # DIP-40: 50.3 to 53.2 by 12.32 to 14.73 mm (Harris E40.6, MS-011-AC, as quoted in packages.toml).
    assert strengths(piece(50.3, 13.8), piece(53.2, 14.7), piece(51.8, 12.4)) == [None, None, None]
    assert strengths(piece(56.5, 13.8), piece(46.0, 13.8), piece(52.0, 9.0)) == ["clear"] * 3


def test_just_outside_is_not_enough() -> None:
    """Nothing is said until a side is outside by its expanded uncertainty."""
    assert DIP40 is not None
    _, u = body_side(piece(53.2, 13.8).size.length, HEIGHT, DIP40.top_mm)
    assert 0.4 < u < 0.8
    limit = 53.2
    assert strengths(piece(limit + 1.7 * u, 13.8)) == [None]
    assert strengths(piece(limit + 2.4 * u, 13.8)) == ["slight"]
    assert strengths(piece(limit + 3.5 * u, 13.8)) == ["clear"]


def test_an_unsure_camera_makes_it_unsure() -> None:
    far_off = Measure(236.0, "mm", 100.0, 36)
    assert strengths(piece(54.9, 13.8)) == ["clear"]
    assert strengths(piece(54.9, 13.8), height=far_off) == [None]


def test_what_is_said() -> None:
    (checked,) = check_sizes([piece(57.0, 13.8)], card(), "CV6522AP")
    (remark,) = checked.remarks
    assert (remark.code, remark.family, remark.unit) == (CODE, "body", "mm")
    assert remark.value == pytest.approx(57.0, abs=0.1)
    assert (remark.reference, remark.reference_range) == (53.2, (50.3, 53.2))
    assert "DIP-40 bodies are 50.3 to 53.2 mm long (Harris E40.6, MS-011-AC" in remark.message


def test_absence_counts_only_where_a_wrong_body_would_have_shown() -> None:
    (sure,) = check_sizes([piece(52.0, 13.8)], card(), "HDS6821")
    assert sure.looked_for == ()  # a DIP-40 may be 12.32 to 14.73 mm wide: a wrong one of 12 % would not show
    (plcc,) = check_sizes([replace(piece(16.6, 16.6), size=_square(16.6))], card(), "CV6522F")
    assert plcc.looked_for == (CODE,)
    (coarse,) = check_sizes([replace(piece(16.6, 16.6), size=_square(16.6, u=1.0))], card(), "CV6522F")
    assert coarse.looked_for == ()


def _square(side: float, u: float = 0.15) -> TopSize:
    one = Measure((side - 0.65) * HEIGHT.value / (HEIGHT.value - 4.4), "mm", u, 2)
    return TopSize(one, one)


def test_without_card_claim_or_size_nothing_is_said_or_looked_for() -> None:
    wrong = piece(70.0, 30.0)
    unmeasured = replace(wrong, size=NotMeasured("not every edge shows"))
    for checked in (
        check_sizes([wrong], None, "CV6522AP"),
        check_sizes([wrong], card(), None),
        check_sizes([wrong], card(), "no part number"),
        check_sizes([unmeasured], card(), "CV6522AP"),
    ):
        assert [(one.remarks, one.looked_for) for one in checked] == [((), ())]


def test_a_card_printed_too_large_is_suspected_before_the_chips() -> None:
    all_off = [piece(52.0 * 0.93, 13.8 * 0.93), piece(51.8 * 0.93, 13.8 * 0.93), piece(52.2 * 0.93, 13.8 * 0.93)]
    checked = check_sizes(all_off, card(), "CV6522AP")
    assert [one.remarks[0].strength for one in checked] == ["slight"] * 3
    assert all("check the card's printed scale" in one.remarks[0].message for one in checked)
    mixed = [*all_off[:2], piece(52.0, 13.8)]
    assert strengths(*mixed)[2] is None
    assert "printed scale" not in check_sizes(mixed, card(), "CV6522AP")[0].remarks[0].message


@pytest.mark.parametrize(
    ("part", "names"),
    [
        ("CV6522AP", {"DIP-40"}),
        ("CV6522F", {"PLCC-44"}),
        ("CV6522", {"DIP-40", "PLCC-44"}),
        ("HDS4051D", {"SOIC-16"}),
        ("SN74LS00J", set()),  # ceramic: made to other drawings
        ("XQ1234P", set()),  # package letters of nobody's list
        ("", set()),
    ],
)
def test_the_outlines_that_a_claim_allows(part: str, names: set[str]) -> None:
    assert {body.name for body in claimed_bodies(part)} == names


def test_a_kind_alone_allows_all_its_outlines() -> None:
    names = {body.name for body in claimed_bodies("SN74LS00N")}
    assert {"DIP-14", "DIP-40"} <= names
    assert all(name.startswith("DIP") for name in names)
    assert strengths(piece(19.2, 6.4), part="SN74LS00N") == [None]
    assert strengths(piece(9.9, 3.9), part="SN74LS00N") == ["clear"]
