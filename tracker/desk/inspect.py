"""Photos in, inspection document out: needs no workspace and remembers nothing."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from tracker import __version__
from tracker.desk.body_size import check_sizes
from tracker.desk.camera import Shot
from tracker.desk.card_seen import card_seen
from tracker.desk.contract import (
    DateCode,
    DimpleSeen,
    ExemplarPhoto,
    FindingFound,
    Group,
    InspectionDocument,
    LineRead,
    Outline,
    PartSplitFound,
    PhotoInspected,
    PieceFound,
    SiblingsRead,
    SumItem,
    UndersideSeen,
    Warned,
)
from tracker.desk.reading import Understood, both, check_texts, groups_of_one_part, understand, usual_part
from tracker.errors import BadRequest
from tracker.judgement.marking import NOTHING, Checked, Claim, DateRead
from tracker.judgement.observed import Observed, Remark
from tracker.judgement.prior import UNKNOWN, Prior, before_looking
from tracker.judgement.siblings import SiblingsReading, siblings_readings
from tracker.judgement.suspicion import Suspicion, combine
from tracker.judgement.weighing import weigh
from tracker.judgement.weights import Weights, declared, indicators
from tracker.knowledge.lexicon import lexicon
from tracker.knowledge.part_split import split
from vision.crew import Crew, cores, crew
from vision.inspection import PhotoSource
from vision.inspection import inspect as look
from vision.observations import Inspection, Line, NotMeasured, Observation, PhotoView, PieceView, TopSize
from vision.read.models import THREADS_VARIABLE, threads
from vision.undersides import Underside

Progress = Callable[[int, int], None]
Hands = Crew
UNKNOWN_SOURCE = before_looking(UNKNOWN)
FACE_DOWN, SWABBED = "bottom", "after-swab"
"""Roles of photos whose marking is no claim's: a bottom has another one, and a swab may have taken it off."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What was observed of a piece by comparing it with another photo, and what was looked for there."""

    observations: tuple[Observation, ...] = ()
    looked_for: tuple[str, ...] = ()
    underside: Underside | NotMeasured | None = None
    """What its mould left, where the photo shows its underside."""


def every_core() -> AbstractContextManager[Hands]:
    """Give as many hands for the work on photos as there are cores, for a whole command or a whole watch.

    Raises
    ------
    BadRequest
        The environment asks for a number of threads that is none.
    """
    try:
        threads()
    except ValueError as error:
        raise BadRequest(str(error), f"Unset {THREADS_VARIABLE}, or set it to 1.") from None
    return crew(cores())


def inspect_photos(
    paths: Sequence[Path],
    *,
    shots: Sequence[Shot] = (),
    exemplars: Sequence[Path] = (),
    claimed: str | None = None,
    today: date | None = None,
    progress: Progress | None = None,
    hands: Hands | None = None,
) -> InspectionDocument:
    """Inspect photos that make one lot.

    Parameters
    ----------
    paths : sequence of Path
        Siblings are found across all of them.
    shots : sequence of Shot
        Pictures just taken; they come after the photos.
    exemplars : sequence of Path
        Photos of known-good pieces to compare with.
    claimed : str, optional
        The part number the seller claims.
    today : date, optional
        No date code can be later; the current day where not given.
    progress : callable, optional
        Told (photos done, photos in all).
    hands : Hands, optional
        Who shares the work (see `every_core`); this process alone where not given.

    Returns
    -------
    InspectionDocument
        A photo that could not be used has an `error`; the others are done all the same.
    """
    if progress is not None:
        progress(0, len(paths) + len(shots) + len(exemplars))
    seen = look(
        [*(PhotoSource(str(path)) for path in paths), *(PhotoSource(shot.name, shot.data) for shot in shots)],
        exemplars=[PhotoSource(str(path)) for path in exemplars],
        lexicon=lexicon(),
        progress=progress,
        hands=hands,
    )
    return judge(seen, Claim(part=claimed), today=today or datetime.now(UTC).date())


