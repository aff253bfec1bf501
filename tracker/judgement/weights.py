"""The declared indicators and their weights in decibans, from counts."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from types import MappingProxyType
from typing import Any

CLEAR = "clear"
SLIGHT = "slight"
STRENGTHS = (CLEAR, SLIGHT)
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


class UnknownIndicator(LookupError):
    """A code that indicators.toml does not declare."""


@cache
def _data() -> bytes:
    return files("tracker.judgement").joinpath(FILE).read_bytes()


@cache
def _document() -> dict[str, Any]:
    return tomllib.loads(_data().decode("utf-8"))


@cache
def weights_version() -> str:
    """Return which declared weights these are: 'indicators.toml sha256:first twelve digits', of the file as it is."""
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


def indicator(code: str) -> Indicator:
    """Return the indicator `code`.

    Raises
    ------
    UnknownIndicator
        Where indicators.toml does not declare it.
    """
    try:
        return indicators()[code]
    except KeyError:
        raise UnknownIndicator(f"no indicator is declared under the code {code!r}") from None


def decibans(ratio: float) -> float:
    """Return 10 log10 of a likelihood ratio above 0 (Good, 1979, Biometrika 66, 393-396)."""
    return 10.0 * math.log10(ratio)


def _ratio(seen: Indicator, not_genuine: float, genuine: float) -> float:
    return (not_genuine / seen.not_genuine.total) / (genuine / seen.genuine.total)


def weight_db(code: str, strength: str = CLEAR) -> float:
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
    seen = indicator(code)
    if strength == CLEAR:
        return decibans(_ratio(seen, seen.not_genuine.present, seen.genuine.present))
    if not (seen.not_genuine.slight and seen.genuine.slight):
        return 0.0
    return decibans(_ratio(seen, seen.not_genuine.slight, seen.genuine.slight))


def absent_weight_db(code: str) -> float:
    """Return what it says that `code` was looked for, could have been seen, and was not; usually a little below 0.

    Raises
    ------
    UnknownIndicator
        Where the code is not declared.
    """
    seen = indicator(code)
    return decibans(_ratio(seen, seen.not_genuine.absent, seen.genuine.absent))
