"""Quantities as people write them."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.bench.figures import percent, show, show_with_u
from tracker.bench.units import fraction, quantity, written
from tracker.errors import BadRequest


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("96 mA", "current", 0.096),
        ("96mA", "current", 0.096),
        ("12.5 uA", "current", 12.5e-6),
        ("12.5 µA", "current", 12.5e-6),  # micro sign
        ("12.5 μA", "current", 12.5e-6),  # Greek mu
        ("1e-3 A", "current", 1e-3),
        ("4.2MHz", "clock", 4.2e6),
        ("4.2 mhz", "clock", 4.2e6),
        ("4.2 Mhz", "clock", 4.2e6),
        ("32.768 kHz", "clock", 32768.0),
        ("0 Hz", "clock", 0.0),
        ("5V", "voltage", 5.0),
        ("-12 V", "voltage", -12.0),
        ("−12 V", "voltage", -12.0),  # minus sign
        ("90 min", "time", 5400.0),
        ("2 h", "time", 7200.0),
        ("0.7 eV", "energy", 0.7),
        # F = 1.8 C + 32: 25 C = 77 F, 125 C = 257 F, -40 both (exact by definition of the scale)
        ("77 F", "temperature", 25.0),
        ("257 F", "temperature", 125.0),
        ("-40 F", "temperature", -40.0),
        ("23 C", "temperature", 23.0),
        ("23 °C", "temperature", 23.0),
        ("273.15 K", "temperature", 0.0),
    ],
)
def test_reads_what_people_write(text: str, kind: str, value: float) -> None:
    assert quantity(text, kind) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "match"),
    [
        ("96", "current", "has no unit"),
        ("96 mV", "current", "is a voltage"),
        ("NaN", "current", "not a finite number"),
        ("nan mA", "current", "not a finite number"),
        ("-inf mA", "current", "not a finite number"),
        ("1e999 mA", "current", "not known"),
        ("9" * 400 + " mA", "current", "too large"),
        ("", "current", "empty"),
        ("mA", "current", "cannot be read"),
        ("4,2 mA", "current", "comma"),
        ("-3 mA", "current", "negative"),
        ("96 MA", "current", "outside what a bench can meet"),
        ("96 mA*2", "current", "not known"),
        ("96 mA V", "current", "is a power"),
        ("96 mol", "current", "something else"),
        ("5 C", "voltage", "is a temperature"),
        ("5 dogs", "time", "not known"),
        ("4 mHz", "clock", "too slow"),
        ("100 rpm", "clock", "is a rate"),
        ("-300 C", "temperature", "outside"),
        ("5 W", "voltage", "is a power"),
        ("__import__('os')", "current", "cannot be read"),
    ],
)
def test_refuses_the_rest_in_words(text: str, kind: str, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        quantity(text, kind)


@pytest.mark.parametrize(
    ("text", "step"), [("96 mA", 1e-3), ("96.0 mA", 1e-4), ("0.12 A", 0.01), ("1.5e-3 A", 1e-4), ("7. mA", 1e-3)]
)
def test_knows_the_step_of_the_last_digit(text: str, step: float) -> None:
    assert written(text, "current").step == pytest.approx(step, rel=1e-9)


@given(st.floats(1e-9, 900.0), st.sampled_from([("A", 1.0), ("mA", 1e-3), ("uA", 1e-6)]))
def test_every_current_comes_back(amperes: float, unit: tuple[str, float]) -> None:
    name, size = unit
    assert quantity(f"{amperes / size!r} {name}", "current") == pytest.approx(amperes, rel=1e-12)


@given(st.text(max_size=30))
def test_any_text_is_a_quantity_or_a_clear_refusal(text: str) -> None:
    for kind in ("current", "temperature"):
        with suppress(BadRequest):  # anything else that is raised fails the test
            assert -273.15 <= quantity(text, kind) <= 2000.0


def test_shares() -> None:
    assert fraction("0.95", "the confidence") == fraction("95 %", "the confidence") == 0.95
    assert fraction("0", "the margin", both_ends=True) == 0.0
    for text in ("95", "0", "1", "-0.1", "nan", "x", "5 mA", ""):
        with pytest.raises(BadRequest, match="cannot be the confidence"):
            fraction(text, "the confidence")


def test_shows_prefixes_and_digits() -> None:
    assert show(0.0962, "A") == "96.2 mA"
    assert show(0.99999, "A") == "1 A"
    assert show(0.0, "A") == "0 A"
    assert show(2.1e6, "Hz") == "2.1 MHz"
    assert show(13.6) == "13.6"
    assert show_with_u(0.0962, 0.0005, "A") == "96.20 ± 0.50 mA"
    assert show_with_u(54.9703, 0.123, "C") == "54.97 ± 0.12 C"
    assert show_with_u(1817.66, 24.009, "s") == "1818 ± 24 s"
    assert show_with_u(5e-3, None, "A") == "5 mA (uncertainty not known)"
    assert (percent(1.0), percent(0.0), percent(0.5)) == ("more than 99.9 %", "less than 0.1 %", "50.0 %")
