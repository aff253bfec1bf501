"""From several pictures of one line and two readers' opinions to one text and a confidence.

Nothing is invented: only texts that a reader proposed from some picture of the line compete. Each is scored by the
probability that the neural reader's outputs give it over all pictures, by the trade's grammar (the lexicon), and by
whether the second reader saw the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.lexicon import Lexicon
from vision.observations import Reading
from vision.read import ctc, neural

# Glyphs that many marking fonts share or nearly share; used when two opinions are compared, never to rewrite one.
_SAME_GLYPH = str.maketrans({"0": "O", "1": "I", "l": "I", "|": "I"})

# How far grammar and the second reader may sway the choice, in natural-log units. Common practice, no source: set so
# that both together cannot overrule a picture that is plain (see the tests), not so that the most lines are read.
_GRAMMAR_WEIGHT = 0.45
_SECOND_READER = 0.8
# Below this the pictures disagree so much that the line is left out. Common practice, no source.
LEAST_CONFIDENCE = 0.08


@dataclass(frozen=True, slots=True)
class Opinion:
    """The reconciled text of one line, how sure it is (0 to 1), and every reader's own."""

    text: str
    confidence: float
    readings: tuple[Reading, ...]


# How often lines of a certain agreement were right: log odds = first + second x log odds of the agreement (Platt 1999,
# 'Probabilistic outputs for support vector machines'). Fitted to 392 lines of rendered photos of loose chips and 216
# lines of real ones, none held back, and rounded to the cautious side.
_ODDS, _SLOPE = 1.4, 0.8
_SUREST = 0.999


def calibrated(agreement: float) -> float:
    """Return how likely a line is right, from how far pictures, grammar and readers agree on it.

    Parameters
    ----------
    agreement : float
        0 to 1, as an `Opinion` carries it.

    Returns
    -------
    float
        0 to 0.999.
    """
    held = float(np.clip(agreement, 1.0 - _SUREST, _SUREST))
    odds = _ODDS + _SLOPE * float(np.log(held / (1.0 - held)))
    return min(_SUREST, round(1.0 / (1.0 + float(np.exp(-odds))), 3))


def glyphs(text: str) -> str:
    """Return a text as its bare glyphs: upper case, letters and digits only, look-alikes folded."""
    return "".join(c for c in text.upper() if c.isalnum()).translate(_SAME_GLYPH)


def reconcile(distributions: Sequence[ctc.Distribution], second: Reading | None, lexicon: Lexicon) -> Opinion | None:
    """Choose one text for a line.

    Parameters
    ----------
    distributions : sequence of ndarray, shape (T, len(ALPHABET) + 1)
        The neural reader's outputs for several pictures of the line, the plain one first.
    second : Reading or None
        The other reader's opinion.
    lexicon : Lexicon

    Returns
    -------
    Opinion or None
        None where no reader saw any character.
    """
    texts = ctc.candidates(distributions, neural.ALPHABET, width=4)
    if not texts:
        return None
    first_text, first_confidence = ctc.greedy(distributions[0], neural.ALPHABET)
    seen = np.array([_support(distributions, text) for text in texts])
    swayed = seen + [_sway(text, second, lexicon) for text in texts]
    best = int(swayed.argmax())
    shares = np.exp(swayed - swayed.max())
    share = float(shares[best] / shares.sum())
    readings = [Reading(neural.NAME, first_text.strip(), round(first_confidence, 3))]
    if second is not None:
        readings.append(second)
    confidence = min(1.0, float(np.exp(seen[best]))) ** 0.5 * share
    return Opinion(texts[best], round(confidence, 3), tuple(readings))


def _support(distributions: Sequence[ctc.Distribution], text: str) -> float:
    """Mean log probability over the pictures, the worst third left out: a spoilt picture must not decide."""
    values = sorted((ctc.log_probability(d, text, neural.ALPHABET) for d in distributions), reverse=True)
    return float(np.mean(values[: max(1, len(values) - len(values) // 3)]))


def _sway(text: str, second: Reading | None, lexicon: Lexicon) -> float:
    grammar = _GRAMMAR_WEIGHT * lexicon.plausibility(text)
    agrees = second is not None and glyphs(second.text) == glyphs(text)
    return grammar + (_SECOND_READER if agrees else 0.0)
