"""The conformity rule against numbers of JCGM 106:2012, ILAC-G8 and ISO 14253-1, as quoted elsewhere."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracker.bench import conformity
from tracker.errors import BadRequest


def test_jcgm_106_two_sided() -> None:
    # JCGM 106:2012 7.4, inputs as quoted by metrologyrules.com; result 0.66 from memory, digits from the normal table
    found = conformity.verdict(13.6, 1.8, lower=12.5, upper=16.3)
    assert found.probability == pytest.approx(0.66263, abs=1e-5)
    assert found.verdict == "undecided"


@pytest.mark.parametrize(
    ("value", "u", "limits", "expected"),
    [
        (-5.47, 0.05, {"upper": -5.40}, 0.91924),  # Zener diode, JCGM 106:2012 7.3; from memory, prints 0.92
        (509.7, 8.6, {"lower": 490.0}, 0.98901),  # burst strength, JCGM 106:2012 7.3; from memory, prints 0.99
        (10.0, 0.4, {"lower": 9.0, "upper": 11.0}, 1 - 0.01242),  # suncal test_risk.py, specific risk
        (10.5, 0.4, {"lower": 9.0, "upper": 11.0}, 1 - 0.10574),  # suncal test_risk.py, specific risk
    ],
)
def test_published_probabilities(value: float, u: float, limits: dict[str, float], expected: float) -> None:
    assert conformity.probability(value, u, **limits) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(("wanted", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_jcgm_106_table_1(wanted: float, z: float) -> None:
    # JCGM 106:2012 table 1, from memory; z has two decimals there
    low, high = (conformity.probability(0.0, 1.0, upper=z + step) for step in (-0.006, 0.006))
    assert low < wanted < high


@pytest.mark.parametrize(
    ("k", "risk"),
    [
        (2.0, 0.02275),  # ILAC-G8:2009: w = 1 U, below 2.5 %
        (1.66, 0.04846),  # ISO 14253-1:2017: w = 0.83 U at U = 2 u, below 5 %
        (3.0, 0.00135),  # three sigma: w = 1.5 U, below 0.16 %
    ],
)
def test_risk_at_the_acceptance_limit(k: float, risk: float) -> None:
    # Table of ILAC-G8:09/2019 as quoted by a HarperMetrology page; digits from the normal distribution
    at_limit = conformity.verdict(10.0 - k * 0.5, 0.5, upper=10.0, k=k)
    assert at_limit.verdict == "pass"
    assert 1 - at_limit.probability == pytest.approx(risk, abs=1e-5)


def test_iso_14253_style_example() -> None:
    # talalspecialbolt.com: MPE 0.003, U = 0.0010; deviation 0.0017 conforms, 0.0025 is not proven
    limits = {"lower": -0.003, "upper": 0.003}
    assert conformity.verdict(0.0017, 0.0005, **limits).verdict == "pass"
    assert conformity.verdict(0.0025, 0.0005, **limits).verdict == "undecided"
    assert conformity.verdict(0.0041, 0.0005, **limits).verdict == "fail"


def test_far_tails_keep_their_digits() -> None:
    # 20 to 21 sigma beyond the limits: 2.75e-89, from SciPy's normal tail
    found = conformity.probability(0.0, 1.0, lower=20.0, upper=21.0)
    assert found == pytest.approx(float(stats.norm.sf(20) - stats.norm.sf(21)), rel=1e-9)
    assert found > 0


def test_few_degrees_of_freedom_widen_the_doubt() -> None:
    many = conformity.probability(9.0, 0.5, upper=10.0)
    few = conformity.probability(9.0, 0.5, upper=10.0, dof=3)
    assert few == pytest.approx(float(stats.t(3).cdf(2.0)), rel=1e-12)
    assert few < many


@given(
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e2),
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e3),
    st.sampled_from([1.0, 2.0, 3.0]),
)
def test_bounds_and_symmetry(value: float, u: float, lower: float, width: float, k: float) -> None:
    upper = lower + width
    found = conformity.verdict(value, u, lower=lower, upper=upper, k=k)
    assert 0.0 <= found.probability <= 1.0
    mirrored = conformity.verdict(-value, u, lower=-upper, upper=-lower, k=k)
    assert mirrored.verdict == found.verdict
    assert mirrored.probability == pytest.approx(found.probability, abs=1e-9)
    if found.verdict == "pass":
        assert lower <= value <= upper
        assert found.probability >= float(stats.norm.cdf(k) - stats.norm.sf(k)) - 1e-6
    if found.verdict == "fail":
        assert found.probability <= float(stats.norm.sf(k)) + 1e-6


def test_the_boundary_belongs_to_the_pass() -> None:
    assert conformity.verdict(0.1, 0.1, upper=0.3).verdict == "pass"  # 0.3 - 0.2 is 0.09999999999999998 in binary
    assert conformity.verdict(0.1001, 0.1, upper=0.3).verdict == "undecided"
    assert conformity.verdict(0.5, 0.1, upper=0.3).verdict == "undecided"
    assert conformity.verdict(0.5001, 0.1, upper=0.3).verdict == "fail"


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"value": math.nan, "u": 1.0, "upper": 1.0}, "value must be a finite number"),
        ({"value": 1.0, "u": math.inf, "upper": 1.0}, "uncertainty must be a finite number"),
        ({"value": 1.0, "u": 0.0, "upper": 1.0}, "above 0"),
        ({"value": 1.0, "u": -1.0, "upper": 1.0}, "above 0"),
        ({"value": 1.0, "u": 1.0}, "no limit"),
        ({"value": 1.0, "u": 1.0, "lower": 2.0, "upper": 1.0}, "not below"),
        ({"value": 1.0, "u": 1.0, "upper": 1.0, "k": 0.0}, "coverage factor"),
        ({"value": 1.0, "u": 1.0, "upper": 1.0, "k": math.nan}, "coverage factor"),
    ],
)
def test_refusals(arguments: dict[str, float], match: str) -> None:
    value, u = arguments.pop("value"), arguments.pop("u")
    with pytest.raises(BadRequest, match=match):
        conformity.verdict(value, u, **arguments)  # type: ignore[arg-type]
