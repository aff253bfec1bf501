"""What `doctor` says of one part."""

from dataclasses import dataclass

WORKS, MISSING, FAILS, UNUSED = "works", "missing", "fails", "not set up"


@dataclass(frozen=True, slots=True)
class Check:
    """One part of the installation.

    Attributes
    ----------
    name : str
    state : str
        works, missing, fails, or not set up.
    needed : bool
        Whether Lotproof's main job needs it.
    detail : str
        Version, place, or what went wrong.
    advice : str
        How to get it or mend it; empty when it works.
    """

    name: str
    state: str
    needed: bool
    detail: str
    advice: str = ""

    @property
    def bad(self) -> bool:
        """True when something needed does not work."""
        return self.needed and self.state in (MISSING, FAILS)
