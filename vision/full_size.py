"""Places in a picture that was opened at a fraction of its size, said in pixels of the photo itself."""

from dataclasses import replace

import numpy as np

from vision.observations import CardView, Homography, PhotoView, PieceView, Quad


def in_photo_pixels(view: PhotoView, step: int) -> PhotoView:
    """Return what was seen of a photo with every place in the photo's own pixels.

    Parameters
    ----------
    view : PhotoView
        Not compared with others yet; its width and height are the photo's, its places those of the picture opened.
    step : int
        Pixels of the photo to one of that picture, along each side.
    """
    if step == 1:
        return view
    card = None if view.card is None else _card(view.card, step)
    return replace(view, pieces=tuple(_piece(one, step) for one in view.pieces), card=card)


def _piece(piece: PieceView, step: int) -> PieceView:
    return replace(
        piece,
        outline=_quad(piece.outline, step),
        lines=tuple(replace(line, outline=_quad(line.outline, step)) for line in piece.lines),
        face=replace(piece.face, to_photo=_matrix(piece.face.to_photo, step)),
    )


def _card(card: CardView, step: int) -> CardView:
    return replace(
        card,
        markers=tuple(replace(one, outline=_quad(one.outline, step)) for one in card.markers),
        to_photo=_matrix(card.to_photo, step),
        mm_per_px=card.mm_per_px / step,
        cells=tuple(replace(one, outline=_quad(one.outline, step)) for one in card.cells),
    )


def _quad(quad: Quad, step: int) -> Quad:
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = quad
    return (ax * step, ay * step), (bx * step, by * step), (cx * step, cy * step), (dx * step, dy * step)


def _matrix(to_photo: Homography, step: int) -> Homography:
    return np.diag([float(step), float(step), 1.0]) @ to_photo
