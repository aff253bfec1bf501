"""What goes wrong with a photo, in words for the person who took it."""


class PhotoError(Exception):
    """A photo cannot be used.

    Parameters
    ----------
    what : str
        What is wrong, naming the file.
    advice : str
        What the person can do about it.
    """

    def __init__(self, what: str, advice: str) -> None:
        super().__init__(f"{what} {advice}".strip())
        self.what = what
        self.advice = advice
