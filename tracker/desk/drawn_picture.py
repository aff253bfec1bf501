"""A drawing as SVG, for readers whose browser runs no scripts: told apart by shape as well as by shade."""

from tracker.bench.plots import saved
from tracker.desk.drawing import Drawing, Mark, Series

_LOOKS = {
    "dots": {"linestyle": "", "marker": "o", "markersize": 4},
    "crosses": {"linestyle": "", "marker": "x", "markersize": 7, "markeredgewidth": 2},
    "line": {"linestyle": "-", "linewidth": 1},
    "dashed": {"linestyle": "--", "linewidth": 1.3},
}
_SHADES = ("0.1", "0.35", "0.1", "0.5")


def picture(drawn: Drawing) -> bytes:
    """Return a drawing as SVG; the same drawing gives the same bytes."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 1.5 + 0.45 * len(drawn.y_words) if drawn.y_words else 3.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for number, one in enumerate(drawn.series):
        _series(axes, one, _SHADES[number % len(_SHADES)], "xerr" if drawn.y_words else "yerr")
    for mark in drawn.marks:
        _mark(axes, mark)
    axes.set(xlabel=drawn.x, ylabel=drawn.y)
    if drawn.y_words:
        axes.set_yticks(range(len(drawn.y_words)), drawn.y_words)
        axes.set_ylim(-0.5, len(drawn.y_words) - 0.5)
    axes.grid(visible=True, alpha=0.3)
    if drawn.series or drawn.marks:
        axes.legend(fontsize=8)
    return saved(figure, "svg")


def _series(axes: object, one: Series, shade: str, along: str) -> None:
    x, y = [point[0] for point in one.points], [point[1] for point in one.points]
    if any(len(point) > 2 for point in one.points):
        bars = [point[2] if len(point) > 2 else 0.0 for point in one.points]
        how = {along: bars, "color": shade, "label": one.name, "capsize": 2, **_LOOKS[one.look]}
        axes.errorbar(x, y, **how)  # type: ignore[attr-defined]
    else:
        axes.plot(x, y, color=shade, label=one.name, **_LOOKS[one.look])  # type: ignore[attr-defined]


def _mark(axes: object, mark: Mark) -> None:
    if mark.to is not None:
        span = axes.axhspan if mark.axis == "y" else axes.axvspan  # type: ignore[attr-defined]
        span(mark.at, mark.to, facecolor="none", edgecolor="0.55", hatch="////", linewidth=0, label=mark.name)
        return
    line = axes.axhline if mark.axis == "y" else axes.axvline  # type: ignore[attr-defined]
    line(mark.at, color="0.35", linestyle="-.", linewidth=1, label=mark.name)
