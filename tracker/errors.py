"""Our exceptions and the exit codes they become. The core raises; one function at the rim translates."""

from enum import IntEnum


class ExitCode(IntEnum):
    """What the process tells a script."""

    DONE = 0
    NO = 1
    BAD_REQUEST = 2
    DAMAGED = 3
    INTERNAL = 70  # EX_SOFTWARE of sysexits.h


class LotproofError(Exception):
    """Base of all errors meant for a person.

    Parameters
    ----------
    what : str
        What was wrong and where: a full sentence.
    advice : str, optional
        What to do next: a full sentence.
    """

    exit_code = ExitCode.BAD_REQUEST

    def __init__(self, what: str, advice: str = "") -> None:
        super().__init__(f"{what} {advice}".strip())
        self.what = what
        self.advice = advice


class BadRequest(LotproofError):
    """The request was wrong; nothing was changed."""


class NoSuch(BadRequest):
    """What was named is not there."""


class AnswerIsNo(LotproofError):
    """The request was carried out and the answer is no."""

    exit_code = ExitCode.NO


class Damaged(LotproofError):
    """The workspace or a file in it is damaged."""

    exit_code = ExitCode.DAMAGED
