"""The bound of an outlier among few, against SciPy's Student distribution."""

import pytest
from scipy import special

from vision.spread import DECLARED_WEIGHT, OUTLYING, as_rare


@pytest.mark.parametrize("more", [0.0, 0.4, 8.0, 1000.0])
def test_the_bound_leaves_as_little_in_the_tail(more: float) -> None:
    freedom = DECLARED_WEIGHT + more
    assert special.stdtr(freedom, -as_rare(OUTLYING, freedom)) == pytest.approx(special.ndtr(-OUTLYING), rel=1e-4)
