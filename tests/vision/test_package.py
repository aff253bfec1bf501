"""Packages are named from shape and leads, and left open where these do not tell."""

import cv2
import numpy as np
import pytest

from vision.observations import Rgb
from vision.package import package_of


def top_with_leads(leads: int, *, width: int, length: int, pitch: float) -> tuple[Rgb, np.ndarray]:
    """A dark top with bright leads along its long sides, on grey; and its corners."""
    picture = np.full((width + 300, length + 300, 3), 140, np.uint8)
    corners = np.array([[150, 150], [150 + length, 150], [150 + length, 150 + width], [150, 150 + width]], float)
    for lead in range(leads):
        x = 150 + length / 2 + (lead - (leads - 1) / 2) * pitch
        for y0, y1 in ((150 - 0.15 * width, 150), (150 + width, 150 + 1.15 * width)):
            cv2.rectangle(picture, (int(x - pitch / 5), int(y0)), (int(x + pitch / 5), int(y1)), (225, 225, 220), -1)
    cv2.rectangle(picture, (150, 150), (150 + length, 150 + width), (45, 45, 48), -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.5).astype(np.uint8), corners


# Body sizes of JEDEC MS-011-AC (40 leads, 52.2 x 13.9 mm) and a 32-lead outline (41.9 x 13.9 mm), pitch 2.54 mm,
# drawn at 16 pixels a millimetre.
@pytest.mark.parametrize(("leads", "length_mm"), [(20, 52.2), (16, 41.9)])
@pytest.mark.parametrize("turns", [0, 1])
def test_long_dip_is_named_by_its_leads(leads: int, length_mm: float, turns: int) -> None:
    image, corners = top_with_leads(leads, width=round(13.9 * 16), length=round(length_mm * 16), pitch=2.54 * 16)
    if turns:
        corners = np.stack([corners[:, 1], image.shape[1] - corners[:, 0]], axis=1)
        image = np.ascontiguousarray(np.rot90(image))
    name, confidence = package_of(image, corners)
    assert name == f"DIP-{2 * leads}"
    assert 0.5 <= confidence <= 1.0


def test_what_has_a_twin_is_left_open() -> None:
    image, corners = top_with_leads(7, width=round(6.35 * 24), length=round(19.2 * 24), pitch=2.54 * 24)
    assert package_of(image, corners) == ("DIP or SOIC", 0.4)


def test_no_leads_no_name() -> None:
    image, corners = top_with_leads(0, width=220, length=830, pitch=40.0)
    assert package_of(image, corners) == (None, 0.0)
