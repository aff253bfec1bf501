"""What a marking says, judged anew where its text changed: nobody looks at the photo again.

A person who holds the chip reads it better than any reader in a photo, so a line corrected by hand counts as read for
certain (common practice, no source). What was seen of surface, lettering and body stays as it was.
"""

from collections.abc import Mapping, Sequence
from datetime import date

from tracker.desk.body_size import CODE as SIZE
from tracker.desk.contract import FindingFound, InspectionDocument, LineRead, Outline, PieceFound
from tracker.desk.inspect import (
    date_code_found,
    finding_found,
    groups_found,
    part_split_found,
    siblings_read,
    sum_items,
)
from tracker.desk.reading import Understood, check_texts, understand
from tracker.judgement.lines_matched import lines_matched
from tracker.judgement.marking import Checked, Claim
from tracker.judgement.prior import Prior
from tracker.judgement.siblings import SiblingsReading, siblings_reading, siblings_readings
from tracker.judgement.suspicion import combine
from tracker.judgement.weighing import weigh
from tracker.judgement.weights import Weights, indicators

BY_HAND = "by hand"
"""The name under which a person stands among the readers of a line."""
CERTAIN = 1.0
TEXT = "text"
"""The family of what follows from the text of a marking alone."""


def corrected(piece: PieceFound, texts: Sequence[str]) -> PieceFound:
    """Return a piece whose lines read as a person says; judged is nothing yet.

    Parameters
    ----------
    texts : sequence of str
        Top to bottom; none for the lines as the readers read them.
    """
    read = piece.lines if piece.as_read is None else piece.as_read
    if not texts:
        return piece.model_copy(update={"lines": read, "as_read": None})
    stands_for = lines_matched([line.text for line in read], texts)
    lines = tuple(
        _by_hand(text, None if index is None else read[index], piece.outline)
        for text, index in zip(texts, stands_for, strict=True)
    )
    return piece.model_copy(update={"lines": lines, "as_read": read})


def _by_hand(text: str, read: LineRead | None, top: Outline) -> LineRead:
    readers = {} if read is None else read.readers
    outline = top if read is None else read.outline
    return LineRead(text=text, confidence=CERTAIN, outline=outline, readers={**readers, BY_HAND: text})


def rejudged(
    pieces: Sequence[PieceFound], claim: Claim, *, today: date, before: Prior, weights: Weights
) -> tuple[PieceFound, ...]:
    """Judge anew what the lines of a lot's pieces say, against the claim and each other.

    Parameters
    ----------
    pieces : sequence of PieceFound
        As seen in photos of unswabbed tops.
    claim, today, before, weights
        As in `tracker.desk.inspect.judge`.

    Returns
    -------
    tuple of PieceFound
        In the same order; what siblings read on their lines is told by `siblings_told`.
    """
    understood = [understand(piece.lines, claim, today=today) for piece in pieces]
    checks = check_texts(understood, claim, today=today)
    return tuple(
        _rejudged(piece, one, checked, before, weights)
        for piece, one, checked in zip(pieces, understood, checks, strict=True)
    )


def siblings_told(pieces: Sequence[PieceFound], number: int) -> PieceFound:
    """Return one of a lot's pieces with what its siblings read on such lines as its own."""
    told = siblings_reading([[line.text for line in piece.lines] for piece in pieces], number)
    return _told(pieces[number], told)


def _told(piece: PieceFound, others: Sequence[SiblingsReading | None]) -> PieceFound:
    lines = [
        line.model_copy(update={"siblings": siblings_read(said)})
        for line, said in zip(piece.lines, others, strict=True)
    ]
    return piece.model_copy(update={"lines": tuple(lines)})


def _rejudged(
    piece: PieceFound,
    one: Understood,
    checked: Checked,
    before: Prior,
    weights: Weights,
) -> PieceFound:
    # In the order in which `judge` has them: what vision saw, what the text says, what the card says of the size.
    kept = [_reweighed(found, weights) for found in piece.findings if found.family != TEXT]
    told = [finding_found(remark, _place(piece, remark.line), weights) for remark in checked.remarks]
    seen, sizes = [one for one in kept if one.code != SIZE], [one for one in kept if one.code == SIZE]
    sought = [code for code in piece.looked_for if _family(code) != TEXT]
    looked_for = (
        *(code for code in sought if code != SIZE),
        *checked.looked_for,
        *(code for code in sought if code == SIZE),
    )
    findings = [*seen, *told, *sizes]
    items = weigh(findings, looked_for, weights)
    suspicion = combine(before.db, items, prior_text=before.text, together=weights.together)
    return piece.model_copy(
        update={
            "part": one.part,
            "date_codes": tuple(date_code_found(candidate) for candidate in one.marking.dates),
            "suspicion": round(suspicion.probability, 6),
            "findings": tuple(sorted(findings, key=lambda found: -found.weight_db)),
            "part_split": part_split_found(one.part),
            "sum": sum_items(suspicion),
            "looked_for": looked_for,
        }
    )


def _reweighed(found: FindingFound, weights: Weights) -> FindingFound:
    (weighed,) = weigh([found], weights=weights)
    return found.model_copy(update={"weight_db": round(weighed.weight_db, 2)})


def _place(piece: PieceFound, line: int | None) -> Outline | None:
    return None if line is None else piece.lines[line].outline


def _family(code: str) -> str:
    return indicators()[code].family if code in indicators() else ""


def with_corrections(
    document: InspectionDocument,
    texts: Mapping[tuple[int, int], Sequence[str]],
    claim: Claim,
    *,
    today: date,
    before: Prior,
    weights: Weights,
) -> InspectionDocument:
    """Return an inspection of unswabbed tops with the readings that a person corrected.

    Parameters
    ----------
    texts : mapping
        What holds of a chip instead of its reading, by (photo index, piece index).
    """
    if not texts:
        return document
    places = [(i, j) for i, photo in enumerate(document.photos) for j in range(len(photo.pieces))]
    pieces = [corrected(document.photos[i].pieces[j], texts.get((i, j), ())) for i, j in places]
    anew = rejudged(pieces, claim, today=today, before=before, weights=weights)
    elsewhere = siblings_readings([[line.text for line in piece.lines] for piece in anew])
    told = (_told(piece, others) for piece, others in zip(anew, elsewhere, strict=True))
    found = dict(zip(places, told, strict=True))
    return document.model_copy(
        update={
            "photos": tuple(
                photo.model_copy(update={"pieces": tuple(found[i, j] for j in range(len(photo.pieces)))})
                for i, photo in enumerate(document.photos)
            ),
            "groups": groups_found(places, [understand(piece.lines, claim, today=today) for piece in anew]),
        }
    )
