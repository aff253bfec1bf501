"""How long each bench test takes, and what it needs to be worth doing."""

from dataclasses import dataclass
from functools import cache

from tracker.knowledge.facts import sourced, table


@dataclass(frozen=True, slots=True)
class BenchTest:
    """One bench test.

    Parameters
    ----------
    name : str
        'signature', 'current', 'clock', 'curve', 'soak' or 'in-circuit'.
    setup_min, piece_min : float
        Minutes spent once for a lot, and on each piece.
    needs : str
    source : str
        Where the minutes come from.
    """

    name: str
    setup_min: float
    piece_min: float
    needs: str
    source: str


@cache
def bench_tests() -> dict[str, BenchTest]:
    """Return the bench tests by name, quickest first."""
    return {
        entry["name"]: BenchTest(
            entry["name"], float(entry["setup_min"]), float(entry["piece_min"]), entry["needs"], sourced(entry)
        )
        for entry in table("bench_tests.toml")["test"]
    }