def judge(
    seen: Inspection,
    claim: Claim,
    *,
    today: date,
    before: Prior = UNKNOWN_SOURCE,
    role: str = "top",
    beside: Mapping[tuple[int, int], Beside] | None = None,
    weights: Weights | None = None,
) -> InspectionDocument:
    """Interpret what was seen, hold it against the claim and weigh it.

    Parameters
    ----------
    seen : Inspection
    claim : Claim
    today : date
    before : Prior
    role : str
        The marking in 'bottom' and 'after-swab' photos is not held against the claim.
    beside : mapping, optional
        What was seen elsewhere of a piece, such as by a swab pair; by (photo index, piece index).
    weights : Weights, optional
        The declared ones where not given.
    """
    weights = weights or declared()
    places = [(i, j) for i, photo in enumerate(seen.photos) for j in range(len(photo.pieces))]
    views = [seen.photos[i].pieces[j] for i, j in places]
    if role in (FACE_DOWN, SWABBED):
        views = [_without_comparison(view, role) for view in views]
    understood = [understand(view.lines, claim, today=today) for view in views]
    checks = [NOTHING] * len(views)
    if role not in (FACE_DOWN, SWABBED):
        sizes = [c for photo in seen.photos for c in check_sizes(photo.pieces, photo.card, claim.part)]
        texts = check_texts(understood, claim, today=today)
        checks = [both(one, size) for one, size in zip(texts, sizes, strict=True)]
    elsewhere = siblings_readings([[line.text for line in view.lines] for view in views])
    found = {
        place: _piece(view, one, checked, before, (beside or {}).get(place, Beside()), others, weights)
        for place, view, one, checked, others in zip(places, views, understood, checks, elsewhere, strict=True)
    }
    return InspectionDocument(
        photos=tuple(
            _photo(photo, tuple(found[i, j] for j in range(len(photo.pieces)))) for i, photo in enumerate(seen.photos)
        ),
        groups=groups_found(places, understood),
        claimed=claim.part,
        exemplars=tuple(_exemplar(photo) for photo in seen.exemplars),
        method={"lotproof": __version__, "weights": weights.version, **seen.method},
    )


def groups_found(places: Sequence[tuple[int, int]], understood: Sequence[Understood]) -> tuple[Group, ...]:
    """Return the pieces of one part; `places` are (photo index, piece index) of what was understood."""
    return tuple(
        Group(part=usual_part([understood[k] for k in group]), pieces=tuple(places[k] for k in group))
        for group in groups_of_one_part(understood)
    )


def _without_comparison(view: PieceView, role: str) -> PieceView:
    """Leave out comparisons with siblings that say nothing of the piece.

    Lettering on a bottom is moulded, and moulds have many cavities. After a swab everything may look different; the
    piece is compared with itself then.
    """
    kept = () if role == SWABBED else ("surface", "body", "picture")
    return replace(
        view,
        observations=tuple(one for one in view.observations if one.family in kept),
        looked_for=tuple(
            code for code in view.looked_for if code in indicators() and indicators()[code].family in kept
        ),
    )


def _piece(
    view: PieceView,
    one: Understood,
    checked: Checked,
    before: Prior,
    beside: Beside,
    others: Sequence[SiblingsReading | None],
    weights: Weights,
) -> PieceFound:
    observations = (*view.observations, *beside.observations)
    facts: list[Observed] = [*observations, *checked.remarks]
    looked_for = tuple(dict.fromkeys((*view.looked_for, *beside.looked_for, *checked.looked_for)))
    items = weigh(facts, looked_for, weights)
    suspicion = combine(before.db, items, prior_text=before.text, together=weights.together)
    findings = [finding_found(fact, fact.outline, weights) for fact in observations]
    findings += [finding_found(fact, _line_outline(view, fact.line), weights) for fact in checked.remarks]
    return PieceFound(
        outline=_rounded(view.outline),
        package=view.package,
        package_confidence=round(view.package_confidence, 3),
        lines=tuple(_line(line, said) for line, said in zip(view.lines, others, strict=True)),
        part=one.part,
        date_codes=tuple(date_code_found(candidate) for candidate in one.marking.dates),
        suspicion=round(suspicion.probability, 6),
        findings=tuple(sorted(findings, key=lambda f: -f.weight_db)),
        part_split=part_split_found(one.part),
        label=view.label,
        sum=sum_items(suspicion),
        looked_for=looked_for,
        cell=view.cell,
        size_on_card_mm=_sides(view.size),
        underside=_underside(beside.underside),
    )


