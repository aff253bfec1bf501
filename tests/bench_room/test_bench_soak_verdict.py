"""What a heat soak says: verdict, early stop, and readings that do not settle. All readings are made."""

import math

import numpy as np
import pytest
from scipy import optimize

from tracker.bench import plots, soak, soak_creep, soak_model, soak_verdict
from tracker.bench.soak_cells import gathered
from tracker.bench.soak_verdict import Asked, Spot
from tracker.errors import BadRequest

MINUTE = 60.0


def _made(
    minutes: float, *, rise: float = 31.4, tau: float = 500.0, scatter: float = 0.2, seed: int = 3, step: float = 60.0
):  # type: ignore[no-untyped-def]
    t = np.arange(0.0, minutes * MINUTE, step)
    return t, 22.0 - rise * np.expm1(-t / tau) + np.random.default_rng(seed).normal(0.0, scatter, len(t))


@pytest.mark.parametrize(
    ("asked", "verdict"),
    [
        (Asked(limit_k=45.0), "pass"),
        (Asked(limit_k=20.0), "fail"),
        (Asked(limit_k=32.0), "undecided"),
        (Asked(limit_k=33.0, u_k=0.05), "pass"),
        (Asked(limit_c=60.0), "pass"),
        (Asked(limit_c=50.0), "fail"),
        (Asked(limit_k=45.0, limit_c=50.0), "fail"),
        (Asked(limit_k=45.0, limit_c=53.5), "undecided"),
        (Asked(), "undecided"),
    ],
)
def test_the_final_rise_against_its_limits(asked: Asked, verdict: str) -> None:
    found = soak_verdict.evaluate(*_made(40), 22.0, asked)
    assert found.verdict == verdict
    assert found.course == "settles"
    assert found.rise is not None
    assert found.rise.value_k == pytest.approx(31.4, abs=0.3)
    assert found.rise.temp_c == pytest.approx(53.4, abs=0.3)
    for one in found.conformity:
        assert one.upper is not None
        # Guard band w = U by hand: pass where value + U is within the limit, fail where value - U is beyond it.
        by_hand = (
            "pass"
            if one.value + one.k * one.u <= one.upper
            else "fail"
            if one.value - one.k * one.u > one.upper
            else "undecided"
        )
        assert one.verdict == by_hand


def test_the_uncertainty_holds_fit_thermometer_and_what_is_slower() -> None:
    found = soak_verdict.evaluate(*_made(40), 22.0, Asked(u_k=0.3))
    assert found.fitted is not None
    assert found.rise is not None
    slower = soak_creep.creep(found.fitted, soak.run_of(*_made(40), np.full(40, 22.0)))
    assert slower is not None
    assert found.rise.u_k == pytest.approx(math.sqrt(0.3**2 + found.fitted.final.se**2 + slower.se_k**2), rel=1e-9)
    assert pytest.approx(1.5 / math.sqrt(3.0)) == soak_verdict.DEFAULT_U_K


def test_without_an_ambient_there_is_no_rise_unless_it_began_cold() -> None:
    t, y = _made(40)
    unknown = soak_verdict.evaluate(t, y, None, Asked(limit_k=45.0))
    assert unknown.verdict == "undecided"
    assert "state --ambient" in unknown.reasons[0]
    assert unknown.rise is not None
    assert unknown.rise.value_k is None
    assert unknown.rise.temp_c == pytest.approx(53.4, abs=0.3)
    cold = soak_verdict.evaluate(t, y, None, Asked(limit_k=45.0, cold=True))
    assert cold.verdict == "pass"
    assert cold.rise is not None
    assert cold.rise.value_k == pytest.approx(31.4, abs=0.4)
    assert cold.rise.ambient_c == pytest.approx(22.0, abs=0.4)
    held = soak_verdict.evaluate(t, y, 22.0, Asked(limit_k=45.0, cold=True))
    assert held.fitted is not None
    assert held.fitted.from_rest


