"""Power into a board and into its supply: real, apparent, power factor and what the supply itself turns to heat.

Definitions as in IEEE Std 1459-2010 (from memory): apparent power is the product of the root-mean-square voltage and
current, the power factor is real over apparent power. Uncertainties combine as in JCGM 100:2008, 5.1.2.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.bench.conformity import Conformity, Verdict, verdict
from tracker.bench.figures import show_with_u
from tracker.bench.uncertainty import Component, combine
from tracker.errors import BadRequest

SOURCE = "IEEE Std 1459-2010, definitions of apparent power and power factor, from memory"
DEFAULT_SHARE = 0.02
DEFAULT_U_SOURCE = (
    "each reading taken as known within +/-2 %, rectangular, as no uncertainty was stated; usual for a handheld meter "
    "or a plug-in power meter, common practice, no source"
)
_ABOVE_ONE = 2.0  # standard uncertainties by which a ratio that cannot exceed 1 may do so before it is doubted


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty `u`, both in `unit`."""

    value: float
    u: float
    unit: str

    def within(self, share: float) -> "Measured":
        """Return the same value, known within a share either way, rectangular (GUM 4.3.7)."""
        return Measured(self.value, abs(self.value) * share / math.sqrt(3.0), self.unit)


@dataclass(frozen=True, slots=True)
class PowerInput:
    """What was read; None where it was not. Volts, amperes and watts; mains values are root-mean-square.

    Parameters
    ----------
    board : sequence of (Measured, Measured)
        Voltage and current of each rail.
    mains_v, mains_a, mains_w : Measured or None
    """

    board: Sequence[tuple[Measured, Measured]] = ()
    mains_v: Measured | None = None
    mains_a: Measured | None = None
    mains_w: Measured | None = None


@dataclass(frozen=True, slots=True)
class PowerResult:
    """The powers that the readings give; None where they give none.

    Parameters
    ----------
    board_w : Measured or None
        Into the board, all rails together.
    real_w : Measured or None
        Into the supply.
    apparent_va : Measured or None
    power_factor : Measured or None
    loss_w : Measured or None
        What goes into the supply and not into the board.
    conformity : Conformity or None
        Of the real power with a stated limit, else of the board's.
    cautions : tuple of str
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    board_w: Measured | None
    real_w: Measured | None
    apparent_va: Measured | None
    power_factor: Measured | None
    loss_w: Measured | None
    conformity: Conformity | None
    cautions: tuple[str, ...]
    source: str = SOURCE


_NO_LIMIT = ("No limit was stated, so there is no verdict; --limit '35 W' would state one.",)


def evaluate(read: PowerInput, *, limit_w: float | None = None) -> PowerResult:
    """Return the powers, and the verdict where a limit is stated.

    Parameters
    ----------
    read : PowerInput
    limit_w : float, optional
        Most that may go into the supply (or, without a mains reading, into the board); watts, above 0.

    Raises
    ------
    BadRequest
        Nothing that gives a power, or a limit without a power to hold against it.
    """
    board = _sum([_product(volts, amperes, "W") for volts, amperes in read.board])
    apparent = None
    if read.mains_v is not None and read.mains_a is not None:
        apparent = _product(read.mains_v, read.mains_a, "VA")
    if board is None and read.mains_w is None and apparent is None:
        raise BadRequest(
            "Nothing that was read gives a power.",
            "State board voltage and current, mains power, or mains voltage and current.",
        )
    factor = None if read.mains_w is None or apparent is None else _ratio(read.mains_w, apparent)
    loss = None if read.mains_w is None or board is None else _less(read.mains_w, board)
    held = None
    subject = read.mains_w or board
    if limit_w is not None:
        if subject is None:
            raise BadRequest("A limit in watts needs a real power.", "Apparent power alone is no such thing.")
        held = verdict(subject.value, subject.u, upper=limit_w, unit="W")
    return PowerResult(
        verdict="undecided" if held is None else held.verdict,
        rule="no limit was stated" if held is None else held.rule,
        reasons=_NO_LIMIT if held is None or subject is None else (_held(read, subject),),
        board_w=board,
        real_w=read.mains_w,
        apparent_va=apparent,
        power_factor=factor,
        loss_w=loss,
        conformity=held,
        cautions=(*_alone(read), *_cautions(factor, loss)),
    )


def _held(read: PowerInput, subject: Measured) -> str:
    """Return what was held against the limit, in a sentence."""
    what = "the supply" if read.mains_w is not None else "the board"
    return f"Into {what} go {show_with_u(subject.value, subject.u, 'W')}."


def _product(one: Measured, other: Measured, unit: str) -> Measured:
    combined = combine([Component("one", one.u, other.value), Component("other", other.u, one.value)])
    return Measured(one.value * other.value, combined.u, unit)


def _sum(parts: Sequence[Measured]) -> Measured | None:
    if not parts:
        return None
    combined = combine([Component(str(i), part.u) for i, part in enumerate(parts)])
    return Measured(math.fsum(part.value for part in parts), combined.u, parts[0].unit)


def _ratio(real: Measured, apparent: Measured) -> Measured | None:
    if apparent.value == 0:
        return None
    value = real.value / apparent.value
    parts = [
        Component("real", real.u, 1 / apparent.value),
        Component("apparent", apparent.u, value / apparent.value),
    ]
    return Measured(value, combine(parts).u, "")


def _less(one: Measured, other: Measured) -> Measured:
    return Measured(one.value - other.value, math.hypot(one.u, other.u), one.unit)


def _alone(read: PowerInput) -> tuple[str, ...]:
    """Return what a mains reading lacks that was given and enters into nothing."""
    if read.mains_a is not None and read.mains_v is None:
        return ("The mains current alone gives no power: state the mains voltage as well.",)
    if read.mains_v is not None and read.mains_a is None:
        return ("The mains voltage alone gives no power: state the mains current as well.",)
    return ()


def _cautions(factor: Measured | None, loss: Measured | None) -> tuple[str, ...]:
    told = []
    if factor is not None and factor.value > 1 + _ABOVE_ONE * factor.u:
        told.append("More real than apparent power cannot be: one of the mains readings is wrong.")
    if loss is not None and loss.value < -_ABOVE_ONE * loss.u:
        told.append("More power goes into the board than into its supply, which cannot be: check the readings.")
    return tuple(told)
