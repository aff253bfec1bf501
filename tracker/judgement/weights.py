"""Indicators and their weights in decibans: from the declared counts and from what settled pieces added to them."""

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from hashlib import sha256
from importlib.resources import files
from types import MappingProxyType
from typing import Any, TypeVar

from tracker.judgement.counts import ABSENT, CLEAR, SLIGHT, STRENGTHS, UNTAUGHT, Basis, Counts, Taught
from tracker.judgement.together import AS_DECLARED, Together

FILE = "indicators.toml"
Made = TypeVar("Made")
NOTHING = 1e-9
"""Where a piece is left out of a sum of fractions, rounding may leave a trace of it."""


@dataclass(frozen=True, slots=True)
class Indicator:
    """Something that can be observed of a piece.

    Parameters
    ----------
    code : str
        Stable name, e.g. 'surface-sanded'.
    family : str
        Indicators of one family are not independent and share a cap.
    title : str
        A few words for a person.
    not_genuine, genuine : Counts
        How often it is seen on either kind of piece.
    source : str
        Where the counts come from.
    why : str
        The reasoning behind them.
    """

    code: str
    family: str
    title: str
    not_genuine: Counts
    genuine: Counts
    source: str
    why: str

    @property
    def has_slight(self) -> bool:
        """Whether it is told apart how strongly it is seen."""
        return bool(self.not_genuine.slight and self.genuine.slight)


@dataclass(frozen=True, slots=True)
class Family:
    """Indicators that look at the same thing.

    Parameters
    ----------
    name, title : str
    cap_for, cap_against : float
        Decibans, both positive: the most the family may say towards 'not genuine' and towards 'genuine'.
    cap_absent : float
        Decibans, positive: the most that 'looked for and not found' may say towards 'genuine'.
    source : str
        Where the caps come from.
    """

    name: str
    title: str
    cap_for: float
    cap_against: float
    cap_absent: float
    source: str

    @property
    def looks_for_signs(self) -> bool:
        """Whether something is looked for in it and may be missing; what a test or a statement says is no such sign."""
        return self.cap_absent > 0


class UnknownIndicator(LookupError):
    """A code that indicators.toml does not declare."""


