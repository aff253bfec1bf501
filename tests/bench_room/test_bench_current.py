"""Supply current: verdicts, the line, and which technology it speaks for."""

import numpy as np
import pytest

from tracker.bench import current, limits, technology
from tracker.bench.current import Reading
from tracker.bench.limits import Limit, NoLimit
from tracker.errors import BadRequest
from tracker.knowledge.families import for_part

TEN_MA = limits.given(0.010, "data sheet, invented")


def _line(*pairs: tuple[float, float]) -> list[Reading]:
    return [Reading(current_a, clock_hz) for clock_hz, current_a in pairs]


def test_ten_times_the_limit_fails_and_half_of_it_passes() -> None:
    over = current.evaluate([Reading(0.100, 2e6, step_a=1e-3)], TEN_MA)
    assert over.verdict == "fail"
    assert over.conformity is not None
    assert over.conformity.probability < 1e-6
    assert "upper limit 10 mA" in over.rule
    assert current.evaluate([Reading(0.005, 2e6, step_a=1e-4)], TEN_MA).verdict == "pass"


def test_close_to_the_limit_is_undecided_unless_the_meter_is_good() -> None:
    assert current.evaluate([Reading(0.0098, 2e6, u_a=0.0002)], TEN_MA).verdict == "undecided"
    assert current.evaluate([Reading(0.0098, 2e6, u_a=0.00005)], TEN_MA).verdict == "pass"
    assert current.evaluate([Reading(0.0102, 2e6, u_a=0.00005)], TEN_MA).verdict == "fail"


def test_without_a_limit_nothing_is_decided() -> None:
    found = current.evaluate([Reading(0.1, 2e6)], NoLimit("None is known."))
    assert (found.verdict, found.reasons, found.conformity) == ("undecided", ("None is known.",), None)


def test_averaging_does_not_make_the_meter_better() -> None:
    repeated = [Reading(0.0050 + d, 1e6, u_a=0.0003) for d in (-1e-5, 0.0, 1e-5, 0.0) * 25]
    found = current.evaluate(repeated, TEN_MA)
    assert found.u_a >= 0.0003
    assert found.u_a == pytest.approx(0.0003, rel=0.01)


def test_scatter_counts_and_few_readings_widen_the_guard_band() -> None:
    found = current.evaluate([Reading(i, 1e6, u_a=1e-6) for i in (0.0040, 0.0050, 0.0060)], TEN_MA)
    assert found.u_a == pytest.approx(0.001 / np.sqrt(3), rel=1e-5)
    assert found.conformity is not None
    # Student's t for 95.45 % at 2 degrees of freedom: 4.53 (GUM table G.2, from memory)
    assert found.conformity.k == pytest.approx(4.53, abs=0.005)


def test_nothing_at_all_is_not_a_pass() -> None:
    found = current.evaluate([Reading(0.0, 2e6, step_a=1e-4)], TEN_MA)
    assert found.verdict == "undecided"
    assert "none at all" in found.reasons[0]


def test_the_line_gives_the_current_at_the_limits_clock() -> None:
    at_two = limits.given(0.010, "data sheet, invented", at_hz=2e6)
    found = current.evaluate(_line((0.5e6, 1.1e-3), (1e6, 2.1e-3), (4e6, 8.1e-3)), at_two)
    assert found.current_a == pytest.approx(4.1e-3, rel=1e-9)
    assert found.at_hz == 2e6
    assert found.fitted is not None
    assert found.fitted.static_a.value == pytest.approx(1e-4, rel=1e-6)
    assert found.fitted.slope_a_per_hz.value == pytest.approx(2e-9, rel=1e-9)


def test_a_pass_contradicted_by_the_line_is_undecided() -> None:
    generous = limits.given(0.200, "data sheet, invented")
    readings = _line((0.5e6, 69e-3), (1e6, 69.5e-3), (2e6, 70.5e-3))
    assert current.evaluate(readings, generous).verdict == "pass"
    found = current.evaluate(readings, generous, claimed_technology="CMOS")
    assert found.verdict == "undecided"
    assert "claimed to be CMOS" in found.reasons[0]


