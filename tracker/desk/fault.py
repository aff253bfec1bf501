"""What a check of the workspace has to say: faults, and notices that leave it sound."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was recorded.

    Attributes
    ----------
    rung, code : str
        e.g. 'hashes', 'file-changed'.
    subject : str
        What it is about: a label, a digest, 'entry 7', 'piece row 12'.
    message : str
        A full sentence.
    """

    rung: str
    code: str
    subject: str
    message: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Something a person should know of that leaves the workspace sound; the parts are those of `Fault`."""

    code: str
    subject: str
    message: str