def part_split_found(part: str | None) -> PartSplitFound | None:
    """Return what the pieces of a part number say, in the contract's form."""
    found = split(part) if part else None
    return None if found is None else PartSplitFound(**asdict(found))


def _sides(size: TopSize | NotMeasured) -> tuple[float, float] | None:
    return (round(size.length.value, 2), round(size.width.value, 2)) if isinstance(size, TopSize) else None


def _underside(seen: Underside | NotMeasured | None) -> UndersideSeen | None:
    if not isinstance(seen, Underside):
        return None
    dimples = tuple(
        DimpleSeen(across=round(d.across, 3), down=round(d.down, 3), diameter=round(d.diameter, 3))
        for d in seen.dimples
    )
    return UndersideSeen(dimples=dimples, marks=seen.marks)


def _line(line: Line, others: SiblingsReading | None) -> LineRead:
    return LineRead(
        text=line.text,
        confidence=round(line.confidence, 4),
        outline=_rounded(line.outline),
        readers={reading.reader: reading.text for reading in line.readings},
        siblings=siblings_read(others),
    )


def siblings_read(others: SiblingsReading | None) -> SiblingsRead | None:
    """Return what siblings read on a line in the contract's form."""
    return None if others is None else SiblingsRead(text=others.text, pieces=others.pieces, of=others.of)


def date_code_found(candidate: DateRead) -> DateCode:
    """Return one interpretation of a date code in the contract's form."""
    return DateCode(
        text=candidate.text,
        year=candidate.year,
        week=candidate.week,
        month=candidate.month,
        style=candidate.style,
        probability=round(candidate.probability, 4),
    )


def _line_outline(view: PieceView, line: int | None) -> Outline | None:
    return None if line is None else view.lines[line].outline


def finding_found(fact: Observation | Remark, outline: Outline | None, weights: Weights) -> FindingFound:
    """Return a fact in the contract's form, with its weight and its place in the photo."""
    (weighed,) = weigh([fact], weights=weights)
    return FindingFound(
        code=fact.code,
        family=fact.family,
        weight_db=round(weighed.weight_db, 2),
        message=fact.message,
        value=fact.value,
        unit=fact.unit,
        reference=fact.reference,
        outline=None if outline is None else _rounded(outline),
        strength=fact.strength,
        reference_range=fact.reference_range if isinstance(fact, Remark) else None,
    )


def sum_items(suspicion: Suspicion) -> tuple[SumItem, ...]:
    """Return the lines of a sum in the contract's form."""
    return tuple(
        SumItem(kind=line.kind, text=line.text, weight_db=round(line.weight_db, 2), family=line.family, code=line.code)
        for line in suspicion.lines
    )


def _exemplar(photo: PhotoView) -> ExemplarPhoto:
    return ExemplarPhoto(
        path=photo.path,
        sha256=photo.sha256 or None,
        markings=tuple(" / ".join(line.text for line in view.lines) for view in photo.pieces),
        warnings=tuple(Warned(code=w.code, message=w.message) for w in photo.warnings),
        error=photo.error,
    )


def _photo(photo: PhotoView, pieces: tuple[PieceFound, ...]) -> PhotoInspected:
    usable = photo.error is None
    return PhotoInspected(
        path=photo.path,
        sha256=photo.sha256 or None,
        width=photo.width if usable else None,
        height=photo.height if usable else None,
        warnings=tuple(Warned(code=w.code, message=w.message) for w in photo.warnings),
        card=card_seen(photo.card),
        pieces=pieces,
        labels=photo.labels,
        error=photo.error,
    )


def _rounded(outline: Outline) -> Outline:
    (a, b), (c, d), (e, f), (g, h) = outline
    return (
        (round(a, 1), round(b, 1)),
        (round(c, 1), round(d, 1)),
        (round(e, 1), round(f, 1)),
        (round(g, 1), round(h, 1)),
    )
