"""What is thought of a piece before it is looked at: the kind of source and the seller's own record."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from tracker.judgement.suspicion import probability_to_db

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class SourceKind:
    """One kind of source and the declared opinion of it.

    Parameters
    ----------
    name, title : str
    not_genuine : float
        Mean share of pieces that are not what they claim, 0 to 1.
    pieces : float
        How many observed pieces this opinion is worth.
    source : str
        Where the numbers come from.
    """

    name: str
    title: str
    not_genuine: float
    pieces: float
    source: str

    @property
    def bad(self) -> float:
        """First parameter of the Beta distribution."""
        return self.not_genuine * self.pieces

    @property
    def good(self) -> float:
        """Second parameter of the Beta distribution."""
        return (1 - self.not_genuine) * self.pieces


@dataclass(frozen=True, slots=True)
class Prior:
    """What is thought of a piece before looking: odds of 'not genuine' in decibans, and why."""

    db: float
    text: str


@cache
def source_kinds() -> Mapping[str, SourceKind]:
    """Return every kind of source by its name."""
    document = tomllib.loads(files("tracker.judgement").joinpath("priors.toml").read_text(encoding="utf-8"))
    return MappingProxyType({name: SourceKind(name=name, **entry) for name, entry in document["source"].items()})


def source_kind(name: str | None) -> SourceKind:
    """Return the kind `name`; one that is not declared counts as unknown."""
    return source_kinds().get(name or UNKNOWN, source_kinds()[UNKNOWN])


def _posterior(kind: str | None, bad: float, good: float) -> tuple[float, float]:
    """Return the parameters of the Beta posterior: the declared opinion plus what was counted."""
    if bad < 0 or good < 0:
        raise ValueError("a record counts 0 or more pieces")
    declared = source_kind(kind)
    return declared.bad + bad, declared.good + good


def prior_db(kind: str | None, seller_bad: float = 0.0, seller_good: float = 0.0) -> float:
    """Return the prior odds of 'not genuine' in decibans, from the mean of the seller's Beta posterior."""
    a, b = _posterior(kind, seller_bad, seller_good)
    return probability_to_db(a / (a + b))


def prior_text(kind: str | None, seller_bad: float = 0.0, seller_good: float = 0.0) -> str:
    """Return the sentence that stands beside the prior in a sum."""
    a, b = _posterior(kind, seller_bad, seller_good)
    text = f"Before looking: {source_kind(kind).title}"
    if seller_bad or seller_good:
        lots = seller_bad + seller_good
        text += f", this seller's record {seller_bad:g} of {lots:g} {'lot' if lots == 1 else 'lots'} not as claimed"
    return f"{text}; {100 * a / (a + b):.2g} % of such pieces are taken not to be what they claim"


def before_looking(kind: str | None, seller_bad: float = 0.0, seller_good: float = 0.0) -> Prior:
    """Return the prior and the sentence beside it."""
    return Prior(prior_db(kind, seller_bad, seller_good), prior_text(kind, seller_bad, seller_good))
