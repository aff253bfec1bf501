"""What a wrong decision and a minute at the bench cost, as declared, and the decision that is then the better one."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from tracker.judgement.lot_belief import Floats

FIT, REJECT = "accept", "reject"


@dataclass(frozen=True, slots=True)
class Costs:
    """What decisions and time cost, in one currency.

    Parameters
    ----------
    fit_bad : float
        A piece that is not as claimed is accepted and fitted.
    reject_good : float
        A piece that is as claimed is rejected or returned.
    minute : float
        A minute of bench time.
    source : str
    """

    fit_bad: float
    reject_good: float
    minute: float
    source: str

    @property
    def threshold(self) -> float:
        """The probability of 'not as claimed' from which rejecting is the cheaper decision."""
        return self.reject_good / (self.reject_good + self.fit_bad)

    def loss(self, bad: Floats) -> Floats:
        """Return the expected loss of the better decision, for probabilities of 'not as claimed'."""
        return np.minimum(bad * self.fit_bad, (1.0 - bad) * self.reject_good)

    def decision(self, bad: float) -> str:
        """Return the better decision; at the threshold itself, rejecting."""
        return FIT if bad < self.threshold else REJECT


@dataclass(frozen=True, slots=True)
class NextRule:
    """How tests are put in order, as costs.toml declares it."""

    equal_within: float
    plan_sizes: tuple[int, ...]
    source: str


@cache
def _document() -> dict[str, dict[str, object]]:
    found: dict[str, dict[str, object]] = tomllib.loads(
        files("tracker.judgement").joinpath("costs.toml").read_text(encoding="utf-8")
    )
    return found


@cache
def declared_costs() -> Costs:
    """Return the declared costs."""
    return Costs(**_document()["costs"])  # type: ignore[arg-type]


@cache
def next_rule() -> NextRule:
    """Return the declared rule."""
    said = _document()["rule"]
    return NextRule(float(str(said["equal_within"])), tuple(said["plan_sizes"]), str(said["source"]))  # type: ignore[arg-type]
