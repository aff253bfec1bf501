"""The inspection card's geometry in millimetres: what is printed where. Pure values; it is printed and found by them.

The origin is the upper left corner of the printed field, x to the right, y downwards. Nine fiducials stand in three
rows and three columns, so that a close-up of one quarter still shows four of them. Three bands of print (head, middle,
foot) lie between them; the cells fill the two blocks between the bands.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

MARKER_MODULES = 8
"""A fiducial's side in modules: 6 x 6 bits and a black rim of one (OpenCV's ArUco dictionary DICT_6X6_1000)."""
PLACES = 9
MOST_PAGES = 55
"""Pages of one kind that marker numbers can tell apart: 2 kinds x 55 pages x 9 places = 990 of 1000 numbers."""
CODE_MODULES, QUIET_MODULES = 21, 4
"""Side of the smallest QR code and its empty margin (ISO/IEC 18004)."""
STEPS = (212, 171, 132, 94, 59, 27)
"""The grey wedge's 8-bit sRGB levels (IEC 61966-2-1): about 85, 70 ... 10 in CIE lightness, paper being 100."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Rect:
    """An upright rectangle on the card: left, top, width, height in mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def centre(self) -> tuple[float, float]:
        """Its middle."""
        return self.x + self.width / 2, self.y + self.height / 2

    @property
    def corners(self) -> tuple[tuple[float, float], ...]:
        """Clockwise from the upper left."""
        right, bottom = self.x + self.width, self.y + self.height
        return (self.x, self.y), (right, self.y), (right, bottom), (self.x, bottom)

    def shrunk(self, by: float) -> "Rect":
        """Return the rectangle less `by` mm on every side (more, where negative)."""
        return Rect(self.x + by, self.y + by, self.width - 2 * by, self.height - 2 * by)


@dataclass(frozen=True, slots=True)
class Patch:
    """One grey step and the strips of bare paper to its left and right."""

    area: Rect
    level: int
    papers: tuple[Rect, Rect]

    @property
    def luminance(self) -> float:
        """Nominal relative luminance, paper being 1 (IEC 61966-2-1)."""
        return linear(self.level)


@dataclass(frozen=True, slots=True)
class Layout:
    """One kind of card.

    Parameters
    ----------
    kind : str
        'large' or 'small'.
    width, height : float
        Of the printed field, mm.
    markers : tuple of Rect
        Nine, row by row.
    cells : tuple of Rect
        Row by row; each page continues the numbers of the one before.
    number : tuple of float
        Width and height of a cell's printed number in its upper left corner.
    patches : tuple of Patch
        Two wedges of STEPS, the second one mirrored.
    codes : tuple of Rect
        The two QR codes without their quiet zones.
    scale : Rect
        Its upper edge is the ruled line, `width` mm long.
    title, legends, notes : Rect
        Where the heading, the two legends of the wedges and the instructions stand; the notes of a small card stand
        below its field.
    """

    kind: str
    width: float
    height: float
    markers: tuple[Rect, ...]
    cells: tuple[Rect, ...]
    number: tuple[float, float]
    patches: tuple[Patch, ...]
    codes: tuple[Rect, Rect]
    scale: Rect
    title: Rect
    legends: tuple[Rect, Rect]
    notes: Rect

    @property
    def numbers(self) -> tuple[Rect, ...]:
        """Where the cells' numbers are printed."""
        return tuple(Rect(cell.x, cell.y, *self.number) for cell in self.cells)

    @property
    def bands(self) -> tuple[Rect, ...]:
        """Where no chip belongs: the card's whole width above, between and below the cells, and the notes."""
        tops = sorted({cell.y for cell in self.cells})
        row = self.cells[0].height
        ends = [0.0, *(y + row for y in tops)]
        starts = [*tops, self.height]
        strips = [Rect(0.0, end, self.width, start - end) for end, start in zip(ends, starts, strict=True)]
        return (*(strip for strip in strips if strip.height > 1.0), self.notes)

    @property
    def marks(self) -> tuple[Rect, ...]:
        """Print that no chip's top can show: markers, codes, grey steps."""
        return (*self.markers, *self.codes, *(patch.area for patch in self.patches))


@dataclass(frozen=True, slots=True)
class _Measures:
    """What the two kinds differ in, mm. `head`, `middle` and `foot` are the bands' heights."""

    kind: str
    width: float
    marker: float
    head: float
    middle: float
    foot: float
    columns: int
    rows: int
    row: float
    pitch: float
    patch: float
    legend: float
    scale: float
    number: tuple[float, float]


