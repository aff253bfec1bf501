"""The lexicon prefers the well-formed of two similar readings."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tracker.knowledge.lexicon import countries, lexicon, words


def plausibility(text):
    return lexicon().plausibility(text)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("SN74LS245N", "5N74L5245N"),
        ("SN74LS245N", "SN74L5245N"),
        ("SN74LS158N", "SN74LS15BN"),
        ("SN74S158N", "SN74515BN"),
        ("HD74LS148P", "HD74LSI48P"),
        ("MC6840P", "MC684OP"),
        ("MC6840P", "MC68A0P"),
        ("HM6264LP-15", "HM626ALP-I5"),
        ("CD4013BE", "CD40138E"),
        ("AM2910DC", "AMZ910DC"),
        ("CV6522AP", "CV65Z2AP"),
        ("HDS62256LP-10", "HD562256LP-10"),
        ("MALAYSIA", "MALAY5IA"),
        ("PHILIPPINES 8841", "PHIL1PPINES 8841"),
        ("8841", "B841"),
        ("8841", "88A1"),
        ("JAPAN 8841", "JAPAN 88A1"),
    ],
)
def test_the_right_reading_scores_higher(right, wrong):
    assert plausibility(right) > plausibility(wrong)


SWAPS = {"0": "O", "1": "I", "2": "Z", "5": "S", "8": "B", "S": "5", "B": "8", "L": "1", "D": "0"}
NUMBERS = ("00", "04", "08", "32", "74", "85", "138", "151", "158", "240", "245", "373", "574")


@given(
    st.sampled_from(["SN", "DM", "HD", "MC", "CV"]),
    st.sampled_from(["LS", "HC", "HCT", "ALS", "F"]),
    st.sampled_from(NUMBERS),
    st.sampled_from(["N", "P"]),
    st.data(),
)
def test_one_misread_glyph_never_raises_a_logic_part(prefix, family, number, package, data):
    part = f"{prefix}74{family}{number}{package}"
    places = [i for i, c in enumerate(part) if c in SWAPS]
    assume(places)
    place = data.draw(st.sampled_from(places))
    misread = part[:place] + SWAPS[part[place]] + part[place + 1 :]
    assert plausibility(misread) < plausibility(part)


@given(st.text(max_size=60))
def test_bounded(text):
    assert -2.0 <= plausibility(text) <= 4.0


def test_case_and_vocabulary():
    assert plausibility("japan") == plausibility("JAPAN") > 2
    assert "HONG KONG" in countries()
    assert {"HONG", "KONG", "CORVANE", "COMPUTER"} <= words()
    assert plausibility("") == -2.0
