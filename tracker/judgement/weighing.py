"""Observed facts, and what was looked for in vain, with their weights: what a sum is made of."""

from collections.abc import Iterable
from dataclasses import dataclass

from tracker.judgement.counts import ABSENT, CLEAR, OUTCOMES, Basis
from tracker.judgement.observed import Observed
from tracker.judgement.weights import Weights, declared


@dataclass(frozen=True, slots=True)
class Weighed:
    """One fact with its weight.

    Parameters
    ----------
    code, family : str
    weight_db : float
        Decibans; positive speaks for 'not genuine'.
    message : str
        The reason, for a person.
    found : bool
        False for something looked for and not found.
    basis : Basis or None
        The counts its weight stands on; None where nobody declared it.
    """

    code: str
    family: str
    weight_db: float
    message: str
    found: bool = True
    basis: Basis | None = None


def weigh(
    found: Iterable[Observed], looked_for: Iterable[str] = (), weights: Weights | None = None
) -> tuple[Weighed, ...]:
    """Give observed facts, and what was looked for in vain, their weights.

    A code seen several times counts once, at its strongest. A code nobody declared counts 0 and says so: an unweighed
    fact may be read by a person but must not move a probability.

    Parameters
    ----------
    found : iterable of Observed
    looked_for : iterable of str
        Codes that could have been seen. Those among `found` are left out.
    weights : Weights, optional
        The declared ones where not given.

    Returns
    -------
    tuple of Weighed
        What was found, strongest first, then what was not.
    """
    known = declared() if weights is None else weights
    # Clear before slight, whatever either has come to weigh: a piece shows an indicator in one way.
    strongest: dict[str, Observed] = {}
    for fact in found:
        earlier = strongest.get(fact.code)
        if earlier is None or OUTCOMES.index(fact.strength) < OUTCOMES.index(earlier.strength):
            strongest[fact.code] = fact
    seen = sorted((_found(fact, known) for fact in strongest.values()), key=lambda item: (-item.weight_db, item.code))
    return (*seen, *absent([code for code in looked_for if code not in strongest], known))


def _found(fact: Observed, weights: Weights) -> Weighed:
    return weighed_as(fact.code, fact.message, weights, fact.strength, fact.family)


def weighed_as(code: str, message: str, weights: Weights, strength: str = CLEAR, family: str | None = None) -> Weighed:
    """Return one fact with its weight and the counts that it stands on; 0 where nobody declared it.

    Parameters
    ----------
    family : str, optional
        As declared where not given.
    """
    known = weights.indicators.get(code)
    if known is None:
        return Weighed(code, family or "", 0.0, message)
    basis = weights.basis(code, strength)
    return Weighed(code, family or known.family, weights.weight_db(code, strength), message, basis=basis)


def absent(codes: Iterable[str], weights: Weights) -> list[Weighed]:
    """Return what was looked for and not found, each once; a code nobody declared is left out."""
    known, once = weights.indicators, weights.once
    return [once("absence", code, _in_vain_of) for code in dict.fromkeys(codes) if code in known]


def _in_vain_of(weights: Weights, code: str) -> Weighed:
    known = weights.indicator(code)
    weight, basis = weights.absent_weight_db(code), weights.basis(code, ABSENT)
    return Weighed(code, known.family, weight, known.title, found=False, basis=basis)
