"""Pieces of one lot: which evidence of one speaks of the others as well, and what is thought of them together."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from tracker.judgement.lot_belief import NEPER, Floats, LotBelief
from tracker.judgement.suspicion import Suspicion

BENCH = ("electrical", "heat")
SETTLED = "settled"
BEYOND_LOOKS = (*BENCH, SETTLED)
"""Families of facts that are not read off photos."""
_NOTHING = 1e-9
SIBLINGS = "siblings"
"""The kind of the line in a sum that tells what the other pieces of the lot say."""
_NO_FAMILY = "looks"


@dataclass(frozen=True, slots=True)
class LotRule:
    """How pieces of one lot hang together, as lots.toml declares it.

    Parameters
    ----------
    concentration : float
        Of the Beta distribution over the fraction bad; below 1 it is U-shaped.
    bench, settled : float
        How alike evidence of a kind errs within a lot, 0 to 1.
    source : str
    """

    concentration: float
    bench: float
    settled: float
    source: str

    def alike(self, family: str) -> float:
        """Return how alike facts of a family err within a lot."""
        return self.settled if family == SETTLED else self.bench


@cache
def lot_rule() -> LotRule:
    """Return the declared rule."""
    said = tomllib.loads(files("tracker.judgement").joinpath("lots.toml").read_text(encoding="utf-8"))
    kinds = {name: value for name, value in said["alike"].items() if name != "source"}
    return LotRule(concentration=said["concentration"], source=said["source"], **kinds)


def belief(prior: float, pieces: Sequence[Mapping[str, float]], rule: LotRule | None = None) -> LotBelief:
    """Return what is thought of the pieces of a lot together.

    Parameters
    ----------
    prior : float
        Fraction bad expected before looking, strictly between 0 and 1: of the source and the seller's other lots.
    pieces : sequence of mapping
        For each piece, decibans by family of what is on record of it alone (no prior, nothing from siblings).

    Notes
    -----
    Bench verdicts and truths speak of the siblings, too. Looks speak of the piece alone: how it looks beside its
    siblings is among its findings already, and among many pieces one that is taken for sanded by mistake is the rule.
    """
    known = rule or lot_rule()
    a = known.concentration * prior
    beyond = [{name: value for name, value in one.items() if name in BEYOND_LOOKS} for one in pieces]
    evidence = shared_evidence(beyond, known)
    own = np.array([math.fsum(one.values()) for one in pieces])
    private = np.where(np.abs(own - evidence) > _NOTHING, own - evidence, 0.0) * NEPER
    return LotBelief(a, known.concentration - a, evidence * NEPER, private)


def shared_evidence(pieces: Sequence[Mapping[str, float]], rule: LotRule) -> Floats:
    """Return each piece's evidence for the lot's sum, decibans, shape (pieces,).

    Notes
    -----
    Pieces that show the same do so for one reason: one jig, one limit, one process. So what m pieces show alike counts
    as m / (1 + (m - 1) alike) pieces' news instead of m (a cluster's design effect), shared out evenly. Of a family,
    what all that speak one way have counts so with all of them, what those beyond have in addition with those, and so
    on up to the strongest, whose last part is its own. Thus no piece's evidence changes its direction or grows.
    """
    evidence = np.zeros(len(pieces))
    for family in sorted({name for piece in pieces for name in piece}):
        values = np.array([piece.get(family, 0.0) for piece in pieces])
        for sign in (1.0, -1.0):
            evidence += sign * _shared_out(np.maximum(sign * values, 0.0), rule.alike(family))
    return evidence


def _shared_out(values: Floats, alike: float) -> Floats:
    """Share out what several pieces have alike; all values 0 or more."""
    order = np.argsort(-values, kind="stable")
    falling = np.append(values[order], 0.0)
    together = np.arange(1, values.size + 1)
    layers = (falling[:-1] - falling[1:]) / (1.0 + (together - 1) * alike)
    out = np.empty_like(values)
    out[order] = np.cumsum(layers[::-1])[::-1]
    return out


def own_evidence(found: Suspicion) -> dict[str, float]:
    """Return what is on record of a piece alone, decibans by family: without the prior and without its siblings."""
    own: dict[str, float] = {}
    for line in found.lines:
        if line.kind not in ("prior", SIBLINGS, "note"):
            own[line.family or _NO_FAMILY] = own.get(line.family or _NO_FAMILY, 0.0) + line.weight_db
    return own
