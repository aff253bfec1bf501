"""The decoder against the definition: every path written out, collapsed and added up.

Graves, Fernandez, Gomez and Schmidhuber 2006, 'Connectionist temporal classification', ICML, section 3.1: the map B
drops repeats, then blanks; the probability of a text is the sum over all paths that B maps to it.
"""

from collections import defaultdict
from itertools import groupby, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vision.read import ctc

ALPHABET = "A80"
SEEDS = st.integers(0, 2**32 - 1)
SMALL = settings(max_examples=60, deadline=None, derandomize=True, database=None)


def random_distribution(seed: int, steps: int, concentration: float = 0.7) -> NDArray[np.float64]:
    """Rows over blank and alphabet, none so small that the decoder's floor or pruning touches it."""
    rows = np.random.default_rng(seed).dirichlet(np.full(len(ALPHABET) + 1, concentration), steps) + 0.01
    return rows / rows.sum(axis=1, keepdims=True)


def all_texts(distribution: NDArray[np.float64]) -> dict[str, float]:
    """Every text's probability, by going through every path."""
    texts: dict[str, float] = defaultdict(float)
    for path in product(range(distribution.shape[1]), repeat=len(distribution)):
        text = "".join(ALPHABET[i - 1] for i, _ in groupby(path) if i)
        texts[text] += float(np.prod(distribution[range(len(path)), path]))
    return dict(texts)


def one_hot(path: str, alphabet: str = ALPHABET) -> NDArray[np.float64]:
    """A distribution that is certain of one path; '_' is the blank."""
    rows = np.zeros((len(path), len(alphabet) + 1))
    rows[range(len(path)), [alphabet.find(c) + 1 for c in path]] = 1.0
    return rows


@SMALL
@given(SEEDS, st.integers(1, 5))
def test_probability_is_the_sum_over_all_paths(seed: int, steps: int) -> None:
    distribution = random_distribution(seed, steps)
    for text, probability in all_texts(distribution).items():
        assert ctc.log_probability(distribution, text, ALPHABET) == pytest.approx(np.log(probability), abs=1e-9)


@SMALL
@given(SEEDS, st.integers(1, 4))
def test_probabilities_of_all_texts_sum_to_one(seed: int, steps: int) -> None:
    distribution = random_distribution(seed, steps)
    texts = ["".join(t) for n in range(steps + 1) for t in product(ALPHABET, repeat=n)]
    possible = [t for t in texts if len(t) + sum(a == b for a, b in pairwise(t)) <= steps]
    total = sum(np.exp(ctc.log_probability(distribution, t, ALPHABET)) for t in possible)
    assert total == pytest.approx(1.0, abs=1e-9)


@SMALL
@given(SEEDS, st.integers(1, 5))
def test_wide_beam_ranks_texts_as_all_paths_do(seed: int, steps: int) -> None:
    distribution = random_distribution(seed, steps)
    exact = all_texts(distribution)
    found = ctc.beam(distribution, ALPHABET, width=10_000)
    assert set(found) == set(exact)
    assert [exact[t] for t in found] == pytest.approx(sorted(exact.values(), reverse=True), abs=1e-12)


@SMALL
@given(SEEDS, st.integers(3, 6))
def test_narrow_beam_finds_the_best_text_of_a_clear_line(seed: int, steps: int) -> None:
    """A reader that is fairly sure at each step, as it is on print."""
    distribution = random_distribution(seed, steps, concentration=0.15)
    exact = all_texts(distribution)
    assert ctc.beam(distribution, ALPHABET, width=8)[0] == max(exact, key=exact.__getitem__)


def test_beam_beats_the_best_path_where_they_differ() -> None:
    """Graves 2006, section 3.2: the best path need not be the best text. Blank twice is the likeliest path (0.36)."""
    distribution = np.array([[0.6, 0.4, 0.0, 0.0], [0.6, 0.4, 0.0, 0.0]])
    assert ctc.greedy(distribution, ALPHABET)[0] == ""
    assert ctc.beam(distribution, ALPHABET) == ["A", ""]  # 0.4 * 0.4 + 2 * 0.4 * 0.6 = 0.64


@pytest.mark.parametrize(
    ("path", "text"),
    [("AAA", "A"), ("A_A", "AA"), ("_A8_0_", "A80"), ("88_800", "880"), ("___", ""), ("A8A8", "A8A8")],
)
def test_a_certain_path_is_read_by_dropping_repeats_then_blanks(path: str, text: str) -> None:
    distribution = one_hot(path)
    assert ctc.greedy(distribution, ALPHABET) == (text, 1.0 if text else 0.0)
    assert ctc.beam(distribution, ALPHABET) == [text]
    assert ctc.log_probability(distribution, text, ALPHABET) == pytest.approx(0.0, abs=1e-4)


def test_greedy_confidence_is_the_mean_of_the_characters_alone() -> None:
    distribution = np.array([[0.1, 0.8, 0.1, 0.0], [0.95, 0.05, 0.0, 0.0], [0.2, 0.0, 0.6, 0.2]])
    text, confidence = ctc.greedy(distribution, ALPHABET)
    assert text == "A8"
    assert confidence == pytest.approx((0.8 + 0.6) / 2)


@pytest.mark.parametrize(
    ("path", "text"), [("A_", "A80A80"), ("A", "AA"), ("AA", "AA"), ("A8_", "AX")], ids=["long", "short", "same", "odd"]
)
def test_an_impossible_text_has_a_finite_floor(path: str, text: str) -> None:
    """Too many characters for the steps, no step for the blank between equal ones, a character outside the alphabet."""
    value = ctc.log_probability(one_hot(path), text, ALPHABET)
    assert value == pytest.approx(np.log(1e-6) * (len(text) + 1))


def test_one_spoilt_picture_does_not_veto() -> None:
    """A picture that is sure of something else costs a text something, but not everything."""
    value = ctc.log_probability(one_hot("_8_"), "A", ALPHABET)
    assert np.isfinite(value)
    assert -45 < value < -10


def test_long_lines_do_not_underflow() -> None:
    """40 steps at one chance in ten million: far below what plain multiplication of 400 steps could hold."""
    distribution = np.tile([0.999, 0.0004, 0.0003, 0.0003], (400, 1))
    assert np.isfinite(ctc.log_probability(distribution, "A80" * 40, ALPHABET))


def test_candidates_come_from_every_picture_once_and_trimmed() -> None:
    alphabet = " A8"
    pictures = [
        one_hot("A _8", alphabet),
        one_hot(" A8 ", alphabet),
        one_hot("A8__", alphabet),
        one_hot("____", alphabet),
    ]
    assert ctc.candidates(pictures, alphabet, width=1) == ["A 8", "A8"]
