"""What answers in SCPI mean, and which texts are VISA resources."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.errors import BadRequest
from tracker.instruments import scpi
from tracker.instruments.visa import is_resource

CURRENT, TEMPERATURE = scpi.quantity("current"), scpi.quantity("temperature")


@pytest.mark.parametrize(
    ("text", "value", "step"),
    [
        # The three forms of numbers of IEEE 488.2: NR1, NR2, NR3.
        ("96", 96.0, 1.0),
        ("+0.0962", 0.0962, 1e-4),
        ("+9.62000000E-02", 0.0962, 1e-10),
        ("-1.5E-03\r", -1.5e-3, 1e-4),
        ("9.62E-02 A", 0.0962, 1e-4),
        ("  12.E-3 ", 0.012, 1e-3),
    ],
)
def test_numbers_as_instruments_write_them(text: str, value: float, step: float) -> None:
    found = scpi.understand(text, CURRENT)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.step == pytest.approx(step, rel=1e-9)
    assert found.said == ""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: infinity is 9.9E37, not a number 9.91E37.
        ("9.9E37", "Overload"),
        ("+9.90000000E+37", "Overload"),
        ("-9.9E+37", "Overload"),
        ("1E38", "Overload"),
        ("9.91E37", "no value to give"),
        ("+9.91000000E+37", "no value to give"),
        ("1E999", "too large"),
        ("", "empty line"),
        ("OVLD", "'OVLD', which is not a number"),
        ("nan", "'nan', which is not a number"),
        ("1.2,3.4", "several values"),
        ("12 mA", "where a bare number in A is due"),
        ("12 V", "where a bare number in A is due"),
        ("\x00\xff\x1b[2J", "not a number"),
        ("x" * 5000, "xxx..."),
    ],
)
def test_answers_without_a_value_say_why(text: str, told: str) -> None:
    found = scpi.understand(text, CURRENT)
    assert found.value is None
    assert told in found.said
    assert found.said.isprintable()
    assert len(found.said) < 200


@pytest.mark.parametrize(
    ("answer", "unit", "celsius"),
    # Fixed points of the definitions: water boils at 212 F, 0 C is 273.15 K.
    [("25.0", "C", 25.0), ("212", "F", 100.0), ("32", "F", 0.0), ("273.15", "K", 0.0)],
)
def test_temperatures_are_kept_in_celsius(answer: str, unit: str, celsius: float) -> None:
    assert scpi.understand(answer, TEMPERATURE, temperature_in=unit).value == pytest.approx(celsius, abs=1e-9)


def test_values_that_cannot_be_are_refused() -> None:
    assert "lower than any temperature" in scpi.understand("-300", TEMPERATURE).said
    assert "lower than any frequency" in scpi.understand("-1", scpi.quantity("frequency")).said
    with pytest.raises(BadRequest, match="nothing that can be read"):
        scpi.quantity("inductance")


def test_units_of_temperature_as_instruments_say_them() -> None:
    # SCPI-1999, UNIT:TEMPerature: C or CEL, F or FAR, K.
    assert [scpi.unit_of_temperature(text) for text in ("C", '"CEL"', "far", "K\r", "RANKINE")] == [
        "C",
        "C",
        "F",
        "K",
        None,
    ]


@given(st.floats(min_value=-1e6, max_value=1e6))
def test_any_number_comes_back_as_it_was_written(value: float) -> None:
    assert scpi.understand(f"{value:+.12E}", CURRENT).value == float(f"{value:+.12E}")


@given(st.text(max_size=60))
def test_no_text_is_ever_taken_for_what_it_is_not(text: str) -> None:
    found = scpi.understand(text, CURRENT)
    assert (found.value is None) == bool(found.said)


@pytest.mark.parametrize(
    ("text", "resource"),
    [
        ("TCPIP::192.0.2.7::5025::SOCKET", True),
        ("tcpip0::192.0.2.7::inst0::INSTR", True),
        ("USB0::0x1234::0x5678::SN01::INSTR", True),
        ("GPIB0::22::INSTR", True),
        ("ASRL/dev/ttyUSB0::INSTR", True),
        ("Penhallow PM-6, serial 17", False),
        ("USB meter", False),
        ("std::vector", False),
        ("", False),
    ],
)
def test_resources_are_told_from_names(text: str, resource: bool) -> None:
    assert is_resource(text) is resource
