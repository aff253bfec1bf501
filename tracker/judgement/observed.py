"""What judgement needs to know of an observed fact, wherever it was observed."""

from dataclasses import dataclass
from typing import Protocol


class Observed(Protocol):
    """A fact with a name, a family, a strength and a sentence; what looks at photos supplies such values."""

    @property
    def code(self) -> str:
        """Stable name, as declared in indicators.toml."""
        ...

    @property
    def family(self) -> str:
        """Family of the indicator."""
        ...

    @property
    def message(self) -> str:
        """A sentence a customer would understand."""
        ...

    @property
    def strength(self) -> str:
        """'slight' or 'clear'."""
        ...


@dataclass(frozen=True, slots=True)
class Remark:
    """A fact that judgement itself found by holding a claim against a reading.

    Parameters
    ----------
    code, family, message, strength : str
        As in `Observed`.
    value, reference : float or None
        What was read and what it was held against, in `unit`.
    reference_range : tuple of float or None
        Lowest and highest of what it was held against, where that is a range.
    line : int or None
        Which line of the marking it is about, counted from 0.
    """

    code: str
    message: str
    strength: str = "clear"
    family: str = "text"
    value: float | None = None
    unit: str | None = None
    reference: float | None = None
    line: int | None = None
    reference_range: tuple[float, float] | None = None