@dataclass(frozen=True, slots=True)
class Weights:
    """What each observation weighs: declared counts, and what settled pieces added.

    A value that is passed down. `declared()` gives the one nothing was added to; the desk builds the workshop's own
    from its records (`Experience` of `tracker/judgement/learning.py`).

    Parameters
    ----------
    indicators : mapping of str to Indicator
    families : mapping of str to Family
    version : str
        Which declared counts these are and what was added to them.
    declared_pieces : float
        How many pieces of either kind the declared counts are worth beside settled ones.
    taught : mapping of str to Taught
        By code; an indicator that nothing taught is left out.
    together : Together
        What signs have been worth together.
    """

    indicators: Mapping[str, Indicator]
    families: Mapping[str, Family]
    version: str
    declared_pieces: float
    taught: Mapping[str, Taught] = field(default_factory=dict)
    together: Together = AS_DECLARED
    _made: dict[tuple[str, str, int], tuple[Any, Taught]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """What was worked out already: a list asks for the same thousands of times. By code, what it is, and the lessons it
    stands on; those are kept beside it, so that no other lessons can come by their identity."""

    _worth: dict[str, tuple[Counts, Counts]] = field(default_factory=dict, init=False, repr=False, compare=False)
    """The declared counts of a code, of so many pieces as they are worth; lessons have no part in them."""

    silences: dict[tuple[str, ...], Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What `silences` of `tracker/judgement/suspicion.py` worked out, by what was looked for."""

    def taught_otherwise(self, taught: Mapping[str, Taught], together: Together) -> "Weights":
        """Return the same declared counts with other lessons; what stands on lessons they share is not made again."""
        other = replace(self, taught=taught, together=together)
        object.__setattr__(other, "_made", self._made)
        object.__setattr__(other, "_worth", self._worth)
        return other

    def once(self, what: str, code: str, make: Callable[["Weights", str], Made]) -> Made:
        """Return what `make` gives of these weights for an indicator; made once for the lessons it stands on."""
        taught = self.taught.get(code, UNTAUGHT)
        key = (what, code, id(taught))
        found = self._made.get(key)
        if found is None:
            found = self._made[key] = (make(self, code), taught)
        made: Made = found[0]
        return made

    def indicator(self, code: str) -> Indicator:
        """Return the indicator `code`.

        Raises
        ------
        UnknownIndicator
            Where indicators.toml does not declare it.
        """
        try:
            return self.indicators[code]
        except KeyError:
            raise UnknownIndicator(f"no indicator is declared under the code {code!r}") from None

    def counts(self, code: str, outcome: str) -> tuple[Counts, Counts]:
        """Return the counts that the weight of `code` stands on: of pieces that are not genuine, and of genuine ones.

        Declared and settled ones together; the declared ones alone for what no settled piece has shown.

        Notes
        -----
        That fifty genuine pieces and ten others do not show something says that it is rare, not whom it would accuse.
        Counted all the same it would: mostly genuine pieces are settled, so a sign that nobody ever saw would come to
        be taken for rarer on genuine pieces, and grow by 4 decibans in a hundred settled pieces.
        """
        bad, good = self._declared(code)
        if not self.tried(code, outcome):
            return bad, good
        taught = self.taught.get(code, UNTAUGHT)
        return bad + taught.not_genuine, good + taught.genuine

    def _declared(self, code: str) -> tuple[Counts, Counts]:
        found = self._worth.get(code)
        if found is None:
            known, pieces = self.indicator(code), self.declared_pieces
            found = self._worth[code] = (known.not_genuine.worth(pieces), known.genuine.worth(pieces))
        return found

    def tried(self, code: str, outcome: str) -> bool:
        """Return whether a settled piece has shown an indicator in this way."""
        taught = self.taught.get(code, UNTAUGHT)
        return taught.not_genuine.of(outcome) + taught.genuine.of(outcome) > NOTHING

    def weight_db(self, code: str, strength: str = CLEAR) -> float:
        """Return what it says that `code` was observed, in decibans; positive speaks for 'not genuine'.

        Parameters
        ----------
        code : str
            As declared in indicators.toml.
        strength : str
            'clear' or 'slight'. An indicator that declares no slight form says nothing (0) when slightly seen.

        Raises
        ------
        UnknownIndicator
            Where the code is not declared.
        ValueError
            On any other strength.
        """
        if strength not in STRENGTHS:
            raise ValueError(f"strength is 'clear' or 'slight', not {strength!r}")
        if strength == SLIGHT and not self.indicator(code).has_slight:
            return 0.0
        return self._weight_db(code, strength)

    def absent_weight_db(self, code: str) -> float:
        """Return what it says that `code` was looked for, could have been seen, and was not; usually a little below 0.

        Raises
        ------
        UnknownIndicator
            Where the code is not declared.
        """
        return self._weight_db(code, ABSENT)

    def _weight_db(self, code: str, outcome: str) -> float:
        return self._entry(code, outcome)[0]

    def basis(self, code: str, outcome: str) -> Basis:
        """Return the counts that the weight of `code` stands on, for one of `OUTCOMES`."""
        return self._entry(code, outcome)[1]

    def _entry(self, code: str, outcome: str) -> tuple[float, Basis]:
        return self.once(outcome, code, _MAKERS[outcome])

    def _work_out(self, code: str, outcome: str) -> tuple[float, Basis]:
        (bad, good), taught = self.counts(code, outcome), self.taught.get(code, UNTAUGHT)
        basis = Basis(
            not_genuine_seen=bad.of(outcome),
            not_genuine_of=bad.total,
            genuine_seen=good.of(outcome),
            genuine_of=good.total,
            declared=self.declared_pieces,
            settled=taught.pieces,
            lots=taught.lots,
            tried=self.tried(code, outcome),
        )
        if not (basis.not_genuine_seen and basis.genuine_seen):
            return 0.0, basis
        # The mean of a Dirichlet posterior on either side: with it, Bayes' theorem for one more piece is exact.
        ratio = (bad.of(outcome) / bad.total) / (good.of(outcome) / good.total)
        return decibans(ratio), basis


_MAKERS: Mapping[str, Callable[[Weights, str], tuple[float, Basis]]] = {
    CLEAR: lambda weights, code: weights._work_out(code, CLEAR),
    SLIGHT: lambda weights, code: weights._work_out(code, SLIGHT),
    ABSENT: lambda weights, code: weights._work_out(code, ABSENT),
}


@dataclass(frozen=True, slots=True)
class LearningRule:
    """How settled pieces add to the declared counts.

    Parameters
    ----------
    declared_pieces : float
        How many pieces of either kind the declared counts are worth.
    alike_in_lot : float
        How alike pieces of one lot are, 0 to 1 (intra-class correlation).
    together_sd : float
        Standard deviation of the opinion that `Together()` holds.
    source : str
        Where the two come from.
    """

    declared_pieces: float
    alike_in_lot: float
    together_sd: float
    source: str


@cache
def _data() -> bytes:
    return files("tracker.judgement").joinpath(FILE).read_bytes()


@cache
def _document() -> dict[str, Any]:
    return tomllib.loads(_data().decode("utf-8"))


@cache
def declared_version() -> str:
    """Return which declared counts these are: 'indicators.toml sha256:first twelve digits', of the file as it is."""
    return f"{FILE} sha256:{sha256(_data()).hexdigest()[:12]}"


@cache
def indicators() -> Mapping[str, Indicator]:
    """Return every declared indicator by its code."""
    return MappingProxyType(
        {
            code: Indicator(
                code=code,
                family=entry["family"],
                title=entry["title"],
                not_genuine=Counts(**entry["not_genuine"]),
                genuine=Counts(**entry["genuine"]),
                source=entry["source"],
                why=entry["why"],
            )
            for code, entry in _document()["indicator"].items()
        }
    )


@cache
def families() -> Mapping[str, Family]:
    """Return every family of indicators by its name."""
    return MappingProxyType({name: Family(name=name, **entry) for name, entry in _document()["family"].items()})


@cache
def learning_rule() -> LearningRule:
    """Return the declared rule by which settled pieces add to the counts."""
    return LearningRule(**_document()["learning"])


@cache
def declared() -> Weights:
    """Return the weights of the declared counts alone, as for photos that belong to no workspace."""
    return Weights(indicators(), families(), declared_version(), learning_rule().declared_pieces)


def decibans(ratio: float) -> float:
    """Return 10 log10 of a likelihood ratio above 0 (Good, 1979, Biometrika 66, 393-396)."""
    return 10.0 * math.log10(ratio)