# The large card fits A4 and Letter with margins of 12 mm and more, its cells every body up to DIP-64 and PLCC-84. The
# small one is for bodies up to DIP-16 and wide SOIC: photographed from nearer, it shows them twice as large.
_KINDS = (
    _Measures("large", 186.0, 14.0, 18.0, 18.0, 24.0, 2, 3, 32.0, 9.6, 7.2, 7.0, 150.0, (10.0, 5.0)),
    _Measures("small", 124.0, 9.0, 12.0, 12.0, 16.0, 4, 2, 14.5, 6.6, 4.8, 4.5, 100.0, (7.0, 3.6)),
)
KINDS = tuple(one.kind for one in _KINDS)
LARGE, SMALL = KINDS
_GAP = 2.0
"""Bare paper beside a marker; its quiet zone needs one module, at most 1.75 mm."""


def linear(level: int) -> float:
    """Return the relative luminance, 0 to 1, of an 8-bit sRGB level (IEC 61966-2-1)."""
    code = level / 255
    return code / 12.92 if code <= 0.04045 else float(((code + 0.055) / 1.055) ** 2.4)


@cache
def layout(kind: str) -> Layout:
    """Return the layout of a kind of card.

    Raises
    ------
    ValueError
        For a kind that is none of KINDS.
    """
    m = _KINDS[KINDS.index(kind)]
    block = m.rows * m.row
    middle, foot = m.head + block, m.head + 2 * block + m.middle
    height = foot + m.foot
    columns = (0.0, (m.width - m.marker) / 2, m.width - m.marker)
    rows = (0.0, middle + (m.middle - m.marker) / 2, height - m.marker)
    markers = tuple(Rect(x, y, m.marker, m.marker) for y in rows for x in columns)
    # Print of a band stands in two sections, between the markers.
    left, room = m.marker + _GAP, columns[1] - m.marker - 2 * _GAP
    right = columns[1] + m.marker + _GAP
    wide = m.width / m.columns
    tops = [start + row * m.row for start in (m.head, middle + m.middle) for row in range(m.rows)]
    quiet = QUIET_MODULES / CODE_MODULES * m.marker
    code_y = rows[2]
    inside = Rect(right, code_y, room, m.marker)
    return Layout(
        kind=m.kind,
        width=m.width,
        height=height,
        markers=markers,
        cells=tuple(Rect(column * wide, y, wide, m.row) for y in tops for column in range(m.columns)),
        number=m.number,
        patches=tuple(_wedge(m, left, rows[1], STEPS)) + tuple(_wedge(m, right, rows[1], STEPS[::-1])),
        codes=(
            Rect(columns[2] - m.marker - quiet, 0.0, m.marker, m.marker),
            Rect(m.marker + quiet, code_y, m.marker, m.marker),
        ),
        scale=Rect((m.width - m.scale) / 2, foot + 1.0, m.scale, m.foot - m.marker - 3.0),
        title=Rect(left, 0.0, room, m.marker),
        legends=(Rect(left, rows[1], m.legend, m.marker), Rect(right, rows[1], m.legend, m.marker)),
        notes=inside if m.kind == LARGE else Rect(0.0, height + 4.0, m.width, 10.0),
    )


def _wedge(m: _Measures, x: float, y: float, levels: tuple[int, ...]) -> Iterator[Patch]:
    gap = m.pitch - m.patch
    start = x + m.legend
    for number, level in enumerate(levels):
        at = start + gap + number * m.pitch
        # A quarter of the gap stays free on either side of a sample of paper: edges are blurred in a photo.
        papers = tuple(Rect(at + shift + gap / 4, y, gap / 2, m.patch) for shift in (-gap, m.patch))
        yield Patch(Rect(at, y, m.patch, m.patch), level, (papers[0], papers[1]))


def marker_number(kind: str, page: int, place: int) -> int:
    """Return the number of a marker in the dictionary.

    Parameters
    ----------
    kind : str
    page : int
        From 1 to MOST_PAGES.
    place : int
        0 to 8, row by row.
    """
    if not 1 <= page <= MOST_PAGES:
        raise ValueError(f"page {page} is not 1 to {MOST_PAGES}")
    return (KINDS.index(kind) * MOST_PAGES + page - 1) * PLACES + place


def read_number(number: int) -> tuple[str, int, int] | None:
    """Return (kind, page, place) of a marker's number; None for one that no card has."""
    code, place = divmod(number, PLACES)
    if not 0 <= code < len(KINDS) * MOST_PAGES:
        return None
    return KINDS[code // MOST_PAGES], code % MOST_PAGES + 1, place


def code_text(lot: str, page: int) -> str:
    """Return what the card's QR codes say."""
    return f"{lot}/{page}"


def read_code(text: str) -> tuple[str, int] | None:
    """Return (lot, page) of a card's QR text; None where it is another text."""
    lot, slash, page = text.strip().upper().rpartition("/")
    return (lot, int(page)) if slash and lot and page.isascii() and page.isdigit() else None
