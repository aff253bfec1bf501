"""Which pieces of a lot still lack a photo, by what the photo shows."""

from dataclasses import dataclass

from tracker.desk.facts import inspected_pieces
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace

_ROLES = ("top", "bottom")


@dataclass(frozen=True, slots=True)
class PhotoNeeds:
    """A lot and the pieces without a photo.

    Parameters
    ----------
    lot : str
    part : str
        What its pieces are claimed to be.
    pieces : int
        How many it has.
    without : dict of str to tuple of str
        Labels of the pieces that have no photo yet, by role: 'top' and 'bottom'.
    """

    lot: str
    part: str
    pieces: int
    without: dict[str, tuple[str, ...]]


def photo_needs(workspace: Workspace, label: str) -> PhotoNeeds:
    """Return which pieces of a lot have no photo.

    Raises
    ------
    NoSuch
        When there is no such lot.
    """
    with workspace.read() as session:
        lot = find_lot(session, label)
        without = {}
        for role in _ROLES:
            done = inspected_pieces(session, lot, role)
            without[role] = tuple(piece.label for piece in lot.pieces if piece.id not in done)
        return PhotoNeeds(lot.label, lot.claimed_part, len(lot.pieces), without)
