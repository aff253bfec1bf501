"""What reading may know of the trade, handed in as a value so that `vision` imports nothing of it."""

from typing import Protocol


class Lexicon(Protocol):
    """How likely a line of marking is, as the trade writes part numbers, date codes and countries."""

    def plausibility(self, text: str) -> float:
        """Return the log10 odds that a marking line reads `text` rather than a random string of its length.

        Parameters
        ----------
        text : str
            One line or token as read, upper case or not.

        Returns
        -------
        float
            0 says nothing is known; positive: a known shape (part number, date code, country). Bounded to -2..4.
        """
        ...


class NoLexicon:
    """Knows nothing; every text is as likely as another."""

    def plausibility(self, text: str) -> float:
        """Return 0 for every text."""
        return 0.0
