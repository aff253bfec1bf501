"""The undersides of a lot's pieces, held against those of the same date code."""

from collections.abc import Iterable, Mapping

from sqlalchemy.orm import Session

from tracker.desk.facts import top_inspections
from tracker.desk.inspect import Beside
from tracker.judgement.marking import fold_alike
from tracker.records.models import Lot
from vision.observations import Inspection
from vision.undersides import compare_undersides, measure

Place = tuple[int, int]


def date_codes_on_top(session: Session, lot: Lot) -> dict[str, str]:
    """Return the date code read on the top of each piece of a lot, by its label; those without one are left out."""
    tops = top_inspections(session, lot.pieces)
    return {
        piece.label: code for piece in lot.pieces if piece.id in tops and (code := tops[piece.id].date_code) is not None
    }


def undated_note(wanted: Iterable[str], dates: Mapping[str, str]) -> tuple[str, ...]:
    """Return a sentence about the pieces that could be compared with none, if there are such."""
    undated = sorted({label for label in wanted if label not in dates})
    if not undated:
        return ()
    whose = "undersides were" if len(undated) > 1 else "underside was"
    return (
        f"No date code is known of {', '.join(undated)}, so the {whose} compared with none: photograph the top first, "
        "then give this photo again.",
    )


def beside_of_undersides(
    seen: Inspection, wanted: Mapping[Place, str], dates: Mapping[str, str]
) -> dict[Place, Beside]:
    """Measure undersides and compare those of one date code.

    Parameters
    ----------
    seen : Inspection
        Bottom photos.
    wanted : mapping
        Label of the piece by (photo index, chip index); of a piece seen twice, the first counts.
    dates : mapping
        Date code on the top by the piece's label.

    Returns
    -------
    dict
        By (photo index, chip index), for every piece that is wanted; one without a date code is measured and not
        compared.
    """
    first = {label: place for place, label in reversed(list(wanted.items()))}
    views = {place: seen.photos[place[0]].pieces[place[1]] for place in first.values()}
    undersides = {place: measure(view) for place, view in views.items()}
    found = {place: Beside(underside=underside) for place, underside in undersides.items()}
    alike: dict[str, list[Place]] = {}
    for label, place in first.items():
        if label in dates:
            alike.setdefault(fold_alike(dates[label]), []).append(place)
    for group in alike.values():
        results = compare_undersides([undersides[place] for place in group], [views[place] for place in group])
        for place, (observed, looked_for) in zip(group, results, strict=True):
            found[place] = Beside(observed, looked_for, undersides[place])
    return found
