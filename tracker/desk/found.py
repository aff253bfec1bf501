"""What one part of a check found: how much was looked at, how many faults there were, and the first of them."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

from tracker.desk.fault import Fault

MOST_FAULTS = 100
"""Faults kept in a report; the others are only counted. Our own choice."""


@dataclass(slots=True)
class Found:
    """Grows while the check goes on; never more than `MOST_FAULTS` faults are kept."""

    checked: int = 0
    count: int = 0
    faults: list[Fault] = field(default_factory=list)

    def take(self, items: Iterable[Fault | int]) -> None:
        """Take in what is found: each item is a fault, or a number of things checked."""
        for item in items:
            if isinstance(item, int):
                self.checked += item
                continue
            self.count += 1
            if len(self.faults) < MOST_FAULTS:
                self.faults.append(item)

    def add(self, other: "Found") -> None:
        """Add what another part found, behind what is here."""
        self.checked += other.checked
        self.count += other.count
        self.faults += other.faults[: MOST_FAULTS - len(self.faults)]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return asdict(self)

    @classmethod
    def from_json(cls, said: dict[str, Any]) -> "Found":
        """Read what `as_json` gave."""
        return cls(int(said["checked"]), int(said["count"]), [Fault(**one) for one in said["faults"]])
