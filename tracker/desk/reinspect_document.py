"""What `lotproof reinspect` answers."""

from dataclasses import dataclass

from tracker.desk.documents.base import Document
from tracker.desk.reinspect_write import Moved

REINSPECT = "lotproof.reinspect/1"


@dataclass(frozen=True)
class SetAside:
    """A photo that could not be looked at, and why."""

    lot: str
    photo: str
    reason: str


@dataclass(frozen=True)
class Cost:
    """What a run reads and computes.

    Parameters
    ----------
    looks : int
        Photos opened: those to compare with among them, each once for every group of photos that one worker is handed.
    bytes_read : int
        From the evidence.
    cpu_s : float
        Processor time of looking; of a dry run, what it would be.
    source : str
        Where that comes from.
    """

    looks: int
    bytes_read: int
    cpu_s: float
    source: str


@dataclass(frozen=True, kw_only=True)
class ReinspectDocument(Document):
    """What a run did, or would do.

    Parameters
    ----------
    dry_run : bool
    lots, photos : int
        In what was asked for.
    to_do : int
        Photos that had not been looked at with the same.
    already, superseded, of_nobody, listing : int
        Photos that need no new look: looked at with the same; overtaken by later photos of the same pieces; without a
        chip that is known to be a piece; sellers' pictures.
    done : int
        Photos recorded anew.
    pieces : int
        Pieces recorded anew.
    aside : int
        Photos that could not be looked at.
    set_aside : tuple of SetAside
        1000 of them at most.
    changed : int
        Pieces that read otherwise, or whose odds moved by 3 decibans.
    moved : tuple of Moved
        Those whose odds moved furthest first; 1000 at most.
    notes : tuple of str
        1000 at most.
    cost : Cost
    seconds : float
    stopped : bool
        Whether somebody ended it before all was done.
    """

    dry_run: bool
    lots: int
    photos: int
    to_do: int
    already: int
    superseded: int
    of_nobody: int
    listing: int
    done: int
    pieces: int
    aside: int
    set_aside: tuple[SetAside, ...]
    changed: int
    moved: tuple[Moved, ...]
    notes: tuple[str, ...]
    cost: Cost
    seconds: float
    stopped: bool = False
    schema: str = REINSPECT
