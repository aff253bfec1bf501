"""Families and packages against the texts they come from."""

import tomllib
from pathlib import Path

import pytest

import tracker.knowledge
from tracker.knowledge.families import for_part
from tracker.knowledge.packages import outline, outlines


def limit(part, temp_c, words):
    return next(c for c in for_part(part).currents if c.temp_c == temp_c and words in c.what)


def test_74hc_limits():
    # Data sheets MM74HC04 and MM74HC02 (gates) and CD74HCT147 (MSI): ICC at 6 V.
    assert [limit("MM74HC04N", t, "gates").max_a for t in (25, 85, 125)] == [2e-6, 20e-6, 40e-6]
    assert [limit("CD74HC147E", t, "MSI").max_a for t in (25, 85, 125)] == [8e-6, 80e-6, 160e-6]
    assert limit("MM74HC04N", 25, "gates").supply_v == 6.0


def test_74hct_unit_load():
    # Data sheet CD74HCT147: 100 uA typical, 360 uA at most at 25 C.
    unit = limit("CD74HCT147E", 25, "unit load")
    assert (unit.typ_a, unit.max_a) == (100e-6, 360e-6)


def test_74ls00_limits_and_the_familys_power():
    # SDLS025B: ICCH 0.8 / 1.6 mA, ICCL 2.4 / 4.4 mA. Their typical mean is the family's 2 mW a gate at 5 V
    # (table of the 74 series, gunkies.org): 4 gates * 2 mW / 5 V = 1.6 mA.
    high, low = for_part("SN74LS00N").currents
    assert (high.typ_a, high.max_a, low.typ_a, low.max_a) == (0.8e-3, 1.6e-3, 2.4e-3, 4.4e-3)
    assert (high.typ_a + low.typ_a) / 2 == pytest.approx(4 * 2e-3 / 5)


def test_4000b_limits():
    # Data sheets MC14001B and MC14011B: 0.25 uA at 25 C and 7.5 uA at 125 C, 5 V; MC14512B: 5 and 150 uA.
    assert limit("MC14011BCP", 25, "gates").max_a == 0.25e-6
    assert limit("MC14001BCP", 125, "gates").max_a == 7.5e-6
    assert [limit("MC14512BCP", t, "MSI").max_a for t in (25, 125)] == [5e-6, 150e-6]


@pytest.mark.parametrize(
    ("part", "technology", "clock_hz"),
    [
        ("MCS6502A", "NMOS", 2e6),
        ("MCS6502", "NMOS", 1e6),
        ("R65C02P2", "CMOS", 2e6),
        ("MC68000L10", "NMOS", 10e6),
        ("P8088-2", "NMOS", 8e6),
        ("CV6522AP", "CMOS", 2e6),
        ("CV6522AP-2", "CMOS", 4e6),
        ("SN74S00N", "bipolar", None),
    ],
)
def test_technology_and_clock_grade(part, technology, clock_hz):
    family = for_part(part)
    assert family.technology.value == technology
    assert (family.clock_hz.value if family.clock_hz else None) == clock_hz


def test_unknown_parts_have_no_family():
    assert for_part("XYZ") is None
    assert for_part("") is None
    assert for_part("QQ998877") is None


def test_invented_parts_say_so():
    family = for_part("HDS62256LP-10")
    assert family.invented
    assert all(c.source == "invented for the demo" for c in family.currents)
    assert not for_part("HM62256LP-10").invented


@pytest.mark.parametrize("path", sorted(Path(tracker.knowledge.__file__).parent.glob("*.toml")), ids=lambda p: p.name)
def test_every_entry_of_the_data_has_a_source(path):
    def check(value, where):
        if isinstance(value, list):
            for i, item in enumerate(value):
                check(item, f"{where}[{i}]")
        elif isinstance(value, dict):
            scalars = {k for k, v in value.items() if not isinstance(v, dict | list)} - {"source"}
            if scalars and where.rsplit(".", 1)[-1] not in {"grades", "letters"}:
                assert value.get("source", "").strip(), where
            for key, item in value.items():
                check(item, f"{where}.{key}")

    check(tomllib.loads(path.read_text()), path.name)


def test_published_outlines():
    # TI NTD (MS-011-AB): 35.05 to 39.75 by 12.32 to 14.73, rows 15.24. Intersil M8.15 (MS-012-AA): 4.80 to 5.00.
    dip28 = outline("DIP-28")
    assert (dip28.length_mm, dip28.width_mm, dip28.row_mm) == ((35.05, 39.75), (12.32, 14.73), 15.24)
    assert outline("soic8").length_mm == (4.80, 5.00)
    assert outline("PLCC-44").width_mm == (16.51, 16.66)  # Microchip C04-048
    assert outline("DIP-39") is None


def test_pins_fit_on_the_body():
    for o in outlines():
        per_side = o.pins / (4 if o.name.startswith("PLCC") else 2)
        assert (per_side - 1) * o.pitch_mm < o.length_mm[0], o.name
