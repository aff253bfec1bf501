"""What a worker is told of a lot's photos, and what it answers: plain values, so that it needs no database."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from tracker.desk.companions import EarlierChip
from tracker.desk.contract import Outline, PieceDocument
from tracker.desk.corrections import Chip
from tracker.judgement.counts import Taught
from tracker.judgement.marking import Claim
from tracker.judgement.prior import Prior
from tracker.judgement.together import Together
from tracker.judgement.weights import Weights, declared


@dataclass(frozen=True, slots=True)
class WeightsTold:
    """What settled pieces made of the declared weights, as it travels; what is declared every program has itself."""

    version: str
    declared_pieces: float
    taught: Mapping[str, Taught]
    together: Together

    @classmethod
    def of(cls, weights: Weights) -> "WeightsTold":
        """Return what has to be told of some weights."""
        return cls(weights.version, weights.declared_pieces, dict(weights.taught), weights.together)

    @property
    def weights(self) -> Weights:
        """The weights themselves."""
        return replace(
            declared(),
            version=self.version,
            declared_pieces=self.declared_pieces,
            taught=self.taught,
            together=self.together,
        )


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo in the evidence, and the chips in it that are known pieces."""

    photo_id: int
    name: str
    sha256: str
    size_bytes: int
    chips: tuple[EarlierChip, ...]


@dataclass(frozen=True, slots=True)
class Exemplar:
    """A known-good piece: the photo that shows it, and where."""

    piece: str
    sha256: str
    size_bytes: int
    outline: Outline


@dataclass(frozen=True, slots=True)
class PhotoJob:
    """One photo to look at again.

    Parameters
    ----------
    photo : KeptPhoto
    role : str
    looked : str
        Digest of what it will be looked at with (`tracker.desk.method.looked_with`).
    holding : frozenset of int
        Numbers of its chips whose look holds: a later photo of the piece in this role has not taken its place.
    siblings : tuple of KeptPhoto
        The lot's photos to compare with.
    before_swab : tuple of KeptPhoto
        Of a photo after a swab: those before it, oldest first.
    """

    photo: KeptPhoto
    role: str
    looked: str
    holding: frozenset[int]
    siblings: tuple[KeptPhoto, ...] = ()
    before_swab: tuple[KeptPhoto, ...] = ()


@dataclass(frozen=True, slots=True)
class LotJob:
    """Photos of one lot that one worker looks at: each of them is opened once, though all are compared.

    Parameters
    ----------
    lot : str
        Label.
    store : str
        Address of the evidence.
    photos : tuple of PhotoJob
    claim, before, weights, today
        As `tracker.desk.inspect.judge` takes them.
    exemplars : tuple of Exemplar
    dates : mapping of str to str
        Date code on the top by the piece's label, where undersides are among the photos.
    corrections : mapping
        Lines that a person gave, by (photo, number of the chip, piece), as recorded.
    pictures : bool
        Whether annotated pictures are drawn.
    program : mapping of str to str
        What the asking program is made of; a worker that differs refuses.
    endpoint : str or None
        Where a bucket's store answers, as the workspace says it; None: as the worker's environment does.
    """

    lot: str
    store: str
    photos: tuple[PhotoJob, ...]
    claim: Claim
    before: Prior
    weights: WeightsTold
    today: date
    exemplars: tuple[Exemplar, ...] = ()
    dates: Mapping[str, str] = field(default_factory=dict)
    corrections: Mapping[Chip, tuple[str, ...]] = field(default_factory=dict)
    pictures: bool = True
    program: Mapping[str, str] = field(default_factory=dict)
    endpoint: str | None = None


@dataclass(frozen=True, slots=True)
class PhotoSeen:
    """What the new look at one photo showed.

    Parameters
    ----------
    photo_id : int
    documents : tuple of (EarlierChip, PieceDocument)
        Of each chip that lies where one on record does; under the number it is recorded with.
    gone : tuple of str
        Labels of pieces where the new look sees no chip.
    strangers : int
        Chips in view that lie where none is recorded as a piece.
    lost : tuple of str
        Names of photos to compare with whose file is missing or changed.
    picture : bytes or None
        Annotated, JPEG.
    error : str or None
        Why it could not be looked at.
    missing : bool
        Whether that is because its file is not there.
    cpu_s : float
        Processor time of the looking.
    bytes_read : int
        From the evidence.
    """

    photo_id: int
    documents: tuple[tuple[EarlierChip, PieceDocument], ...] = ()
    gone: tuple[str, ...] = ()
    strangers: int = 0
    lost: tuple[str, ...] = ()
    picture: bytes | None = None
    error: str | None = None
    missing: bool = False
    cpu_s: float = 0.0
    bytes_read: int = 0


@dataclass(frozen=True, slots=True)
class LotSeen:
    """The answer to a `LotJob`: its photos in the same order, or why this worker may not look."""

    photos: tuple[PhotoSeen, ...] = ()
    refused: str | None = None
