"""The machine-readable inspection document, schema version 1; the same models are kept with every inspection.

Lengths are photo pixels, angles degrees, probabilities 0 to 1, weights decibans. Fields may be added; renaming one or
giving it another meaning makes a new version.
"""

from collections.abc import Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, SerializerFunctionWrapHandler, model_serializer

SCHEMA: Literal["lotproof.inspection/1"] = "lotproof.inspection/1"
PIECE_SCHEMA: Literal["lotproof.inspection-piece/1"] = "lotproof.inspection-piece/1"

Point = tuple[float, float]
Outline = tuple[Point, Point, Point, Point]


class Part(BaseModel):
    """Base of the document's parts: fixed once made, nothing in it that the schema does not name."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Warned(Part):
    """Something that makes a photo's results worse, and what to do about it."""

    code: str
    message: str


class SiblingsRead(Part):
    """What siblings read on such a line: `pieces` of them read `text`, of those that have such a line."""

    text: str
    pieces: int
    of: int


class LineRead(Part):
    """One line of marking and every reader's own opinion of it.

    A person who corrected the reading is one of `readers`, 'by hand'. A line that no reader saw has the outline of the
    whole top: no more is known of where it stands. `siblings` stands beside the piece's own reading and changes nothing
    of it; null where they support no reading.
    """

    text: str
    confidence: float = Field(ge=0, le=1)
    outline: Outline
    readers: dict[str, str]
    siblings: SiblingsRead | None = None


def joined(lines: Sequence[LineRead]) -> str:
    """Return lines as one text."""
    return " / ".join(line.text for line in lines)


class PartSplitFound(Part):
    """What the pieces of a part number say; null where it says nothing, or nobody told us how the maker builds them.

    `grade` is as marked; `package` and `temperature` are words.
    """

    prefix: str | None
    base: str
    grade: str | None
    package: str | None
    temperature: str | None
    source: str


class DateCode(Part):
    """One interpretation of the date code."""

    text: str
    year: int
    week: int | None
    month: int | None
    style: str
    probability: float = Field(ge=0, le=1)


class FindingFound(Part):
    """One observed fact with its weight and reason."""

    code: str
    family: str
    weight_db: float
    message: str
    value: float | None = None
    unit: str | None = None
    reference: float | None = None
    outline: Outline | None = None
    strength: str = "clear"
    reference_range: tuple[float, float] | None = None


class SumItem(Part):
    """One line of the sum that ends in the suspicion."""

    kind: str
    text: str
    weight_db: float
    family: str | None = None
    code: str | None = None


class DimpleSeen(Part):
    """A round mark of the mould: its middle from the body's upper left and its diameter, in the body's short side."""

    across: float
    down: float
    diameter: float


class UndersideSeen(Part):
    """What the mould left on an underside; `marks` are the lines read there."""

    dimples: tuple[DimpleSeen, ...]
    marks: tuple[str, ...]


class PieceFound(Part):
    """One chip as seen in one photo.

    `outline` goes clockwise as seen, starting at the upper left of the upright marking. `sum` adds up to the odds that
    `suspicion` stands for.
    """

    outline: Outline
    package: str | None
    package_confidence: float = Field(ge=0, le=1)
    lines: tuple[LineRead, ...]
    part: str | None
    date_codes: tuple[DateCode, ...]
    suspicion: float = Field(ge=0, le=1)
    findings: tuple[FindingFound, ...]
    part_split: PartSplitFound | None = None
    label: str | None = None
    sum: tuple[SumItem, ...] = ()
    looked_for: tuple[str, ...] = ()
    cell: int | None = None
    """Number of the inspection card's cell it lies in."""
    size_on_card_mm: tuple[float, float] | None = None
    """Long and short side of the top as they measure on the card's plane; the top stands nearer, so it is smaller."""
    underside: UndersideSeen | None = None
    """Of a piece in a bottom photo, where it was large enough to be measured."""
    as_read: tuple[LineRead, ...] | None = None
    """The lines as the readers read them, where a person corrected the reading; null where nobody did."""

    @property
    def marking(self) -> str:
        """The lines, joined by ' / '."""
        return joined(self.lines)

    @property
    def print_places(self) -> tuple[Outline, ...]:
        """Where lines stand, of those whose place is known."""
        return tuple(line.outline for line in self.lines if line.outline != self.outline)


class CardMarkerSeen(Part):
    """One fiducial of the card; `place` 0 to 8, row by row. One that contradicts the others is not `used`."""

    place: int
    outline: Outline
    residual_mm: float
    used: bool


class CardCellSeen(Part):
    """One cell of the card: the piece number printed in it, and that piece's label where the lot could be read."""

    number: int
    label: str | None
    outline: Outline
    u_mm: float
    """Standard uncertainty of a place in it, on the card's plane."""


