"""Scores of probabilities against scikit-learn, against a published example, and against each other."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, roc_auc_score
from sklearn.metrics import log_loss as sklearn_log_loss

from tracker.judgement.scores import Area, area, brier, log_loss, scores

# scikit-learn 1.9.1, docstring examples of brier_score_loss and calibration_curve [SEEN in its source].
BRIER_EXAMPLE = ((0.1, 0.9, 0.8, 0.3), (0, 1, 1, 0), 0.0375)
CURVE_P, CURVE_Y = (0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0), (0, 0, 0, 0, 1, 1, 1, 1, 1)

# Some forecasts on the very edges of bins, where one has to agree whose they are.
FORECASTS = st.one_of(st.floats(0.0, 1.0), st.sampled_from([k / 10 for k in range(11)]))
JUDGED = st.lists(st.tuples(FORECASTS, st.integers(0, 1)), min_size=1, max_size=60)


def split(judged: list[tuple[float, int]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([p for p, _ in judged]), np.array([y for _, y in judged])


def test_published_examples() -> None:
    p, y, expected = BRIER_EXAMPLE
    assert brier(p, y) == pytest.approx(expected)
    # log_loss(["spam", "ham", "ham", "spam"], [[.1, .9], [.9, .1], [.8, .2], [.35, .65]]) of the same docstrings.
    assert log_loss((0.9, 0.1, 0.2, 0.65), (1, 0, 0, 1)) == pytest.approx(0.21616, abs=1e-5)
    bins = scores(CURVE_P, CURVE_Y, bins=3).bins
    assert [one.were for one in bins] == pytest.approx([0, 0.5, 1])
    assert [one.said for one in bins] == pytest.approx([0.2, 0.525, 0.85])


@settings(deadline=None)
@given(JUDGED)
def test_scores_are_those_of_scikit_learn(judged: list[tuple[float, int]]) -> None:
    p, y = split(judged)
    found = scores(p, y)
    assert found.brier == pytest.approx(brier_score_loss(y, p, pos_label=1), abs=1e-12)
    were, said = calibration_curve(y, p, n_bins=10, strategy="uniform")
    assert [one.were for one in found.bins] == pytest.approx(list(were), abs=1e-12)
    assert [one.said for one in found.bins] == pytest.approx(list(said), abs=1e-12)
    if np.where(y == 1, p, 1 - p).min() > 1e-15:
        assert found.log_loss == pytest.approx(sklearn_log_loss(y, p, labels=[0, 1]), rel=1e-9, abs=1e-9)
    else:  # where something was sure and wrong, scikit-learn stops at the smallest step of a float
        assert found.log_loss > sklearn_log_loss(y, p, labels=[0, 1]) - 1e-9
    if found.area is not None:
        assert found.area.value == pytest.approx(roc_auc_score(y, p), abs=1e-12)


@settings(deadline=None)
@given(JUDGED)
def test_the_decomposition_adds_up_and_each_part_is_what_it_says(judged: list[tuple[float, int]]) -> None:
    p, y = split(judged)
    found = scores(p, y)
    parts = found.decomposition
    total = parts.reliability - parts.resolution + parts.uncertainty + parts.within
    assert total == pytest.approx(found.brier, abs=1e-12)
    # Murphy (1973): with the mean of its bin in place of each forecast nothing is left within bins.
    means = {k: one.said for k, one in enumerate(found.bins)}
    places = [next(k for k, one in enumerate(found.bins) if value <= one.upper) for value in p]
    binned = np.array([means[k] for k in places])
    assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(
        brier_score_loss(y, binned.clip(0, 1), pos_label=1), abs=1e-9
    )
    assert 0 <= parts.reliability <= 1
    assert 0 <= parts.resolution <= parts.uncertainty + 1e-12
    assert sum(one.pieces for one in found.bins) == found.pieces
    assert sum(one.not_genuine for one in found.bins) == found.not_genuine


def test_calibration_error_is_the_mean_distance_over_the_bins() -> None:
    rng = np.random.default_rng(8)
    p = rng.random(400)
    y = rng.random(400) < p**2
    were, said = calibration_curve(y, p, n_bins=10)
    counts = np.histogram(p, bins=np.linspace(0, 1, 11))[0]
    assert scores(p, y).calibration_error == pytest.approx(float(np.sum(counts / 400 * np.abs(were - said))))


def test_chance_alone_gives_the_error_that_is_said() -> None:
    """Truths drawn from the forecasts themselves, by another generator: the error is on average what was said."""
    rng = np.random.default_rng(99)
    p = rng.beta(0.4, 2.0, size=80)
    errors = [scores(p, rng.random(80) < p).calibration_error for _ in range(200)]
    said = scores(p, p > 0.5)
    assert said.by_chance == pytest.approx(np.mean(errors), abs=0.006)
    assert np.mean(np.array(errors) <= said.by_chance_at_most) == pytest.approx(0.95, abs=0.05)
    # And what is far off is seen to be.
    assert scores(1 - p, rng.random(80) < p).calibration_error > said.by_chance_at_most


@pytest.mark.parametrize(("m", "n", "shift"), [(10, 10, 1.0), (8, 60, 1.0), (15, 40, 2.5), (12, 30, 0.0)])
def test_the_interval_of_the_area_holds_the_truth(m: int, n: int, shift: float) -> None:
    """Two normal samples: the true area is known in closed form, Phi(shift / sqrt 2)."""
    from statistics import NormalDist

    true = NormalDist().cdf(shift / math.sqrt(2))
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(400):
        x = np.concatenate([rng.normal(shift, 1, m), rng.normal(0, 1, n)])
        found = area(1 / (1 + np.exp(-x)), np.array([1] * m + [0] * n))
        assert isinstance(found, Area)
        held += found.lower <= true <= found.upper
    assert 0.92 <= held / 400 <= 0.99


def test_perfect_and_useless_forecasts() -> None:
    y = np.array([0] * 6 + [1] * 6)
    perfect = scores(y, y)
    assert (perfect.brier, perfect.log_loss, perfect.calibration_error) == (0, 0, 0)
    assert perfect.area is not None
    assert perfect.area.value == perfect.area.upper == 1
    assert 0.5 < perfect.area.lower < 0.95  # six against six prove little
    useless = scores(np.full(12, 0.5), y)
    assert useless.brier == 0.25
    assert useless.area is not None
    assert useless.area.value == 0.5
    assert math.isinf(scores([1.0], [0]).log_loss)


def test_too_few_of_either_kind_have_no_area() -> None:
    assert area([0.1] * 20 + [0.9] * 4, [0] * 20 + [1] * 4) is None
    assert area([0.1] * 20 + [0.9] * 5, [0] * 20 + [1] * 5) is not None
    assert scores([0.3], [1]).area is None


@pytest.mark.parametrize(
    ("p", "y"), [([], []), ([0.1], [0, 1]), ([1.1], [1]), ([float("nan")], [1]), ([0.2], [2]), ([[0.1]], [[1]])]
)
def test_what_is_no_forecast(p: list[float], y: list[int]) -> None:
    with pytest.raises(ValueError, match="forecasts"):
        scores(p, y)
