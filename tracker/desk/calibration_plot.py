"""The reliability diagram: as a picture, and in characters for the terminal."""

import io
from collections.abc import Sequence
from pathlib import Path

from tracker.desk import plotting
from tracker.desk.calibrated import Calibration, Reliability

WIDTH = 51
"""Characters from 0 to 1."""


def strips(reliability: Sequence[Reliability]) -> list[str]:
    """Return one strip a bin: what was as o on its interval, what was said as |, and + where both are one."""
    return [_strip(one) for one in reliability]


def _strip(one: Reliability) -> str:
    cells = [" "] * WIDTH
    for place in range(_place(one.lower), _place(one.upper) + 1):
        cells[place] = "-"
    said, were = _place(one.bin.said), _place(one.bin.were)
    cells[were], cells[said] = "o", "|"
    if said == were:
        cells[said] = "+"
    return "".join(cells)


def _place(share: float) -> int:
    return round(share * (WIDTH - 1))


def write_plot(path: Path, found: Calibration) -> None:
    """Write the diagram as PNG or SVG, by the ending of `path`; an earlier file of this name is replaced.

    Raises
    ------
    BadRequest
        It cannot be written, or its ending is neither.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    kind = plotting.plot_kind(path)
    figure = Figure(figsize=(5.6, 6.6), dpi=100, layout="constrained")
    FigureCanvasAgg(figure)
    axes, below = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    axes.plot((0, 1), (0, 1), color="0.6", linestyle="--", linewidth=1, label="as many as suspected")
    said = [one.bin.said for one in found.reliability]
    were = [one.bin.were for one in found.reliability]
    # Where all or none were bad, the share lies on the interval's end, by rounding a hair outside.
    low = [max(one.bin.were - one.lower, 0.0) for one in found.reliability]
    high = [max(one.upper - one.bin.were, 0.0) for one in found.reliability]
    if found.reliability:
        axes.errorbar(said, were, yerr=(low, high), fmt="o", color="tab:blue", capsize=3, label="settled pieces, 95 %")
    axes.set_ylabel("share that was not genuine")
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(-0.02, 1.02)
    figure.legend(loc="outside lower center", ncols=2, fontsize=8)  # points may lie anywhere
    axes.set_title(found.said, fontsize=9)
    below.hist([one.suspicion for one in found.judged], bins=[k / 20 for k in range(21)], color="tab:blue")
    below.set_xlabel("suspicion without the piece's own lot")
    below.set_ylabel("pieces")
    below.yaxis.get_major_locator().set_params(integer=True)
    out = io.BytesIO()
    # A fixed salt and no date: the same pieces give the same bytes.
    with rc_context({"svg.hashsalt": "lotproof", "svg.fonttype": "path"}):
        figure.savefig(out, format=kind, metadata={"Date": None} if kind == "svg" else {"Software": None})
    plotting.write_plot(path, out.getvalue())
