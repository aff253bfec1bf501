"""Temperature rises of several heat soaks on one axis of time: what they are at a minute, and a plot of all."""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tracker.bench.compare import Figure
from tracker.bench.plots import Kind, thinned
from tracker.errors import BadRequest

_NEAREST_S = 90.0  # how far a reading may lie from the minute asked for; common practice, no source
_STYLES = ("-", "--", ":", "-.")


class Sample(Protocol):
    """A reading of a heat soak."""

    @property
    def time_s(self) -> float | None: ...
    @property
    def temp_c(self) -> float | None: ...
    @property
    def ambient_c(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Trace:
    """Seconds, and the rise in kelvin above ambient, or above the first reading where no ambient was measured."""

    time_s: tuple[float, ...]
    rise_k: tuple[float, ...]
    above_ambient: bool


def rise_trace(samples: Sequence[Sample]) -> Trace:
    """Return the rise over time that samples show; those without a time (spots) are left out."""
    kept = sorted((s.time_s, s.temp_c, s.ambient_c) for s in samples if s.time_s is not None and s.temp_c is not None)
    ambient = all(a is not None for _, _, a in kept)
    first = kept[0][1] if kept else 0.0
    rises = tuple(temp - (a if ambient and a is not None else first) for _, temp, a in kept)
    return Trace(tuple(time for time, _, _ in kept), rises, ambient)


def at_minute(trace: Trace, minute: float) -> list[Figure]:
    """Return the rise at a minute, straight between the readings around it; nothing where none lies near.

    Parameters
    ----------
    trace : Trace
    minute : float
        Since the heat came on, 0 or more.

    Returns
    -------
    list of Figure
        One or none. The uncertainty is the scatter of the nine readings nearest to the minute about a parabola, which
        knows nothing of the thermometer's own error; None where there are fewer than six.
    """
    seconds = 60.0 * minute
    times, rises = np.array(trace.time_s), np.array(trace.rise_k)
    if not len(times) or np.abs(times - seconds).min() > max(_NEAREST_S, 0.1 * seconds):
        return []
    if not times[0] <= seconds <= times[-1]:
        return []
    near = np.argsort(np.abs(times - seconds), kind="stable")[:9]
    u = None
    if len(near) >= 6:
        # A curve, for a rise bends; its three numbers take three degrees of freedom.
        curve = np.polyfit(times[near] - seconds, rises[near], 2)
        left = rises[near] - np.polyval(curve, times[near] - seconds)
        u = math.sqrt(float(left @ left) / (len(near) - 3))
    name = f"rise at {minute:g} min" + ("" if trace.above_ambient else " above the start")
    return [Figure(name, float(np.interp(seconds, times, rises)), u, "K")]


def picture(traces: Sequence[tuple[str, Trace]], kind: Kind = "png") -> bytes:
    """Return the rises laid over each other as PNG or SVG, told apart by line style as well as by shade.

    Raises
    ------
    BadRequest
        There is no trace.
    """
    if not traces:
        raise BadRequest("None of these runs is a heat soak, so there is no course to draw.")
    import matplotlib as mpl
    from matplotlib.figure import Figure as Canvas

    with mpl.rc_context({"svg.hashsalt": "lotproof", "svg.fonttype": "none"}):
        canvas = Canvas(figsize=(8.0, 4.5), layout="constrained")
        axes = canvas.add_subplot()
        for number, (title, trace) in enumerate(traces):
            time_s, rise_k = thinned(np.array(trace.time_s), np.array(trace.rise_k))
            axes.plot(
                time_s / 60, rise_k, _STYLES[number % len(_STYLES)], color=str(0.6 * (number % 3) / 2), label=title
            )
        above = "ambient" if all(trace.above_ambient for _, trace in traces) else "ambient or start"
        axes.set(xlabel="time / min", ylabel=f"rise above {above} / K")
        axes.grid(visible=True, alpha=0.3)
        axes.legend()
        data = io.BytesIO()
        canvas.savefig(data, format=kind, dpi=120, metadata={"Date": None} if kind == "svg" else None)
    return data.getvalue()