def test_it_may_stop_when_the_final_rise_is_known_and_not_before() -> None:
    t, y = _made(40, scatter=0.05, step=30.0)
    stops = [soak_verdict.evaluate(t[:n], y[:n], 22.0, Asked()).stop for n in range(1, 61)]
    first = next(i for i, stop in enumerate(stops) if stop.may_stop)
    assert 20 < first < 60
    assert all(not stop.may_stop for stop in stops[:first])
    stop = stops[first]
    assert stop.sentence.startswith("may stop: final rise 31.")
    assert "would change nothing" in stop.sentence
    assert stop.within_k is not None
    assert stop.within_k <= 0.5
    assert stop.more_s is not None
    # What the part itself still lacks of the aim: 31.4 exp(-t / 500) = 0.5
    assert stop.more_s == pytest.approx(500.0 * math.log(31.4 / 0.5) - t[first], rel=0.1)
    # The value it stopped at is the final one, and the foresight before was about right.
    last = soak_verdict.evaluate(t, y, 22.0, Asked()).rise
    early = soak_verdict.evaluate(t[: first + 1], y[: first + 1], 22.0, Asked()).rise
    assert last is not None
    assert early is not None
    assert early.value_k == pytest.approx(last.value_k, abs=0.5)
    foreseen = stops[first - 6].more_s
    assert foreseen is not None
    assert MINUTE < foreseen < 15 * MINUTE
    assert soak_verdict.evaluate(t, y, 22.0, Asked(aim_k=0.01)).stop.may_stop is False


def _course(t: np.ndarray, y: np.ndarray, ambient: object = 22.0) -> soak_verdict.SoakResult:
    found = soak_verdict.evaluate(t, y, ambient, Asked(limit_k=500.0))  # type: ignore[arg-type]
    assert (found.verdict, found.rise) == ("undecided", None)
    assert not found.stop.may_stop
    assert found.reasons[0].startswith("It has not settled, so there is no final value")
    return found


def test_what_does_not_settle_gets_no_final_value() -> None:
    t = np.arange(0.0, 40 * MINUTE, MINUTE)
    noise = np.random.default_rng(1).normal(0.0, 0.2, len(t))
    assert _course(t, 22.0 + t / 60.0 + noise).course == "straight"
    assert _course(t, 22.0 + t / 60.0).course == "straight"
    away = _course(t, 22.0 + 5.0 * np.expm1(t / 1200.0) + noise)
    assert away.course == "runs away"
    assert "switch off" in away.stop.sentence
    # A quick part on a slow heat sink: the end climbs away from any single first-order rise.
    slow = 22.0 - 20.0 * np.expm1(-t / 100.0) + t / 200.0
    assert _course(t, slow + noise).course == "still climbs"
    early = t[:9]
    assert _course(early, 22.0 - 31.0 * np.expm1(-early / 2000.0) + noise[:9]).course == "not yet"
    assert _course(t, 22.0 + 31.0 * np.exp(-t / 500.0) + noise).course == "cools"
    drift = 22.0 + 40.0 * t / t[-1]
    small = drift - 500.0 * np.gradient(drift, t) * -np.expm1(-t / 500.0) - 5.0 * np.expm1(-t / 500.0) + noise
    assert _course(t, small, drift).course == "ambient drifts"


def test_far_beyond_the_limit_fails_before_it_settles() -> None:
    t = np.arange(0.0, 40 * MINUTE, MINUTE)
    found = soak_verdict.evaluate(t, 22.0 + t / 30.0, 22.0, Asked(limit_k=45.0))
    assert (found.verdict, found.rise, found.course) == ("fail", None, "straight")
    assert "last 3 readings" in found.reasons[0]
    assert "last 3 readings" in found.rule


