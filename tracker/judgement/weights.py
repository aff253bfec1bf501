"""Indicators and their weights in decibans: from the declared counts and from what settled pieces added to them."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from hashlib import sha256
from importlib.resources import files
from types import MappingProxyType
from typing import Any

CLEAR = "clear"
SLIGHT = "slight"
ABSENT = "absent"
STRENGTHS = (CLEAR, SLIGHT)
OUTCOMES = (CLEAR, SLIGHT, ABSENT)
"""What becomes of looking for an indicator: it is seen clearly, slightly, or not at all."""
FILE = "indicators.toml"


@dataclass(frozen=True, slots=True)
class Counts:
    """How many pieces of one kind show an indicator clearly, slightly, or not at all; fractions are allowed."""

    present: float
    absent: float
    slight: float = 0.0

    @property
    def total(self) -> float:
        """All pieces of this kind."""
        return self.present + self.slight + self.absent

    def of(self, outcome: str) -> float:
        """Return the count of one of `OUTCOMES`."""
        return {CLEAR: self.present, SLIGHT: self.slight, ABSENT: self.absent}[outcome]

    def worth(self, pieces: float) -> "Counts":
        """Return the same shares of so many pieces."""
        factor = pieces / self.total
        return Counts(self.present * factor, self.absent * factor, self.slight * factor)

    def __add__(self, other: "Counts") -> "Counts":
        """Return both together."""
        return Counts(self.present + other.present, self.absent + other.absent, self.slight + other.slight)


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


NOTHING_COUNTED = Counts(0.0, 0.0)
_NOTHING = 1e-9
"""Where a piece is left out of a sum of fractions, rounding may leave a trace of it."""


@dataclass(frozen=True, slots=True)
class Taught:
    """What pieces whose truth is known add to the counts of one indicator.

    Parameters
    ----------
    not_genuine, genuine : Counts
        In effective pieces: those of one lot count less than one each (see `tracker/judgement/learning.py`).
    pieces : int
        How many pieces that was, before.
    lots : int
        How many lots they came in.
    """

    not_genuine: Counts = NOTHING_COUNTED
    genuine: Counts = NOTHING_COUNTED
    pieces: int = 0
    lots: int = 0


UNTAUGHT = Taught()


@dataclass(frozen=True, slots=True)
class Basis:
    """The counts that one weight stands on.

    Parameters
    ----------
    not_genuine_seen, not_genuine_of, genuine_seen, genuine_of : float
        Of so many pieces of either kind so many showed it so (or, of an absence, did not show it); declared and settled
        ones together.
    declared : float
        How many pieces of either kind the declared counts are worth.
    settled : int
        Pieces settled here that are in the counts.
    lots : int
        The lots they came in.
    tried : bool
        False where no piece settled here has shown it: the counts are then the declared ones alone.
    """

    not_genuine_seen: float
    not_genuine_of: float
    genuine_seen: float
    genuine_of: float
    declared: float
    settled: int
    lots: int
    tried: bool


@dataclass(frozen=True, slots=True)
class Together:
    """What the signs on a piece have been worth together (see `tracker/judgement/together.py`).

    Parameters
    ----------
    found : float
        Share of the sum of signs, every family capped, that counts; 1 where nothing is known.
    in_vain : float
        Share that counts of what was looked for, not found, and not in that sum; 0 where nothing is known.
    pieces, lots : int
        How many settled pieces, of how many lots, have shown so.
    """

    found: float = 1.0
    in_vain: float = 0.0
    pieces: int = 0
    lots: int = 0


AS_DECLARED = Together()


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
    _known: dict[tuple[str, str], tuple[float, Basis]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Weights already worked out: a list asks for the same ones thousands of times."""

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
        known = self.indicator(code)
        bad, good = known.not_genuine.worth(self.declared_pieces), known.genuine.worth(self.declared_pieces)
        if not self.tried(code, outcome):
            return bad, good
        taught = self.taught.get(code, UNTAUGHT)
        return bad + taught.not_genuine, good + taught.genuine

    def tried(self, code: str, outcome: str) -> bool:
        """Return whether a settled piece has shown an indicator in this way."""
        taught = self.taught.get(code, UNTAUGHT)
        return taught.not_genuine.of(outcome) + taught.genuine.of(outcome) > _NOTHING

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
        if (code, outcome) not in self._known:
            self._known[code, outcome] = self._work_out(code, outcome)
        return self._known[code, outcome]

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