# Truth known: lines made from currents that data sheets give for the technology; the constant's sources stand beside
@pytest.mark.parametrize(
    ("static_a", "slope", "expected"),
    [
        (2e-6, 1.0e-10, "cmos"),  # 74HC gate: ICC 2 uA maximum (MM74HC04), CPD 20 pF at 5 V (from memory)
        (1e-8, 2.0e-9, "cmos"),  # 74C00 static typical 0.01 uA
        (1e-3, 5.0e-9, "cmos"),  # a large CMOS part with pull-ups
        (70e-3, 1.0e-9, "nmos"),  # 8-bit NMOS processor, from memory
        (100e-3, 0.2e-9, "nmos"),
        (1.6e-3, 2.0e-11, "bipolar"),  # 74LS quad gate: 1.6 mA average (SDLS025B)
        (8e-3, 5.0e-11, "bipolar"),  # 7400: 10 mW a gate at 5 V
    ],
)
def test_technologies_are_told_apart(static_a: float, slope: float, expected: str) -> None:
    rng = np.random.default_rng(7)
    clocks = [0.5e6, 1e6, 2e6, 4e6]
    readings = [Reading((static_a + slope * f) * (1 + rng.normal(0, 0.01)), f) for f in clocks]
    likely = current.fit(readings).technology
    found = {name: likely.of(name) or 0.0 for name in technology.MODELS}
    assert max(found, key=lambda name: found[name]) == expected
    assert sum(found.values()) == pytest.approx(1.0, abs=1e-9)
    others = [found[name] for name in ("nmos", "bipolar")] if expected == "cmos" else [found["cmos"]]
    assert max(others) < 0.2  # NMOS and bipolar look much alike; CMOS does not


def test_every_model_names_its_source() -> None:
    assert all(len(model.source) > 20 for model in technology.MODELS.values())


def test_weighted_line_says_when_readings_and_uncertainties_disagree() -> None:
    honest = [Reading(i, f, u_a=1e-4) for f, i in ((1e6, 2.1e-3), (2e6, 4.0e-3), (4e6, 8.1e-3))]
    boastful = [Reading(r.current_a, r.clock_hz, u_a=1e-6) for r in honest]
    assert current.fit(honest).cautions == ()
    assert "scatter more" in current.fit(boastful).cautions[0]


def test_refusals() -> None:
    with pytest.raises(BadRequest, match="no reading"):
        current.evaluate([], TEN_MA)
    with pytest.raises(BadRequest, match="two different clock rates"):
        current.fit(_line((1e6, 1e-3)))
    with pytest.raises(BadRequest, match="has no clock rate"):
        current.fit([Reading(1e-3, 1e6), Reading(2e-3)])
    with pytest.raises(BadRequest, match="for all of them or for none"):
        current.fit([Reading(1e-3, 1e6, u_a=1e-5), Reading(2e-3, 2e6)])


def test_the_limit_of_a_known_part() -> None:
    adapter = for_part("CV6522AP")  # invented: 6 mA at 1 MHz, 10 mA at 2 MHz
    assert _max(limits.choose(adapter, [2e6])) == pytest.approx(0.010)
    assert _max(limits.choose(adapter, [1e6])) == pytest.approx(0.006)
    assert _max(limits.choose(adapter, [1.5e6])) == pytest.approx(0.010)  # the next clock above
    faster = limits.choose(adapter, [4e6])
    assert _max(faster) == pytest.approx(0.020)  # I = I0 + k f allows no more than in proportion
    assert isinstance(faster, Limit)
    assert "in proportion" in faster.notes[0]
    several = limits.choose(adapter, [0.5e6, 1e6, 1.9e6])
    assert isinstance(several, Limit)
    assert (several.max_a, several.at_hz) == (0.010, 2e6)


def test_without_a_clock_a_clocked_limit_cannot_be_passed() -> None:
    """5 mA is half of what CV6522 may draw at 2 MHz, but who knows how fast it ran; far above it fails all the same."""
    limit = limits.choose(for_part("CV6522AP"), [])
    assert isinstance(limit, Limit)
    assert limit.clock_assumed
    passed = current.evaluate([Reading(0.005, None, u_a=0.0001)], limit)
    assert passed.verdict == "undecided"
    assert any("state the clock rate" in reason for reason in passed.reasons)
    assert current.evaluate([Reading(0.091, None, u_a=0.0001)], limit).verdict == "fail"


def test_a_static_limit_needs_a_stopped_clock_or_a_line() -> None:
    buffer = for_part("CV74HC245N")  # invented: 8 uA static
    assert not limits.choose(buffer, [1e6])
    for clocks in ([0.0], [1e6, 2e6], []):
        found = limits.choose(buffer, clocks)
        assert isinstance(found, Limit)
        assert (found.max_a, found.at_hz) == (8e-6, 0.0)


def test_a_real_bipolar_part_has_its_data_sheets_limit() -> None:
    found = limits.choose(for_part("SN74LS00N"), [1e6], supply_v=5.0, ambient_c=23.0)
    assert isinstance(found, Limit)
    assert found.max_a == pytest.approx(4.4e-3)  # ICCL maximum, TI SDLS025B
    assert "SDLS025B" in found.source
    assert any("5.25 V" in note for note in found.notes)


def test_an_unknown_part_has_no_limit() -> None:
    found = limits.choose(None, [1e6])
    assert isinstance(found, NoLimit)
    assert "state one with its source" in found.reason


def _max(limit: Limit | NoLimit) -> float:
    assert isinstance(limit, Limit)
    return limit.max_a
