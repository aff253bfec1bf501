"""Pin curves as drawings: a plot for each pin, the piece's readings over the exemplars' curves."""

from collections.abc import Mapping, Sequence

from tracker.bench.curve import CurveResult
from tracker.bench.curve_table import Curve
from tracker.desk.bench_curve import Drawn
from tracker.desk.curve_plot import MOST_PANELS, most_different, pins_first
from tracker.desk.drawing import Drawing, Series

_SMALL_A = 1e-3  # below it a current is told in microamperes


def curve_drawings(result: CurveResult, drawn: Drawn) -> tuple[Drawing, ...]:
    """Return a plot for each of the pins that differ most, or of the first ones where none does.

    Parameters
    ----------
    result : CurveResult
    drawn : Drawn
        The curves that it speaks of.
    """
    told = {one.pin: one for one in result.pins}
    found = []
    for pin in pins_first(drawn.curves, most_different(result)):
        one = told.get(pin)
        words = f"pin {pin}, held against nothing" if one is None else one.told
        found.append(_one(pin, drawn.curves[pin], [kept.curves for kept in drawn.exemplars], words))
    return tuple(found[:MOST_PANELS])


def _one(pin: str, mine: Curve, exemplars: Sequence[Mapping[str, Curve]], words: str) -> Drawing:
    theirs = [one[pin] for one in exemplars if pin in one]
    small = max(float(abs(one.current_a).max()) for one in (mine, *theirs)) < _SMALL_A
    scale, unit = (1e6, "µA") if small else (1e3, "mA")
    series = [Series("piece", "dots", _points(mine, scale))]
    # One entry of the key stands for all of them.
    series += [Series("" if i else "exemplar", "line", _points(one, scale)) for i, one in enumerate(theirs)]
    return Drawing(f"{words[:1].upper()}{words[1:]}.", "voltage / V", f"current / {unit}", tuple(series))


def _points(curve: Curve, scale: float) -> tuple[tuple[float, ...], ...]:
    pairs = zip(curve.voltage_v, curve.current_a * scale, strict=True)
    return tuple((float(f"{v:.6g}"), float(f"{i:.6g}")) for v, i in pairs)
