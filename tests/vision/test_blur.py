"""Strokes and how wide they were: the thinning and the table against libraries that have the same."""

import numpy as np
import pytest
from scipy.ndimage import binary_dilation
from scipy.special import erf
from skimage.measure import label
from skimage.morphology import skeletonize

from vision.blur import half_width, skeleton, unblur
from vision.light import Mask


def strokes(width: int, *, slanting: bool = False) -> Mask:
    """A few bars of one width, upright or at 45 degrees."""
    rows, columns = np.mgrid[:60, :240]
    places = columns + rows if slanting else columns
    return np.asarray((places % 40 < width) & (rows >= 5) & (rows < 55))


@pytest.mark.parametrize("slanting", [False, True])
@pytest.mark.parametrize("width", [2, 3, 5, 8])
def test_a_skeleton_is_thin_and_whole(width: int, slanting: bool) -> None:
    ink = strokes(width, slanting=slanting)
    thin = skeleton(ink)
    assert (thin <= ink).all()
    assert label(thin, connectivity=2).max() == label(ink, connectivity=2).max()
    assert not (thin[1:, 1:] & thin[1:, :-1] & thin[:-1, 1:] & thin[:-1, :-1]).any()


@pytest.mark.parametrize("width", [4, 6, 9])
def test_a_skeleton_is_where_the_library_has_it(width: int) -> None:
    """scikit-image thins by a variant of the same method, whose lines may lie a pixel beside ours."""
    ink = strokes(width) ^ (np.random.default_rng(3).random((60, 240)) < 0.002)
    ours, theirs = skeleton(ink), skeletonize(ink)
    near = binary_dilation(theirs, np.ones((3, 3)))
    assert (ours & near).sum() > 0.95 * ours.sum()
    assert (theirs & binary_dilation(ours, np.ones((3, 3)))).sum() > 0.95 * theirs.sum()


@pytest.mark.parametrize("width", [4, 6, 9])
def test_strokes_are_as_wide_as_drawn(width: int) -> None:
    assert half_width(strokes(width)) == pytest.approx(width, abs=0.5)


def test_too_little_ink_has_no_width() -> None:
    assert half_width(np.zeros((20, 20), bool)) == 0.0


@pytest.mark.parametrize("width", [2.5, 4.0, 12.0])
def test_a_blurred_bar_is_found_again(width: float) -> None:
    """Against the bar drawn with SciPy's error function."""
    x = np.linspace(0.0, 12.0, 24001)
    bar = 0.5 * (erf((x + width / 2) / np.sqrt(2)) - erf((x - width / 2) / np.sqrt(2)))
    half = int(np.argmax(bar < bar[0] / 2))
    slope = (bar[half - 1] - bar[half]) / (x[1] * bar[0])
    found, widened = unblur(2 * x[half], slope)
    assert found == pytest.approx(width, rel=0.01)
    assert found + widened == pytest.approx(2 * x[half], rel=0.001)