@pytest.mark.parametrize(
    ("t", "y", "match"),
    [
        ([], [], "no reading"),
        ([0.0, 60.0], [20.0, float("nan")], "finite"),
        ([-1.0, 60.0], [20.0, 21.0], "negative"),
    ],
)
def test_readings_that_cannot_be(t: list[float], y: list[float], match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        soak_verdict.evaluate(t, y, 22.0, Asked())


def test_a_few_readings_say_what_they_lack() -> None:
    for n in (1, 2, 3):
        found = soak_verdict.evaluate(*(part[:n] for part in _made(40)), 22.0, Asked(limit_k=45.0))
        assert (found.verdict, found.rise, found.course) == ("undecided", None, "not yet")
        assert "at least 4 readings" in found.stop.sentence


def test_spots_come_with_the_note_on_shiny_metal() -> None:
    found = soak_verdict.evaluate(*_made(40), 22.0, Asked(), housing="open", spots=(Spot("regulator", 61.0),))
    assert found.spots_note is not None
    assert "metal" in found.spots_note
    assert "common practice" in found.spots_note


def test_a_long_run_in_cells_is_the_same_run() -> None:
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 20_000.0)
    room = 22.0 + np.sin(t / 900.0)
    run = soak.run_of(t, room, room)
    assert len(gathered(run).t) < 1500
    assert gathered(run).weight.sum() == len(t)
    tau = 800.0
    felt = room - soak_model.above_felt(run, np.array([tau]))[0]
    y = felt - 31.4 * np.expm1(-t / tau) + rng.normal(0.0, 0.2, len(t))
    cells = soak.fit(t, y, room)
    assert cells.readings == 20_000
    each = soak._fitted(soak.run_of(t, y, room), len(t), False)  # without cells
    assert cells.final.value == pytest.approx(each.final.value, abs=0.2 * each.final.se)
    assert cells.final.se == pytest.approx(each.final.se, rel=0.1)
    assert cells.time_constant.value == pytest.approx(
        each.time_constant.value, abs=0.2 * (each.time_constant.se or 0.0)
    )


@pytest.mark.parametrize(("kind", "head"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_plots_are_pictures_and_the_same_each_time(kind: plots.Kind, head: bytes) -> None:
    t, y = _made(40)
    found = soak.fit(t, y, np.full(len(t), 22.0))
    first = plots.soak_plot(t, y, np.full(len(t), 22.0), found, kind=kind, title="made", limit_c=60.0)
    assert first.startswith(head)
    assert first == plots.soak_plot(t, y, np.full(len(t), 22.0), found, kind=kind, title="made", limit_c=60.0)
    assert plots.soak_plot(t, y, None, None, kind=kind).startswith(head)


def test_a_thinned_curve_keeps_its_peaks() -> None:
    t = np.arange(100_000.0)
    y = np.zeros_like(t)
    y[12_345] = 9.0
    shown_t, shown = plots.thinned(t, y)
    assert len(shown) < 2000
    assert shown.max() == 9.0
    assert shown_t[shown.argmax()] == 12_345.0
    assert (np.diff(shown_t) >= 0).all()


def test_something_slower_behind_a_quick_part_keeps_it_from_stopping() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 30 * MINUTE, 20.0)
    single = 22.0 - 31.0 * np.expm1(-t / 200.0) + rng.normal(0.0, 0.1, len(t))
    double = single + 2.0 * np.expm1(-t / 200.0) - 8.0 * np.expm1(-t / 3000.0)

    def stops(y: np.ndarray) -> list[bool]:
        return [soak_verdict.evaluate(t[:n], y[:n], 22.0, Asked()).stop.may_stop for n in range(6, len(t))]

    assert any(stops(single))
    assert not any(stops(double))  # it still lacks 4 K at the end


def test_creep_is_the_straight_line_that_was_added() -> None:
    t = np.arange(0.0, 40 * MINUTE, 20.0)
    noise = np.random.default_rng(4).normal(0.0, 0.02, len(t))
    made = 22.0 - 31.0 * np.expm1(-t / 300.0) + 0.3 * t / t[-1] + noise
    run = soak.run_of(t, made)
    found = soak_creep.creep(soak.fit(t, made), run)
    assert found is not None
    assert found.per_run_k == pytest.approx(0.3, abs=4 * found.se_k)
    assert found.se_k < 0.03
    assert found.upper_k > found.per_run_k
    # The same line and rise fitted together by a general fitting routine
    values, covariance = optimize.curve_fit(
        lambda x, s, r, tau, m: s * np.exp(-x / tau) - r * np.expm1(-x / tau) + m * x / t[-1],
        t, made, p0=(22, 53, 300, 0),
    )  # fmt: skip
    assert found.per_run_k == pytest.approx(values[3], abs=0.2 * found.se_k)
    assert found.se_k == pytest.approx(math.sqrt(covariance[3, 3]), rel=0.1)
