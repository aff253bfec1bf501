"""Arrhenius factors against published ones."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.bench import life
from tracker.errors import BadRequest


@pytest.mark.parametrize(
    ("cool", "hot", "ea", "published", "tolerance"),
    [
        (25, 125, 0.5, 133, 0.005),  # NIST/SEMATECH e-Handbook 8.1.5.1
        (55, 150, 0.7, 258, 0.006),  # Analog Devices reliability calculator page; k and T0 as chosen there
        (55, 135, 0.7, 128, 0.005),  # the same
        (55, 125, 0.7, 77, 0.01),  # the same, printed without decimals
        (55, 85, 0.7, 8, 0.01),  # the same
        (40, 125, 0.5, 52, 0.005),  # ABLIC reliability page
        (60, 100, 1.2, 88.29574588463338, 1e-5),  # documentation of the Python package 'reliability'
    ],
)
def test_published_factors(cool: float, hot: float, ea: float, published: float, tolerance: float) -> None:
    assert life.factor(hot, cool, ea_ev=ea).factor == pytest.approx(published, rel=tolerance)


@given(st.floats(-60, 200), st.floats(-60, 200), st.floats(0.1, 1.5))
def test_there_and_back_is_one(first: float, second: float, ea: float) -> None:
    there, back = life.factor(first, second, ea_ev=ea), life.factor(second, first, ea_ev=ea)
    assert there.factor * back.factor == pytest.approx(1.0, rel=1e-9)
    assert (there.factor >= 1.0) == (second <= first) or math.isclose(there.factor, 1.0, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ((-273.15, 25, 0.7), "absolute zero"),
        ((125, 25, 0.0), "activation energy"),
        ((125, -273.0, 0.7), "beyond any number"),
    ],
)
def test_refusals(arguments: tuple[float, float, float], match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        life.factor(arguments[0], arguments[1], ea_ev=arguments[2])
