"""The inspection card in photos: in the contract's form, and whose it is."""

from collections.abc import Mapping

from tracker.desk.contract import CardCellSeen, CardMarkerSeen, CardSeen
from tracker.errors import BadRequest
from vision.observations import CardView


def card_seen(card: CardView | None) -> CardSeen | None:
    """Return a card as the inspection document has it."""
    if card is None:
        return None
    balance = card.white_balance if isinstance(card.white_balance, tuple) else None
    return CardSeen(
        kind=card.kind,
        lot=card.lot,
        page=card.page,
        markers=tuple(
            CardMarkerSeen(place=m.place, outline=m.outline, residual_mm=m.residual_mm, used=m.used)
            for m in card.markers
        ),
        mm_per_px=round(card.mm_per_px, 6),
        residual_mm=round(card.residual_mm, 4),
        camera_height_mm=round(card.camera_height.value, 1),
        camera_height_u_mm=round(card.camera_height.u, 1),
        white_balance=None if balance is None else (round(balance[0], 4), round(balance[1], 4), round(balance[2], 4)),
        tone=tuple((round(seen, 4), round(nominal, 4)) for seen, nominal in card.tone),
        cells=tuple(CardCellSeen(number=c.number, label=c.label, outline=c.outline, u_mm=c.u_mm) for c in card.cells),
    )


def refuse_other_lots(cards: Mapping[str, str], lot: str) -> None:
    """Refuse photos that show the card of another lot: its cells would give the pieces wrong labels.

    Parameters
    ----------
    cards : mapping of str to str
        Whose card a photo shows, by the photo's name.
    lot : str
        Label of the lot they are said to show.

    Raises
    ------
    BadRequest
        Names the photo and the card's lot.
    """
    for name, owner in cards.items():
        if owner != lot:
            raise BadRequest(
                f"The card in {name} is of {owner}, not of {lot}.",
                f"Nothing was recorded. Photograph {owner} with it, or lay the chips of {lot} on their own card "
                f"(`lotproof card {lot}` prints it).",
            )
