"""Combined uncertainty against the GUM's own examples (JCGM 100:2008), as quoted by the GTC project and others."""

import math

import pytest
from scipy import stats

from tracker.bench.uncertainty import (
    Component,
    combine,
    coverage_factor,
    effective_dof,
    rectangular,
    type_a,
    whole_dof,
)

# GUM H.1, the end gauge, in nanometres; inputs and full-precision results as in GTC's test_uncertain_real_dof.py
# (sensitivities at the nominal length of 50 mm)
END_GAUGE = [
    Component("l_s", 25.0, dof=18),
    Component("d mean", 5.8, dof=24),
    Component("d random", 3.9, dof=5),
    Component("d systematic", 6.7, dof=8),
    Component("delta alpha", rectangular(1e-6), sensitivity=5e7 * 0.1, dof=50),
    Component("delta theta", rectangular(0.05), sensitivity=-5e7 * 11.5e-6, dof=2),
]


def test_gum_h1_end_gauge() -> None:
    found = combine(END_GAUGE)
    assert found.u == pytest.approx(31.6637674111, rel=1e-9)
    assert found.dof == pytest.approx(16.7521475092, rel=1e-9)
    assert whole_dof(found.dof) == 16.0  # as the GUM prints it


def test_gum_h1_difference_of_lengths() -> None:
    found = combine(END_GAUGE[1:4])
    assert found.u == pytest.approx(9.68194195397, rel=1e-10)
    assert found.dof == pytest.approx(25.4472507774, rel=1e-10)


def test_gum_h1_temperature_of_the_bed() -> None:
    bed = combine([Component("mean", 0.2), Component("cycle", 0.5 / math.sqrt(2))])  # cyclic: GUM H.1.3.4
    assert bed.u == pytest.approx(0.406201920232, rel=1e-10)  # GTC, as above


def test_rounding_the_combined_uncertainty_first_would_show() -> None:
    # propagate's short form of H.1: 17.47 with u_c rounded to 32, 16.76 unrounded. (Worked out with the formula.)
    short = [Component(str(i), u, dof=nu) for i, (u, nu) in enumerate([(25, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)])]
    assert effective_dof(32.0, short) == pytest.approx(17.47, abs=0.01)
    assert combine(short).dof == pytest.approx(16.76, abs=0.01)


def test_gum_g41_is_19_and_not_18() -> None:
    # GUM G.4.1 example: n = 10, 5, 15 give nu_eff = 19; unrounded it is 18.999, which must not be cut to 18.
    parts = [Component("a", 0.25, dof=9), Component("b", 0.57, dof=4), Component("c", 0.82, dof=14)]
    found = combine(parts)
    assert found.dof == pytest.approx(18.999, abs=0.002)
    assert whole_dof(found.dof) == 19.0
    # t95(19) = 2.093: GUM table G.2, from memory
    assert coverage_factor(found.dof, 0.95) == pytest.approx(2.093, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "sensitivities", "u"),
    [
        # R = (V/I) cos phi, X = (V/I) sin phi, Z = V/I at V = 4.999, I = 0.019661, phi = 1.04446
        ("R", lambda v, i, p: (math.cos(p) / i, -v * math.cos(p) / i**2, -v * math.sin(p) / i), 0.070),
        ("X", lambda v, i, p: (math.sin(p) / i, -v * math.sin(p) / i**2, v * math.cos(p) / i), 0.30),
        ("Z", lambda v, i, p: (1 / i, -v / i**2, 0.0), 0.24),
    ],
)
def test_gum_h2_correlated_inputs(name: str, sensitivities, u: float) -> None:  # type: ignore[no-untyped-def]
    # GUM H.2 as quoted in GTC's documentation: R = 127.732(70), X = 219.85(30), Z = 254.26(24) ohm
    c_v, c_i, c_phi = sensitivities(4.999, 0.019661, 1.04446)
    parts = [Component("V", 0.0032, c_v), Component("I", 9.5e-6, c_i), Component("phi", 7.5e-4, c_phi)]
    found = combine(parts, {("V", "I"): -0.36, ("V", "phi"): 0.86, ("I", "phi"): -0.65})
    assert found.u == pytest.approx(u, rel=0.03), name  # two printed digits


def test_gum_522_fully_correlated_resistors() -> None:
    # GUM 5.2.2: ten resistors calibrated against one standard, 0.1 ohm each: 1 ohm together, 0.32 uncorrelated
    ten = [Component(str(i), 0.1) for i in range(10)]
    pairs = {(str(i), str(j)): 1.0 for i in range(10) for j in range(i)}
    assert combine(ten, pairs).u == pytest.approx(1.0, rel=1e-12)
    assert combine(ten).u == pytest.approx(0.1 * math.sqrt(10), rel=1e-12)


def test_type_a_is_scipys_standard_error() -> None:
    readings = [96.1, 95.8, 96.4, 96.0]
    assert type_a(readings).u == pytest.approx(float(stats.sem(readings)), rel=1e-12)
    assert type_a(readings).dof == 3
    with pytest.raises(ValueError, match="one reading"):
        type_a([1.0])


def test_tiny_units_do_not_vanish() -> None:
    nano = [Component("a", 1e-95, dof=4), Component("b", 2e-95, dof=9)]
    plain = [Component("a", 1.0, dof=4), Component("b", 2.0, dof=9)]
    assert combine(nano).dof == pytest.approx(combine(plain).dof, rel=1e-9)


def test_exact_knowledge_has_infinite_freedom() -> None:
    assert math.isinf(combine([Component("a", 1.0)]).dof)
    assert coverage_factor(math.inf) == pytest.approx(2.0, abs=1e-3)  # 95.45 % is two sigma
    with pytest.raises(ValueError, match="no such correlation"):
        combine([Component("a", 1.0)], {("a", "b"): 0.5})
