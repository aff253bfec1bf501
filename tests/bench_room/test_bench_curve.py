"""Pin curves: diodes of the Shockley equation as the analytic case, tables in many units, the rule case by case."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from stock import a_lot

from tracker.bench import curve, curve_table, curve_words
from tracker.bench.curve import Kept
from tracker.bench.curve_table import Curve
from tracker.desk.bench_curve import CurveRequest, compare_tables, run_curve
from tracker.desk.curve_plot import most_different, sparks, write_plot
from tracker.desk.decide import declare_exemplar
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.weights import declared

# W. Shockley, Bell System Technical Journal 28 (1949) 435-489: I = Is (exp(V / (n VT)) - 1).
THERMAL_V = 1.380649e-23 * 298.15 / 1.602176634e-19  # k T / q at 25 C, exact constants of the SI
IDEALITY = 1.3
UP_A, DOWN_A = 1e-14, 1e-15
LIMIT_A = 1e-3


def pin_curve(
    name: str = "7",
    *,
    up_a: float = UP_A,
    down_a: float = DOWN_A,
    earlier_v: float = 0.0,
    step_v: float = 0.05,
    limit_a: float = LIMIT_A,
    noise: np.random.Generator | None = None,
) -> Curve:
    """Return a pin with a diode to either supply, swept from -1.5 V to 1.5 V with a current limit."""
    voltage = np.arange(-1.5, 1.5 + step_v / 2, step_v)
    read = voltage
    up = up_a * np.expm1(np.minimum((voltage + earlier_v) / (IDEALITY * THERMAL_V), 60))
    down = down_a * np.expm1(np.minimum(-voltage / (IDEALITY * THERMAL_V), 60))
    current = np.clip(up - down, -limit_a, limit_a)
    if noise is not None:
        current = current * (1 + 0.01 * noise.standard_normal(len(voltage)))
        current = current + 1e-6 * noise.standard_normal(len(voltage))
        read = np.sort(voltage + 0.003 * noise.standard_normal(len(voltage)))
    return Curve(name, read, current)


def kept(*curves: Curve, run: str = "B0001", common: str | None = None) -> Kept:
    return Kept(run, common, {one.pin: one for one in curves})


def judged(piece: Curve, *exemplars: Curve) -> curve.CurveResult:
    return curve.evaluate({piece.pin: piece}, [kept(one, run=f"B{i:04d}") for i, one in enumerate(exemplars, start=1)])


# --- the analytic case ------------------------------------------------------------------------------------------------


@given(st.floats(2e-5, 9e-4))
def test_the_knee_is_where_shockleys_equation_has_it(current_a: float) -> None:
    found = curve_words.knee(pin_curve(step_v=0.001), current_a, 1.0)
    assert found == pytest.approx(IDEALITY * THERMAL_V * np.log1p(current_a / UP_A), abs=1e-3)
    below = curve_words.knee(pin_curve(step_v=0.001), current_a, -1.0)
    assert below == pytest.approx(-IDEALITY * THERMAL_V * np.log1p(current_a / DOWN_A), abs=1e-3)


def test_a_curve_is_at_no_distance_from_itself() -> None:
    voltage, distance, conducts = curve.distances(pin_curve(), pin_curve())
    assert distance.max() == pytest.approx(0.0, abs=1e-9)
    assert conducts.any()
    assert len(voltage) == len(distance) == 61


def test_a_shift_is_measured_in_uncertainties_of_the_voltage() -> None:
    # A shift along the voltage of a steep curve: at most shift / u(V), the way straight across.
    piece, other = curve.unclipped(pin_curve(earlier_v=0.05))[0], curve.unclipped(pin_curve())[0]
    voltage, distance, conducts = curve.distances(piece, other)
    steep = conducts & (voltage > 0.5)
    meter = np.sqrt(2 / 3) * (curve.VOLTAGE_SHARE * voltage[steep] + curve.VOLTAGE_V)
    u_v = np.hypot(meter, curve.GENUINE_V / np.sqrt(3))
    assert (distance[steep] <= 0.05 / u_v + 1e-9).all()
    assert np.median(distance[steep]) > 0.5 * np.median(0.05 / u_v)


def test_the_distance_grows_with_the_shift_and_with_the_saturation_current() -> None:
    exemplar_ = pin_curve()
    shifted = [judged(pin_curve(earlier_v=shift), exemplar_).pins[0].distance for shift in (0.0, 0.03, 0.08, 0.2)]
    assert shifted == sorted(shifted)
    # Shockley: a saturation current e times as large is n VT earlier.
    factor = float(np.exp(0.08 / (IDEALITY * THERMAL_V)))
    larger = judged(pin_curve(up_a=UP_A * factor), exemplar_).pins[0].distance
    assert larger == pytest.approx(shifted[2], rel=1e-6)


@pytest.mark.parametrize(("earlier_v", "words"), [(0.4, "conducts 0.40 V earlier"), (-0.3, "conducts 0.30 V later")])
def test_what_conducts_earlier_or_later_is_said_in_volts(earlier_v: float, words: str) -> None:
    found = judged(pin_curve(earlier_v=earlier_v), pin_curve())
    assert found.verdict == "fail"
    assert f"pin 7 {words} than the exemplar" in found.reasons[0]


def test_only_one_side_of_ground_may_differ() -> None:
    shifted = judged(pin_curve(down_a=DOWN_A * 1e6), pin_curve())
    assert shifted.verdict == "fail"
    assert "earlier than the exemplar below ground" in shifted.reasons[0]


def test_genuine_pairs_pass_and_foreign_ones_fail_in_seeded_draws() -> None:
    rng = np.random.default_rng(4711)
    passed = failed = 0
    for _ in range(200):
        # Saturation currents of one process scatter by a few tens of per cent; readings by a per cent and 3 mV.
        scatter = rng.uniform(0.6, 1.6, size=2)
        genuine = pin_curve(up_a=UP_A * scatter[0], down_a=DOWN_A * scatter[1], noise=rng)
        passed += judged(genuine, pin_curve(noise=rng)).verdict == "pass"
        foreign = pin_curve(earlier_v=float(rng.choice([-0.2, 0.2])), noise=rng)
        failed += judged(foreign, pin_curve(noise=rng)).verdict == "fail"
    assert passed >= 198
    assert failed >= 198


# --- the rule ---------------------------------------------------------------------------------------------------------


def test_a_guard_band_lies_between_alike_and_different() -> None:
    stands = [judged(pin_curve(earlier_v=shift), pin_curve()).verdict for shift in np.arange(0.0, 0.2, 0.005)]
    order = {"pass": 0, "undecided": 1, "fail": 2}
    assert [order[one] for one in stands] == sorted(order[one] for one in stands)
    assert {"pass", "undecided", "fail"} == set(stands)


def test_without_an_exemplar_nothing_is_decided() -> None:
    found = curve.evaluate({"7": pin_curve()}, [])
    assert (found.verdict, found.swept, found.pins) == ("undecided", ("7",), ())


def test_missing_and_extra_pins() -> None:
    pieces = {name: pin_curve(name) for name in ("1", "2", "9")}
    found = curve.evaluate(pieces, [kept(*(pin_curve(name) for name in ("1", "2", "3")))])
    assert (found.verdict, found.missing, found.extra) == ("undecided", ("3",), ("9",))
    assert "Not measured, though the exemplar was: pin 3." in found.reasons


def test_a_pin_that_any_exemplar_has_is_missing() -> None:
    first, second = kept(pin_curve("1")), kept(pin_curve("1"), pin_curve("2"), run="B0002")
    assert curve.evaluate({"1": pin_curve("1")}, [first, second]).missing == ("2",)


def test_sweeps_against_different_pins_are_not_compared() -> None:
    found = curve.evaluate({"7": pin_curve(earlier_v=0.4)}, [kept(pin_curve(), common="20")], "10")
    assert found.verdict == "undecided"
    assert "pin 10" in found.reasons[0]
    assert "pin 20" in found.reasons[0]


def test_sweeps_with_too_little_in_common_are_not_compared() -> None:
    whole = pin_curve()
    part = Curve("7", whole.voltage_v[:12], whole.current_a[:12])
    found = judged(part, whole)
    assert (found.verdict, found.pins[0].stand) == ("undecided", "not compared")


def test_a_pin_that_never_conducts_tells_nothing() -> None:
    flat = Curve("7", np.linspace(-0.2, 0.2, 9), np.zeros(9))
    found = judged(flat, flat)
    assert (found.verdict, found.pins[0].stand) == ("undecided", "open")
    assert "At no pin" in found.reasons[0]


def test_a_package_without_a_die_is_not_taken_for_a_slip_of_units() -> None:
    rng = np.random.default_rng(3)
    genuine = [pin_curve(str(n), noise=rng) for n in range(1, 9)]
    empty = {one.pin: Curve(one.pin, one.voltage_v, 1e-6 * rng.standard_normal(len(one.voltage_v))) for one in genuine}
    found = curve.evaluate(empty, [kept(*genuine)])
    assert found.verdict == "fail"
    assert "None of the 8 pins conducts" in found.reasons[0]


@pytest.mark.parametrize(("name", "factor"), [("currents", 1e3), ("currents", 1e-3), ("voltages", 1e3)])
def test_a_slip_of_one_prefix_is_noticed(name: str, factor: float) -> None:
    genuine = {str(n): pin_curve(str(n)) for n in range(1, 5)}
    slipped = {
        pin: Curve(
            pin,
            one.voltage_v * (factor if name == "voltages" else 1),
            one.current_a * (factor if name == "currents" else 1),
        )
        for pin, one in genuine.items()
    }
    found = curve.evaluate(slipped, [kept(*genuine.values())])
    assert found.verdict == "undecided"
    assert f"The {name} are the exemplar's" in found.reasons[0]


def different_pins(count: int = 14) -> dict[str, Curve]:
    """Return pins that differ among themselves, neighbours above all: knees spread over half a volt on either side."""
    levels = {n: 6 * (5 * n % count) / count for n in range(1, count + 1)}
    return {
        str(n): pin_curve(str(n), up_a=1e-15 * 10**level, down_a=1e-16 * 10 ** (6 - level))
        for n, level in levels.items()
    }


@pytest.mark.parametrize(("step", "words"), [(7, "with the piece turned round (of 14 pins)"), (1, "one pin off")])
def test_a_piece_that_sits_wrongly_is_not_accused(step: int, words: str) -> None:
    genuine = different_pins()
    order = [str((n - 1 + step) % 14 + 1) for n in range(1, 15)]
    moved = {pin: genuine[other] for pin, other in zip(genuine, order, strict=True)}
    if step == 1:
        del moved["14"]
    found = curve.evaluate(moved, [kept(*genuine.values())])
    assert found.verdict == "undecided"
    assert words in found.reasons[0]


def test_pins_that_are_all_alike_hide_no_foreign_one() -> None:
    # Turned round, all but one pin would agree; as it sits, too: so it is the pin that is different.
    genuine = {str(n): pin_curve(str(n)) for n in range(1, 15)}
    foreign = genuine | {"3": pin_curve("3", earlier_v=0.4)}
    found = curve.evaluate(foreign, [kept(*genuine.values())])
    assert (found.verdict, len(found.reasons)) == ("fail", 1)
    assert found.reasons[0].startswith("pin 3 ")


def test_a_single_reading_does_not_accuse() -> None:
    voltage = np.array([-0.2, 0.0, 0.2, 0.4, 0.6])
    exemplar_ = Curve("7", voltage, np.array([0, 0, 0, 0, 1e-3]))
    slip = Curve("7", voltage, np.array([0, 0, 0, 0, 1e-6]))
    assert judged(slip, exemplar_).pins[0].stand == "doubtful"


def test_exemplars_that_differ_among_themselves_widen_the_band() -> None:
    piece, others = pin_curve(earlier_v=0.1), [pin_curve(earlier_v=shift) for shift in (-0.1, 0.0, 0.12)]
    assert judged(piece, others[1]).verdict == "fail"
    found = judged(piece, *others)
    assert found.pins[0].scatter is not None
    assert found.pins[0].scatter > 1
    assert found.verdict == "pass"
    assert judged(piece, others[1]).pins[0].scatter is None


# --- the supply's limit -----------------------------------------------------------------------------------------------


def test_readings_at_the_limit_are_left_out() -> None:
    rng = np.random.default_rng(8)
    for noise in (None, rng):
        whole = pin_curve(noise=noise)
        found, clipped = curve.unclipped(whole)
        assert clipped
        reached = IDEALITY * THERMAL_V * np.log1p(LIMIT_A / UP_A)
        assert reached - 0.01 <= found.voltage_v[-1] <= reached + 0.11  # the first reading at the limit stays
        assert len(found.voltage_v) < len(whole.voltage_v)


def test_another_limit_is_no_difference() -> None:
    assert judged(pin_curve(limit_a=5e-4), pin_curve(limit_a=2e-3)).verdict == "pass"


@pytest.mark.parametrize("points", [11, 61, 601])
def test_a_resistor_is_not_taken_for_a_limit(points: int) -> None:
    voltage = np.linspace(-1.5, 1.5, points)
    found, clipped = curve.unclipped(Curve("7", voltage, voltage / 1e4))
    assert not clipped
    assert len(found.voltage_v) == points


def test_a_pull_up_of_another_size_is_told_in_currents() -> None:
    voltage = np.linspace(-1.0, 1.0, 41)
    found = judged(Curve("7", voltage, voltage / 1e3), Curve("7", voltage, voltage / 1e4))
    assert found.verdict == "fail"
    assert "7" in found.reasons[0]
    near = judged(Curve("7", voltage, voltage / 1.1e4), Curve("7", voltage, voltage / 1e4))
    assert near.verdict == "pass"


# --- tables -----------------------------------------------------------------------------------------------------------


def table_file(folder: Path, text: str, name: str = "curves.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "pin,voltage_v,current_a\n7,0.6,0.00012",
        "Pin,Voltage [V],Current [uA]\n7,0.6,120",
        "PIN;U [mV];I/µA\npin 7;600;120",
        "lead,V,mA\n07,0.6,0.12",
        "pin,V,I\n7,0.6 V,120 uA",
        "pin,voltage,current (mA)\n7,600mV,0.12",
        "pin,voltage_mv,current_ua\n7.0,6e2,1.2e2",
        "current_ma,pin,volts\n0.12,7,0.6V",
    ],
)
def test_units_in_headers_and_cells(tmp_path: Path, text: str) -> None:
    (point,), _ = curve_table.table(table_file(tmp_path, text + "\n"))
    assert point.pin == "7"
    assert point.voltage_v == pytest.approx(0.6)
    assert point.current_a == pytest.approx(120e-6)


def test_currents_may_be_negative_and_pins_named(tmp_path: Path) -> None:
    points, _ = curve_table.table(table_file(tmp_path, "pin,V,uA\nvcc,-0.7,-15\nA9,−0.7,−15\n"))
    assert [(one.pin, one.voltage_v) for one in points] == [("VCC", -0.7), ("A9", -0.7)]
    assert [one.current_a for one in points] == [pytest.approx(-15e-6)] * 2


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("pin,voltage,current\n7,0.6,0.1\n", "data row 1: '0.6' has no unit"),
        ("pin,voltage [mA],current\n7,0.6,0.1\n", "no unit of its voltage"),
        ("pin,voltage [V],current [uA]\n7,0.6,2 mA\n", "data row 1: '2 mA' has a unit, and so has its column"),
        ("pin,V,I\n7,0.6 V,3 mV\n", "the unit 'mV', where a current is needed"),
        ("pin,V,I\n7,0.6 V,3 kg\n", "the unit 'kg'"),
        ("pin,V,uA\n7,nan,3\n", "'nan' is not a voltage"),
        ('pin,V,uA\n7,"0,6",3\n', "'0,6' is not a voltage"),
        ("pin,V,uA\n7,1e9,3\n", "more than a pin is swept with"),
        ("pin,V,uA\n,0.6,3\n", "is not a pin"),
        ("pin,V,uA\nsome pin there,0.6,3\n", "is not a pin"),
        ("pin,V\n7,0.6\n", "no column for the current"),
        ("pin,V,mV,uA\n7,0.6,600,3\n", "2 columns for the voltage"),
        ("V,uA\n0.6,3\n", "no column for the pin"),
        ("pin,V,uA\n", "no rows"),
        ("", "empty"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        curve_table.table(table_file(tmp_path, text))


def test_up_and_down_sweeps_are_averaged_and_sorted() -> None:
    points = [curve_table.Point("7", v, i) for v, i in ((0.3, 3.0), (0.1, 1.0), (0.0, 0.0), (0.2, 2.0), (0.3, 5.0))]
    found = curve_table.curves(points)["7"]
    assert found.voltage_v.tolist() == [0.0, 0.1, 0.2, 0.3]
    assert found.current_a.tolist() == [0.0, 1.0, 2.0, 4.0]


def test_too_short_a_sweep_is_refused() -> None:
    with pytest.raises(BadRequest, match="Pin 7 has readings at too few voltages, 3"):
        curve_table.curves([curve_table.Point("7", v, 0.0) for v in (0.0, 0.1, 0.2)])


def test_a_very_fine_sweep_is_thinned_and_says_the_same() -> None:
    fine, coarse = pin_curve(step_v=1e-4), pin_curve(step_v=0.05)
    points = [curve_table.Point("7", v, i) for v, i in zip(fine.voltage_v, fine.current_a, strict=True)]
    thinned = curve_table.curves(points)["7"]
    assert len(thinned.voltage_v) == curve_table.MOST_POINTS
    assert judged(thinned, coarse).verdict == "pass"
    assert judged(thinned, pin_curve(earlier_v=0.3)).verdict == "fail"


def test_pins_come_in_the_order_of_their_numbers() -> None:
    names = ("10", "2", "GND", "1")
    points = [curve_table.Point(name, v / 10, 0.0) for name in names for v in range(4)]
    assert list(curve_table.curves(points)) == ["1", "2", "10", "GND"]


# --- as recorded ------------------------------------------------------------------------------------------------------


def write_table(path: Path, *curves: Curve) -> Path:
    lines = [
        f"{one.pin},{v:.5f},{i * 1e6:.4f}" for one in curves for v, i in zip(one.voltage_v, one.current_a, strict=True)
    ]
    path.write_text("\n".join(["pin,V,uA", *lines]) + "\n", encoding="utf-8")
    return path


def test_curves_are_kept_and_found_again(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace, quantity=4, received=4)
    known = write_table(tmp_path / "known.csv", pin_curve("1"), pin_curve("7"))
    first, _ = run_curve(workspace, "L1-1", CurveRequest(known, common="20"), operator="mira")
    assert (first.run, first.verdict, first.weight_db) == ("B0001", "undecided", 0.0)
    assert first.table is not None
    assert workspace.store.read(first.table) == known.read_bytes()
    foreign = write_table(tmp_path / "foreign.csv", pin_curve("1"), pin_curve("7", earlier_v=0.4))
    for named in ("l1-1", "b1", "B0001"):
        bad, _ = run_curve(workspace, "L1-2", CurveRequest(foreign, (named,), "20"))
        assert (bad.verdict, bad.result.exemplars) == ("fail", ("B0001",))
        assert bad.reasons[0].startswith("pin 7 conducts 0.40 V earlier than the exemplar")
        assert bad.weight_db == declared().weight_db("bench-curve-fail") > 5
    other_pin, _ = run_curve(workspace, "L1-2", CurveRequest(foreign, ("B1",), "10"))
    assert other_pin.verdict == "undecided"
    # Declared known good, it is compared with unasked.
    declare_exemplar(workspace, "L1-1", grounds="works in three machines", operator="mira")
    good, drawn = run_curve(workspace, "L1-3", CurveRequest(known, common="20"))
    assert (good.verdict, good.result.exemplars) == ("pass", ("B0001",))
    assert good.weight_db == declared().weight_db("bench-curve-pass") < 0
    assert drawn.exemplars[0].curves["7"].current_a == pytest.approx(drawn.curves["7"].current_a)
    # An exemplar swept again is not its own measure.
    again, _ = run_curve(workspace, "L1-1", CurveRequest(known))
    assert again.result.exemplars == ()


def test_wrong_exemplars_change_nothing(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    known = write_table(tmp_path / "known.csv", pin_curve())
    run_curve(workspace, "L1-1", CurveRequest(known))
    for named, match in (
        ("L1-2", "L0001-02 has no kept curves"),
        ("L1-3", "cannot be its own exemplar"),
        ("B9", "There is no bench run B0009"),
        ("nothing", "is not the label of a piece"),
    ):
        with pytest.raises(BadRequest, match=match):
            run_curve(workspace, "L1-3", CurveRequest(known, (named,)))


# --- drawn ------------------------------------------------------------------------------------------------------------


def test_the_terminal_shows_both_over_one_scale(tmp_path: Path) -> None:
    known = write_table(tmp_path / "known.csv", pin_curve("1"), pin_curve("7"))
    foreign = write_table(tmp_path / "foreign.csv", pin_curve("1"), pin_curve("7", earlier_v=0.4))
    result, drawn = compare_tables(foreign, [known])
    assert most_different(result) == ("7",)
    piece, exemplar_, scale = sparks("7", drawn)
    rise = [row.index("█") for row in (piece, exemplar_)]
    assert 4 <= rise[1] - rise[0] <= 9  # 0.4 V of 3 V over 48 columns are 6.4
    assert "-1.5 V to 1.5 V" in scale
    assert len(piece) == len(exemplar_)


@pytest.mark.parametrize("ending", [".png", ".svg"])
def test_a_plot_is_a_picture(tmp_path: Path, ending: str) -> None:
    names = [str(n) for n in range(1, 17)]
    known = write_table(tmp_path / "known.csv", *(pin_curve(name) for name in names))
    result, drawn = compare_tables(known, [known])
    target = tmp_path / f"plot{ending}"
    write_plot(target, result, drawn, "L0001-01")
    if ending == ".png":
        with Image.open(target) as picture:
            assert picture.format == "PNG"
            assert min(picture.size) > 300
    else:
        text = target.read_text(encoding="utf-8")
        assert text.startswith("<?xml")
        assert "</svg>" in text
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    with pytest.raises(BadRequest, match="cannot be written"):
        write_plot(tmp_path / "none" / f"plot{ending}", result, drawn, "L0001-01")
