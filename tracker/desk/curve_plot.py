"""Pin curves drawn: block characters for the terminal, a small picture for the file."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tracker.bench.curve import CurveResult
from tracker.bench.curve_table import Curve
from tracker.bench.figures import show
from tracker.bench.plots import Kind, saved
from tracker.desk import plotting
from tracker.desk.bench_curve import Drawn

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = 48
MOST_PANELS = 12
APART = ("different", "doubtful")
_BLOCKS = "▁▂▃▄▅▆▇█"


def most_different(result: CurveResult) -> tuple[str, ...]:
    """Return the pins that are not alike, the farthest first."""
    apart = [one for one in result.pins if one.stand in APART]
    return tuple(one.pin for one in sorted(apart, key=lambda one: -(one.distance or 0.0)))


def pins_first(curves: Mapping[str, Curve], first: Sequence[str]) -> tuple[str, ...]:
    """Return all pins, some of them first."""
    return (*first, *(pin for pin in curves if pin not in first))


def sparks(pin: str, drawn: Drawn) -> list[str]:
    """Return a pin's curves as rows of block characters over one scale: the piece's, the exemplar's, and the scale."""
    curves = [drawn.curves[pin], *(one.curves[pin] for one in drawn.exemplars[:1] if pin in one.curves)]
    low, high = min(one.voltage_v[0] for one in curves), max(one.voltage_v[-1] for one in curves)
    bottom, top = min(one.current_a.min() for one in curves), max(one.current_a.max() for one in curves)
    grid = np.linspace(low, high, COLUMNS)
    rows = [
        f"{name:<9} {_spark(one, grid, bottom, top)}" for name, one in zip(("piece", "exemplar"), curves, strict=False)
    ]
    across = f"{show(low, 'V', 3)} to {show(high, 'V', 3)} across"
    scale = f"{across}, {show(bottom, 'A', 3)} to {show(top, 'A', 3)} bottom to top"
    return [*rows, f"{'':<9} {scale}"]


def _spark(curve: Curve, grid: np.ndarray, bottom: float, top: float) -> str:
    """Return one row; where the curve was not measured the row is blank."""
    current = np.interp(grid, curve.voltage_v, curve.current_a, left=np.nan, right=np.nan)
    share = (current - bottom) / (top - bottom) if top > bottom else np.zeros_like(current)
    return "".join(" " if np.isnan(one) else _BLOCKS[min(int(one * len(_BLOCKS)), len(_BLOCKS) - 1)] for one in share)


def write_plot(path: Path, result: CurveResult, drawn: Drawn, title: str) -> None:
    """Write the pins that differ most, or the first ones where none does; an earlier file of this name is replaced.

    Raises
    ------
    BadRequest
        It cannot be written.
    """
    stands = {one.pin: one.stand for one in result.pins}
    exemplars = [one.curves for one in drawn.exemplars]
    kind: Kind = "svg" if path.suffix.lower() == ".svg" else "png"
    heading = f"Pin curves, {title}: {result.verdict}"
    picture = curves_picture(drawn.curves, exemplars, stands, kind, heading, most_different(result))
    plotting.write_plot(path, picture)


def curves_picture(
    curves: Mapping[str, Curve],
    exemplars: Sequence[Mapping[str, Curve]],
    stands: Mapping[str, str],
    kind: Kind,
    title: str = "",
    first: Sequence[str] | None = None,
) -> bytes:
    """Return a panel for each of the pins that differ most, or of the first ones where none does.

    Parameters
    ----------
    curves : mapping of str to Curve
        The piece's, by pin.
    exemplars : sequence of mapping of str to Curve
    stands : mapping of str to str
        How each pin stands, written over its panel.
    kind : 'png' or 'svg'
    title : str
    first : sequence of str, optional
        Pins to begin with; those that are not alike where not given.
    """
    from matplotlib.figure import Figure

    apart = [pin for pin in curves if stands.get(pin) in APART] if first is None else first
    pins = pins_first(curves, apart)[:MOST_PANELS]
    across = min(len(pins), 4)
    down = -(-len(pins) // across)
    figure = Figure(figsize=(2.6 * across + 0.6, 2.2 * down + 0.7), layout="constrained", dpi=100)
    axes = figure.subplots(down, across, squeeze=False).ravel()
    for one in axes[len(pins) :]:
        one.set_axis_off()
    for pin, one in zip(pins, axes, strict=False):
        _panel(one, pin, curves[pin], exemplars, stands.get(pin, ""))
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, fontsize=8)
    if title:
        figure.suptitle(title, fontsize=10)
    return saved(figure, kind)


def _panel(axes: "Axes", pin: str, mine: Curve, exemplars: Sequence[Mapping[str, Curve]], stand: str) -> None:
    kept = [one[pin] for one in exemplars if pin in one]
    for i, curve in enumerate(kept):
        axes.plot(curve.voltage_v, curve.current_a * 1e3, color="0.6", label="exemplar" if i == 0 else None)
    # Told apart by dash as well as by colour.
    axes.plot(mine.voltage_v, mine.current_a * 1e3, color="tab:red", linestyle="--", marker=".", label="piece")
    axes.set_title(f"pin {pin}{f': {stand}' if stand else ''}", fontsize=9)
    axes.set_xlabel("V", fontsize=8)
    axes.set_ylabel("mA", fontsize=8)
    axes.tick_params(labelsize=7)
