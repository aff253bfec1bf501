"""Long soaks made short: neighbouring readings are gathered into cells, each with its mean and its number.

A cell is no wider than a fiftieth of the time since the heat came on, nor than a 500th of the run. What is lost by
taking a cell's mean for the model at its mean time is half its variance in time times the model's second
derivative: at most R (x^2 exp(-x)) / (24 * 50^2), that is 0.00001 of the rise, whatever the time constant. An
ambient that swings within a few cells is smoothed a little before the part smooths it.
"""

import numpy as np

from tracker.bench.soak_model import Array, Run

FINE, COARSE = (50.0, 500.0), (10.0, 100.0)
"""Shares of the time so far and of the run that a cell may take; the coarse ones are for a first look only."""
GATHER_ABOVE = 1500  # readings; below it there is nothing to gain


def gathered(run: Run, shares: tuple[float, float] = FINE) -> Run:
    """Return the run in cells, or as it is where it is short.

    Parameters
    ----------
    run : Run
    shares : (float, float)
        FINE or COARSE.

    Notes
    -----
    Means of time, temperature and ambient with the number of readings are all a straight line through a cell needs;
    how readings scatter inside a cell is left out, so the uncertainty comes from how the means scatter. That also
    counts errors that last for many readings and that a mean does not get rid of.
    """
    if len(run.t) <= (GATHER_ABOVE if shares == FINE else shares[1]):
        return run
    first = np.unique(np.searchsorted(run.t, _edges(run, *shares)))
    first = first[first < len(run.t)]
    number = np.add.reduceat(run.weight, first)

    def mean(values: Array) -> Array:
        found: Array = np.add.reduceat(values * run.weight, first) / number
        return found

    ambient = None if run.ambient is None else mean(run.ambient)
    return Run(mean(run.t), mean(run.temp), ambient, number)


def _edges(run: Run, of_time: float, of_run: float) -> Array:
    """Return where cells begin: single readings first, then growing with time, then even."""
    begin, end = float(run.t[0]), float(run.t[-1])
    widest = (end - begin) / of_run
    step = (end - begin) / (len(run.t) - 1)
    even_from = max(begin, min(end, widest * of_time))
    single_to = max(begin, min(even_from, step * of_time))
    single = run.t[run.t < single_to]
    growing = np.empty(0)
    if even_from > single_to > 0.0:
        number = int(np.ceil(np.log(even_from / single_to) / np.log1p(1.0 / of_time)))
        growing = np.geomspace(single_to, even_from, max(number, 2))[:-1]
    even = np.arange(even_from, end + widest, widest)
    return np.concatenate([single, growing, even])
