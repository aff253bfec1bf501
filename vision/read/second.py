"""The second reader as one photo needs it: asked while it answers, done without once it fails."""

from collections.abc import Sequence

from vision.observations import PhotoWarning, Reading, Rgb
from vision.read import tesseract

ONE_READER = "one-reader"
"""The code of the warning that only one reader read a photo."""


class SecondReader:
    """Tesseract for the lines of one photo; after its first failure every line stays with the neural reader alone.

    Attributes
    ----------
    trouble : str or None
        Why it is no longer asked. A program that hangs would otherwise hold up every chip anew.
    """

    def __init__(self) -> None:
        self.trouble: str | None = None

    def read(self, crops: Sequence[Rgb]) -> list[Reading | None]:
        """Return a reading for each line, in order; None for every line where the reader cannot be asked.

        Parameters
        ----------
        crops : sequence of ndarray of uint8, shape (height, width, 3), RGB
        """
        if self.trouble is None:
            try:
                return list(tesseract.read(crops))
            except tesseract.TesseractError as error:
                self.trouble = str(error)
        return [None] * len(crops)

    def warnings(self) -> tuple[PhotoWarning, ...]:
        """Return what a person should know about how this photo was read."""
        if self.trouble is None:
            return ()
        advice = "Lines were read by the neural reader alone, so nothing confirms them: check them by eye."
        return (PhotoWarning(ONE_READER, f"{self.trouble.rstrip('.')}. {advice}"),)
