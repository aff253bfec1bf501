"""One text from several pictures and two readers: nothing invented, agreement counts, grammar breaks ties only."""

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vision.lexicon import NoLexicon
from vision.observations import Reading
from vision.read import ctc
from vision.read.neural import ALPHABET
from vision.read.reconcile import Opinion, calibrated, glyphs, reconcile

Distribution = NDArray[np.float64]
NOTHING = NoLexicon()


class Fond:
    """A lexicon that is fond of some texts and of none else; its bounds are those of the protocol."""

    def __init__(self, liked: str, disliked: str = "") -> None:
        self.liked, self.disliked = liked, disliked

    def plausibility(self, text: str) -> float:
        return 4.0 if text == self.liked else -2.0 if text == self.disliked else 0.0


def picture(*places: Mapping[str, float]) -> Distribution:
    """The reader's output where each place shows one of several characters, with a blank after it."""
    rows = np.zeros((2 * len(places), len(ALPHABET) + 1))
    for index, place in enumerate(places):
        for character, probability in place.items():
            rows[2 * index, ALPHABET.index(character) + 1] = probability
        rows[2 * index, 0] += 1.0 - sum(place.values())
        rows[2 * index + 1, 0] = 1.0
    return rows


def word(text: str, sure: float = 1.0) -> list[Mapping[str, float]]:
    return [{c: sure} for c in text]


def doubtful(share: float) -> Distribution:
    """CV6522AP or CV65S2AP: the fifth character is 2 with a probability of `share`, else S."""
    return picture(*word("CV65"), {"2": share, "S": 1.0 - share}, *word("2AP"))


def opinion(
    pictures: list[Distribution], second: Reading | None = None, lexicon: NoLexicon | Fond = NOTHING
) -> Opinion:
    found = reconcile(pictures, second, lexicon)
    assert found is not None
    return found


def test_look_alikes_share_a_glyph_and_signs_count_for_nothing() -> None:
    assert glyphs("hds62256lp-10") == glyphs("HDS 62256LP 1O") == "HDS62256LPIO"
    assert glyphs("S8B2Z5") == "S8B2Z5"  # these are told apart in print


def test_clear_print_is_read_surely() -> None:
    found = opinion([picture(*word("8733 K2104"))])
    assert found.text == "8733 K2104"
    assert found.confidence == pytest.approx(1.0, abs=1e-3)
    assert found.readings == (Reading("rapidocr", "8733 K2104", 1.0),)


def test_nothing_seen_is_no_opinion() -> None:
    assert reconcile([picture({}, {}, {})], None, NOTHING) is None
    assert reconcile([picture({}, {}, {})], Reading("tesseract", "CV6522AP", 0.99), Fond("CV6522AP")) is None


def alignable(distribution: Distribution, text: str) -> bool:
    """Whether the text's characters follow each other in a picture, each at a step that shows it at least faintly."""
    step = 0
    for character in text:
        shown = distribution[step:, ALPHABET.index(character) + 1] > 1e-3
        if not shown.any():
            return False
        step += int(shown.argmax()) + 1
    return True


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1), st.text("0123456789ABCDEFGHOSZ", min_size=3, max_size=8))
def test_no_text_is_invented(seed: int, wished: str) -> None:
    """Whatever the second reader says and the grammar wishes for, the text is one that some picture shows."""
    rng = np.random.default_rng(seed)
    drawn = ["".join(rng.choice(list("CV6522APS8B0"), rng.integers(3, 7))) for _ in range(rng.integers(1, 4))]
    pictures = [picture(*word(text, float(rng.uniform(0.4, 1.0)))) for text in drawn]
    found = reconcile(pictures, Reading("tesseract", wished, 1.0), Fond(wished))
    assert found is not None
    assert any(alignable(p, found.text) for p in pictures)
    if not any(alignable(p, wished) for p in pictures):
        assert found.text != wished


def test_the_pictures_decide_together() -> None:
    """Two fair pictures outweigh a spoilt one that is sure of itself."""
    spoilt = picture(*word("CVE5"))
    fair = picture(*word("CV"), {"6": 0.8, "E": 0.2}, *word("5"))
    assert opinion([spoilt, fair, fair]).text == "CV65"
    assert opinion([spoilt, fair, fair]).readings[0].text == "CVE5"  # the plain picture's own reading stays visible


def test_agreement_of_the_second_reader_raises_confidence() -> None:
    alone = opinion([doubtful(0.6)])
    agreed = opinion([doubtful(0.6)], Reading("tesseract", "CV6522AP", 0.9))
    other = opinion([doubtful(0.6)], Reading("tesseract", "CV65S2AP", 0.9))
    assert alone.text == agreed.text == "CV6522AP"
    assert agreed.confidence > alone.confidence + 0.05
    assert other.confidence < alone.confidence
    assert [r.reader for r in agreed.readings] == ["rapidocr", "tesseract"]


def test_the_second_reader_is_understood_through_look_alikes() -> None:
    alone = opinion([picture(*word("HDS62256LP-1"), {"0": 0.6, "6": 0.4})])
    agreed = opinion([picture(*word("HDS62256LP-1"), {"0": 0.6, "6": 0.4})], Reading("tesseract", "HDS62256LP-1O", 0.5))
    assert agreed.text == alone.text == "HDS62256LP-10"
    assert agreed.confidence > alone.confidence


@pytest.mark.parametrize("share", [0.5, 0.45, 0.4])
def test_grammar_breaks_a_near_tie(share: float) -> None:
    assert opinion([doubtful(share)], lexicon=Fond("CV6522AP")).text == "CV6522AP"
    assert opinion([doubtful(1 - share)], lexicon=Fond("CV65S2AP")).text == "CV65S2AP"


@pytest.mark.parametrize("share", [0.05, 0.02])
def test_grammar_does_not_overrule_what_is_seen(share: float) -> None:
    """Even at the ends of its range: a re-marked piece's odd text must come out as it stands there."""
    assert opinion([doubtful(share)], lexicon=Fond("CV6522AP", disliked="CV65S2AP")).text == "CV65S2AP"


def test_grammar_and_second_reader_together_do_not_overrule_a_clear_picture() -> None:
    second = Reading("tesseract", "CV6522AP", 1.0)
    assert opinion([doubtful(0.01)], second, Fond("CV6522AP", disliked="CV65S2AP")).text == "CV65S2AP"


def test_confidence_falls_as_the_pictures_disagree() -> None:
    levels = [opinion([doubtful(share)]).confidence for share in (0.99, 0.9, 0.75, 0.6)]
    assert levels == sorted(levels, reverse=True)
    assert 0.0 < levels[-1] < 0.6 < levels[0] <= 1.0


def test_beam_proposals_are_what_competes() -> None:
    """The runner-up is among the candidates, so that it can be said to have been weighed."""
    assert set(ctc.candidates([doubtful(0.6)], ALPHABET)) == {"CV6522AP", "CV65S2AP"}


def test_confidence_said_is_how_often_such_lines_are_right() -> None:
    """Analytic: the map rises, and its value at even odds is the logistic of its first figure."""
    said = [calibrated(share) for share in np.linspace(0.0, 1.0, 101)]
    assert said == sorted(said)
    assert said[0] < 0.1
    assert said[-1] > 0.99
    assert calibrated(0.5) == pytest.approx(1 / (1 + np.exp(-1.4)), abs=1e-3)