class CardSeen(Part):
    """The inspection card in a photo. A wrong print size cannot be seen: lengths are in the card's own millimetres."""

    kind: str
    lot: str | None
    page: int
    markers: tuple[CardMarkerSeen, ...]
    mm_per_px: float
    """In the middle of the card, on its plane."""
    residual_mm: float
    camera_height_mm: float
    camera_height_u_mm: float
    white_balance: tuple[float, float, float] | None
    """Factors for red, green and blue in linear light; None where the grey steps could not be measured."""
    tone: tuple[tuple[float, float], ...] = ()
    """Relative luminance, paper being 1: as in the photo, as printed."""
    cells: tuple[CardCellSeen, ...]


class PhotoInspected(Part):
    """One photo and the chips in it; one that could not be used has an `error` and no pieces."""

    path: str
    sha256: str | None
    width: int | None
    height: int | None
    warnings: tuple[Warned, ...] = ()
    card: CardSeen | None = None
    pieces: tuple[PieceFound, ...] = ()
    labels: tuple[str, ...] = ()
    error: str | None = None

    @model_serializer(mode="wrap")
    def _leave_out_no_error(self, handler: SerializerFunctionWrapHandler) -> dict[str, object]:
        document: dict[str, object] = handler(self)
        if document["error"] is None:
            del document["error"]
        return document


class ExemplarPhoto(Part):
    """One photo of known-good pieces that others were compared with."""

    path: str
    sha256: str | None
    markings: tuple[str, ...] = ()
    """The lines of each piece in it, joined by ' / '."""
    warnings: tuple[Warned, ...] = ()
    error: str | None = None


class Group(Part):
    """Pieces of one part: [photo index, piece index] each."""

    part: str
    pieces: tuple[tuple[int, int], ...]


class InspectionDocument(Part):
    """What `inspect` prints under --json."""

    schema_: Literal["lotproof.inspection/1"] = Field(default=SCHEMA, alias="schema")
    photos: tuple[PhotoInspected, ...]
    groups: tuple[Group, ...]
    claimed: str | None = None
    exemplars: tuple[ExemplarPhoto, ...] = ()
    method: dict[str, str] = {}

    @property
    def errors(self) -> tuple[str, ...]:
        """What is wrong with each photo or exemplar that could not be used."""
        faults = (*(photo.error for photo in self.photos), *(photo.error for photo in self.exemplars))
        return tuple(fault for fault in faults if fault is not None)

    def as_json(self) -> dict[str, object]:
        """Return the document as JSON values, in the contract's names."""
        return self.model_dump(mode="json", by_alias=True)


class PieceDocument(Part):
    """What is kept with one inspection of one piece in one photo."""

    schema_: Literal["lotproof.inspection-piece/1"] = Field(default=PIECE_SCHEMA, alias="schema")
    photo: str
    index: int
    """Which of the photo's pieces this is, counted from 0 in reading order."""
    piece: PieceFound
    warnings: tuple[Warned, ...] = ()
    compared_with: tuple[str, ...] = ()
    """Labels of the siblings and exemplars it was compared with."""
    method: dict[str, str] = {}

    def as_text(self) -> str:
        """Return the document as JSON text."""
        return self.model_dump_json(by_alias=True)


class PhotoKept(Part):
    """One photo now kept as evidence."""

    name: str
    sha256: str
    width: int
    height: int
    chips: int
    warnings: tuple[Warned, ...] = ()
    overlay_sha256: str | None = None
    overlay: str | None = None
    """Where the annotated picture lies."""
    already: bool = False
    """True when the same photo was kept in this role before."""
    card: CardSeen | None = None


class PiecePhotographed(Part):
    """One piece of the lot as it stands after its photo."""

    piece: str
    photo: str
    index: int
    matched_by: str
    marking: str
    part: str | None
    date_codes: tuple[DateCode, ...]
    package: str | None
    suspicion: float = Field(ge=0, le=1)
    sum: tuple[SumItem, ...]
    findings: tuple[FindingFound, ...]
    underside: UndersideSeen | None = None
    again: bool = False
    """True for a piece of an earlier photo whose findings changed beside its new siblings."""


class ChipUnmatched(Part):
    """One chip in view that was not recorded as a piece of the lot."""

    photo: str
    index: int
    marking: str
    reason: str


class PhotographDocument(Part):
    """What `photograph` prints under --json."""

    schema_: Literal["lotproof.photograph/1"] = Field(default="lotproof.photograph/1", alias="schema")
    lot: str
    role: str
    photos: tuple[PhotoKept, ...]
    pieces: tuple[PiecePhotographed, ...]
    unmatched: tuple[ChipUnmatched, ...] = ()
    notes: tuple[str, ...] = ()

    def followed_by(self, other: "PhotographDocument") -> "PhotographDocument":
        """Return this document and a later one of the same lot as one; of a piece seen twice, the later word."""
        pieces = {(one.piece, one.photo, one.index): one for one in (*self.pieces, *other.pieces)}
        return self.model_copy(
            update={
                "photos": (*self.photos, *other.photos),
                "pieces": tuple(pieces.values()),
                "unmatched": (*self.unmatched, *other.unmatched),
                "notes": (*self.notes, *other.notes),
            }
        )

    def as_json(self) -> dict[str, object]:
        """Return the document as JSON values."""
        return self.model_dump(mode="json", by_alias=True)
