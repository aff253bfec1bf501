"""Decoding of connectionist temporal classification: what text a neural reader's output speaks for, and how strongly.

A reader gives, for each of T steps along a line, a distribution over an alphabet whose entry 0 is the blank. The
probability of a text is the sum over all alignments (Graves et al. 2006, 'Connectionist temporal classification',
ICML 2006, section 4.1). Keeping it, instead of the single best path, lets several pictures of one line vote.
"""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Distribution = NDArray[np.float64]

# A step's characters below this probability do not open new beams: they hardly ever win. Common practice, no source.
_PRUNE = 1e-3
_FLOOR = 1e-6


def greedy(distribution: Distribution, alphabet: str) -> tuple[str, float]:
    """Return the best path's text and the mean probability of its characters.

    Parameters
    ----------
    distribution : ndarray of float64, shape (T, len(alphabet) + 1)
        Rows sum to 1; column 0 is the blank.
    alphabet : str
        Character of column i + 1.

    Returns
    -------
    text : str
    confidence : float
        0 to 1; 0 for an empty text.
    """
    path = distribution.argmax(axis=1)
    peaks = distribution.max(axis=1)
    keep = path != 0
    keep[1:] &= path[1:] != path[:-1]
    text = "".join(alphabet[i - 1] for i in path[keep])
    return text, float(peaks[keep].mean()) if keep.any() else 0.0


def weakest(distribution: Distribution) -> float:
    """Return the probability of the best path's least certain character; 0 for an empty text.

    Parameters
    ----------
    distribution : ndarray of float64, shape (T, characters + 1)
    """
    path, peaks = distribution.argmax(axis=1), distribution.max(axis=1)
    starts = np.flatnonzero((path != 0) & (np.r_[0, path[:-1]] != path))
    if not len(starts):
        return 0.0
    # A character may last several steps; its clearest one counts.
    ends = [s + int(np.argmax(np.r_[path[s:] != path[s], True])) for s in starts]
    return float(min(peaks[s:e].max() for s, e in zip(starts, ends, strict=True)))


def widest_gap(distribution: Distribution) -> float:
    """Return the widest step from one character of the best path to the next, in their median step; 1 for few.

    Parameters
    ----------
    distribution : ndarray of float64, shape (T, characters + 1)
    """
    path = distribution.argmax(axis=1)
    starts = np.flatnonzero((path != 0) & (np.r_[0, path[:-1]] != path))
    steps = np.diff(starts)
    return float(steps.max() / np.median(steps)) if len(steps) > 1 else 1.0


def beam(distribution: Distribution, alphabet: str, *, width: int = 8) -> list[str]:
    """Return the most probable texts, best first, by prefix beam search.

    Parameters
    ----------
    distribution : ndarray of float64, shape (T, len(alphabet) + 1)
    alphabet : str
    width : int
        Prefixes kept at each step.

    Notes
    -----
    Hannun et al. 2014, 'First-pass large vocabulary continuous speech recognition using bi-directional recurrent
    DNNs', algorithm 1, without its word model.
    """
    beams: dict[str, tuple[float, float]] = {"": (1.0, 0.0)}
    for row in distribution:
        grown: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
        candidates = [int(i) for i in np.flatnonzero(row[1:] > _PRUNE)]
        for prefix, (blank, other) in beams.items():
            entry = grown[prefix]
            entry[0] += (blank + other) * row[0]
            if prefix:
                entry[1] += other * row[alphabet.index(prefix[-1]) + 1]
            for index in candidates:
                character = alphabet[index]
                source = blank if prefix.endswith(character) else blank + other
                grown[prefix + character][1] += source * row[index + 1]
        possible = [item for item in grown.items() if item[1][0] + item[1][1] > 0.0]
        best = sorted(possible, key=lambda item: -(item[1][0] + item[1][1]))[:width]
        total = sum(b + o for _, (b, o) in best) or 1.0
        beams = {prefix: (b / total, o / total) for prefix, (b, o) in best}
    return list(beams)


def log_probability(distribution: Distribution, text: str, alphabet: str) -> float:
    """Return the natural logarithm of the probability of `text`, summed over all alignments.

    Characters outside the alphabet make the text impossible; impossible texts get a finite floor per character, so
    that one bad picture cannot veto a reading that the others agree on.
    """
    steps = distribution.shape[0]
    if any(c not in alphabet for c in text):
        return float(np.log(_FLOOR) * (len(text) + 1))
    labels = np.zeros(2 * len(text) + 1, dtype=np.intp)
    labels[1::2] = [alphabet.index(c) + 1 for c in text]
    emission = np.maximum(distribution[:, labels], _FLOOR)
    may_skip = np.zeros(len(labels), dtype=bool)
    may_skip[2:] = (labels[2:] != 0) & (labels[2:] != labels[:-2])
    forward = np.zeros(len(labels))
    forward[:2] = emission[0, :2]
    log_scale = 0.0
    for t in range(1, steps):
        moved = forward.copy()
        moved[1:] += forward[:-1]
        moved[2:] += np.where(may_skip[2:], forward[:-2], 0.0)
        forward = moved * emission[t]
        scale = forward.sum()
        if scale <= 0.0:
            return float(np.log(_FLOOR) * (len(text) + 1))
        forward /= scale
        log_scale += float(np.log(scale))
    end = float(forward[-2:].sum())
    if end <= 0.0:  # more characters than steps
        return float(np.log(_FLOOR) * (len(text) + 1))
    return float(np.log(end) + log_scale)


def candidates(distributions: Sequence[Distribution], alphabet: str, *, width: int = 6) -> list[str]:
    """Return every text that one of several pictures of a line proposes, without repeats, in order of appearance."""
    seen: dict[str, None] = {}
    for distribution in distributions:
        for text in beam(distribution, alphabet, width=width):
            seen.setdefault(text.strip())
    return [text for text in seen if text]
