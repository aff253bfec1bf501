"""Thermocouples and thermistors against printed tables."""

import numpy as np
import pytest

from tracker.bench import thermometry
from tracker.bench.thermometry import Thermistor
from tracker.bench.units import quantity
from tracker.errors import BadRequest

# NIST ITS-90 table of type K, degrees Celsius and millivolts, as printed to three decimals: -200, -190, -150
# (instrument maker's Table 9), -50, -10 (another maker's table), 350 (a third one's); 25, 100, 200, 300, 500 and 1372
# agree with the same table as remembered.
PRINTED_K = [
    (-200, -5.891),
    (-190, -5.730),
    (-150, -4.913),
    (-50, -1.889),
    (-10, -0.392),
    (0, 0.0),
    (25, 1.000),
    (100, 4.096),
    (200, 8.138),
    (300, 12.209),
    (350, 14.293),
    (500, 20.644),
    (1372, 54.886),
]


@pytest.mark.parametrize(("temp_c", "emf_mv"), PRINTED_K)
def test_type_k_as_printed(temp_c: float, emf_mv: float) -> None:
    assert float(thermometry.type_k_emf_mv(temp_c)) == pytest.approx(emf_mv, abs=0.00051)
    # half a microvolt of rounding is 0.013 K at room temperature and 0.03 K at -200 C
    assert float(thermometry.type_k_temp_c(emf_mv)) == pytest.approx(temp_c, abs=0.04)


def test_type_k_there_and_back() -> None:
    t = np.linspace(-269.0, 1372.0, 4001)
    assert thermometry.type_k_temp_c(thermometry.type_k_emf_mv(t)) == pytest.approx(t, abs=1e-4)
    warm = t[(t > -200) & (t < 1300)]
    assert thermometry.type_k_temp_c(thermometry.type_k_emf_mv(warm)) == pytest.approx(warm, abs=1e-8)


def test_the_cold_junction_is_added_as_an_emf() -> None:
    measured = thermometry.type_k_emf_mv(100.0) - thermometry.type_k_emf_mv(25.0)
    assert float(thermometry.type_k_temp_c(measured, 25.0)) == pytest.approx(100.0, abs=1e-6)
    added = float(thermometry.type_k_temp_c(measured)) + 25.0  # temperatures do not add
    assert abs(added - 100.0) > 0.3


@pytest.mark.parametrize("emf", [60.0, -7.0, float("nan")])
def test_an_emf_no_thermocouple_gives(emf: float) -> None:
    with pytest.raises(BadRequest, match="emf"):
        thermometry.type_k_temp_c([1.0, emf])


def test_a_thermistor_by_steinhart_and_hart() -> None:
    # 10 kohm at 25 C of the curve called B or 2.2k-type 'Z' by some; coefficients and ohms at 0, 25, 50 and 100 C as
    # in common data sheets, from memory
    found = Thermistor(1.129241e-3, 2.341077e-4, 8.775468e-8)
    assert found.temp_c([32650.0, 10000.0, 3603.0, 678.3]) == pytest.approx([0.0, 25.0, 50.0, 100.0], abs=0.02)
    # another curve, 10 kohm at 25 C: a fit through 0, 25 and 50 C tells 75 and 100 C (ohms from memory)
    other = Thermistor.through([(0.0, 29490.0), (25.0, 10000.0), (50.0, 3893.0)])
    assert other.temp_c([1700.0, 816.8]) == pytest.approx([75.0, 100.0], abs=0.05)


def test_a_thermistor_by_beta_is_its_definition() -> None:
    found = thermometry.thermistor("B=3950 K, 10 kohm at 25 C")
    assert float(found.temp_c(10_000.0)) == pytest.approx(25.0, abs=1e-9)
    ohm = 10_000.0 * np.exp(3950.0 * (1 / 323.15 - 1 / 298.15))  # R = R0 exp(B (1/T - 1/T0))
    assert float(found.temp_c(ohm)) == pytest.approx(50.0, abs=1e-9)
    assert thermometry.thermistor("beta = 3950, 10000 ohm at 77 F").b == pytest.approx(found.b)
    assert thermometry.thermistor("A=1e-3, b=2e-4, C=1e-7") == Thermistor(1e-3, 2e-4, 1e-7)


@pytest.mark.parametrize(
    "text", ["", "10 kohm", "B=3950 K", "B=3950 K, 10 kohm", "A=1, B=2", "B=x, 10 kohm at 25 C", "A=1, B=2, C=x"]
)
def test_what_is_no_thermistor(text: str) -> None:
    with pytest.raises(BadRequest):
        thermometry.thermistor(text)


@pytest.mark.parametrize("ohm", [0.0, -5.0, float("nan"), 1e-12])
def test_what_is_no_resistance(ohm: float) -> None:
    with pytest.raises(BadRequest, match="resistance"):
        Thermistor(1.129241e-3, 2.341077e-4, 8.775468e-8).temp_c([ohm])


def test_differences_of_temperature_have_no_zero_point() -> None:
    assert quantity("45 K", "temperature difference") == 45.0
    assert quantity("45 C", "temperature difference") == 45.0
    assert quantity("81 F", "temperature difference") == pytest.approx(45.0)
    assert quantity("77 F", "temperature") == pytest.approx(25.0)
    with pytest.raises(BadRequest, match="is a voltage"):
        quantity("45 V", "temperature difference")
