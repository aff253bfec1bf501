"""What a dossier says, as text ready to be set; the HTML and the PDF are made from the same values."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Row:
    """One named fact."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class ClaimRow:
    """What was claimed beside what was read; `stands` is 'agrees', 'differs', 'unsure' or ''."""

    what: str
    claimed: str
    read: str
    stands: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding with its measured value and what that was compared with; `number` is its mark on the plate, or ''."""

    message: str
    measured: str
    reference: str
    weight: str
    number: str = ""


@dataclass(frozen=True, slots=True)
class SumRow:
    """One line of the sum of evidence; `share` is its weight over the largest one of the sum, -1 to 1."""

    weight: str
    text: str
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class Table:
    """Raw readings: column heads and rows of text."""

    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of the dossier; `file` is its name among the pictures handed along."""

    file: str
    caption: str


@dataclass(frozen=True, slots=True)
class PlateCell:
    """One picture of a plate: whose, and what of it is shown."""

    name: str
    note: str
    picture: Picture


@dataclass(frozen=True, slots=True)
class Plate:
    """Pictures of several pieces at one scale; `columns` stand side by side."""

    title: str
    explanation: str
    columns: int
    cells: tuple[PlateCell, ...]


@dataclass(frozen=True, slots=True)
class RunSheet:
    """One bench run: verdict, the rule with its numbers, conditions, raw readings, and a plot where there is one."""

    label: str
    test: str
    verdict: str
    weight: str
    rule: str
    reasons: tuple[str, ...]
    conditions: tuple[Row, ...]
    readings: Table
    at: str
    operator: str
    plot: Picture | None = None


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something decided or done."""

    at: str
    operator: str
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class PieceSheet:
    """One piece.

    `suspicion` is a probability in words; `total` the sum of evidence in decibans; `lines` each line of the marking
    with what every reader read. A `brief` sheet is of a piece of which there is little to say, and shares its page.
    """

    label: str
    suspicion: str
    total: str
    standing: str
    lines: tuple[Row, ...]
    claims: tuple[ClaimRow, ...]
    findings: tuple[FindingRow, ...]
    sum: tuple[SumRow, ...]
    runs: tuple[RunSheet, ...]
    events: tuple[EventRow, ...]
    pictures: tuple[Picture, ...]
    compared_with: str
    plates: tuple[Plate, ...] = ()
    plates_note: str = ""
    fitting: tuple[Row, ...] = ()
    tested: str = ""
    """Verdicts of its bench tests in a few words, for the table of pieces."""
    brief: bool = False
    corrected: str = ""
    """Who corrected the reading of the marking, and what the readers read."""

    @property
    def marking(self) -> str:
        """The lines joined by ' / ', with a word where a person corrected them; '' where there is none."""
        return " / ".join(line.name for line in self.lines) + (" (corrected by hand)" if self.corrected else "")


@dataclass(frozen=True, slots=True)
class FileRow:
    """One kept file."""

    kind: str
    name: str
    size: str
    sha256: str


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One journal entry; `program` names what wrote it with its version, '' where the entry does not say."""

    number: int
    at: str
    operator: str
    act: str
    subject: str
    hash: str
    program: str = ""


@dataclass(frozen=True, slots=True)
class Dossier:
    """One dossier of a lot or of one piece.

    `left_out` names what this copy does without; `operators` says whether it names who did something.
    """

    title: str
    subtitle: str
    made_at: str
    version: str
    facts: tuple[Row, ...]
    pieces: tuple[PieceSheet, ...]
    pictures: tuple[Picture, ...]
    files: tuple[FileRow, ...]
    entries: tuple[EntryRow, ...]
    head: str
    signed: str
    """The key that signed the head; says so where there is none."""
    methods: tuple[Row, ...]
    cautions: tuple[str, ...]
    reading: tuple[str, ...] = field(default=())
    """How to read the numbers."""
    outcome: tuple[str, ...] = ()
    """What came of it, in a few sentences for the first page."""
    left_out: tuple[str, ...] = ()
    operators: bool = True
