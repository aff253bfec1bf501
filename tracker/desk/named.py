"""What a label names, in a line: for pages that are about to hand it out."""

from dataclasses import dataclass

from tracker.desk.pieces import find_lot, find_piece, plain_label
from tracker.desk.workspace import Workspace


@dataclass(frozen=True, slots=True)
class Named:
    """A lot or a piece: its label as on record, what it claims, from whom, and how many pieces the lot has."""

    label: str
    lot: str
    part: str
    seller: str
    pieces: int

    @property
    def is_lot(self) -> bool:
        """Whether it is a whole lot."""
        return self.label == self.lot


def named(workspace: Workspace, label: str, *, lot: bool = False) -> Named:
    """Return what a label names.

    Parameters
    ----------
    lot : bool
        Of a piece, its lot.

    Raises
    ------
    BadRequest
        When nothing has this label.
    """
    word = plain_label(label)
    with workspace.read() as session:
        if "-" in word:
            piece = find_piece(session, word)
            whole, found = piece.lot, piece.label
        else:
            whole = find_lot(session, word)
            found = whole.label
        shown = whole.label if lot else found
        return Named(shown, whole.label, whole.claimed_part, whole.seller.name, len(whole.pieces))
