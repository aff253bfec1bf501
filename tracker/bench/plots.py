"""Plots of bench runs, as PNG or SVG; nothing is shown on a screen."""

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from tracker.bench import soak
from tracker.bench.soak import Soak
from tracker.bench.soak_cells import gathered
from tracker.bench.soak_model import Array, Run, ambient_lag

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Kind = Literal["png", "svg"]
_SHOWN = 1500  # columns of a curve; more than that many pixels nobody sees


def soak_plot(
    time_s: Sequence[float] | Array,
    temp_c: Sequence[float] | Array,
    ambient_c: Sequence[float] | Array | None,
    fitted: Soak | None,
    *,
    kind: Kind = "png",
    title: str = "",
    limit_c: float | None = None,
) -> bytes:
    """Return a picture of a heat soak: readings, ambient, the fitted curve and where it is heading.

    Parameters
    ----------
    time_s, temp_c, ambient_c
        As given to `tracker.bench.soak.fit`. Of long runs each column of the picture shows its lowest and highest
        reading, so no peak is lost.
    fitted : Soak or None
    kind : 'png' or 'svg'
    title : str
    limit_c : float, optional
        Hottest it may get, degrees Celsius.

    Returns
    -------
    bytes
        The file; the same for the same readings and versions.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    run = soak.run_of(time_s, temp_c, ambient_c)
    unit, divisor = ("min", 60.0) if run.length_s < 6 * 3600.0 else ("h", 3600.0)
    figure = Figure(figsize=(7.0, 4.0), dpi=100)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.1, 0.13, 0.87, 0.79))
    style = "." if len(run.t) <= 400 else "-"
    shown_t, shown = thinned(run.t, run.temp)
    axes.plot(shown_t / divisor, shown, style, color="tab:red", linewidth=1, markersize=5, label="temperature")
    if run.ambient is not None:
        shown_t, shown = thinned(run.t, run.ambient)
        axes.plot(shown_t / divisor, shown, "-", color="tab:blue", linewidth=1, label="ambient")
    if fitted is not None:
        t, curve = _curve(run, fitted)
        axes.plot(t / divisor, curve, "--", color="black", linewidth=1, label="first-order rise")
    if limit_c is not None:
        axes.axhline(limit_c, color="tab:orange", linestyle="-.", linewidth=1.5, label="limit")
    axes.locator_params(nbins=6)
    axes.set_xlabel(f"time since the heat came on, {unit}")
    axes.set_ylabel("temperature, C")
    axes.set_title(title, fontsize=10)
    axes.legend(loc="lower right", fontsize=8)
    return saved(figure, kind)


def saved(figure: "Figure", kind: Kind) -> bytes:
    """Return a figure as a file; the same figure gives the same bytes on the same versions."""
    from matplotlib import rc_context

    out = io.BytesIO()
    # A fixed salt and no date: the same readings give the same bytes.
    with rc_context({"svg.hashsalt": "lotproof", "svg.fonttype": "path"}):
        if kind == "svg":
            figure.savefig(out, format="svg", metadata={"Date": None})
        else:
            figure.savefig(out, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 1})
    return out.getvalue()


def thinned(t: Array, values: Array) -> tuple[Array, Array]:
    """Return a curve that looks the same: of each of many columns its lowest and its highest value, in order of time.

    Parameters
    ----------
    t, values : (n,) array

    Returns
    -------
    t, values : array
        As they are where n is small.
    """
    each = len(t) // (_SHOWN // 2)
    if each <= 2:
        return t, values
    whole = len(t) // each * each
    rows = values[:whole].reshape(-1, each)
    first = np.arange(0, whole, each)
    at = np.sort(np.column_stack([first + rows.argmin(1), first + rows.argmax(1)]), axis=1).ravel()
    at = np.concatenate([at, np.arange(whole, len(t))])
    return t[at], values[at]


def _curve(run: Run, fitted: Soak) -> tuple[Array, Array]:
    """Return the fitted temperature: at the readings where the ambient changed, else finely."""
    tau, start, final = fitted.time_constant.value, fitted.start.value, fitted.final.value
    if run.ambient is None or np.ptp(run.ambient) == 0.0:
        t = np.linspace(0.0, run.length_s, 300)
        base = 0.0 if run.ambient is None else float(run.ambient[0])
        return t, base + start * np.exp(-t / tau) - final * np.expm1(-t / tau)
    cells = gathered(run)
    assert cells.ambient is not None
    felt = cells.ambient - ambient_lag(cells, np.array([tau]))[0]
    return cells.t, felt + start * np.exp(-cells.t / tau) - final * np.expm1(-cells.t / tau)
