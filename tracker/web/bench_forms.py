"""The forms of the bench tests: which fields each has, what may stand in them, and how they are called."""

from dataclasses import dataclass
from typing import Literal

Choices = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Field:
    """One field.

    Parameters
    ----------
    name, title, hint : str
    kind : str
        The quantity it holds, a key of `tracker.bench.units.KINDS`; 'share', 'number' or 'count'; '' for words.
    look : 'text', 'area' (several lines), 'tick' or 'choice'
    choices : tuple of (value, title)
    """

    name: str
    title: str
    hint: str = ""
    kind: str = ""
    look: Literal["text", "area", "tick", "choice"] = "text"
    choices: Choices = ()
    wide: bool = False
    most: int = 200


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings of which there may be several, a row each."""

    name: str
    title: str
    one: str
    columns: tuple[Field, ...]
    least: int = 4


@dataclass(frozen=True, slots=True)
class Form:
    """The form of one test.

    Parameters
    ----------
    test, title, tells : str
        What the test is for, in a sentence.
    rows : tuple of Rows
    readings, limits : tuple of Field
        Beside the readings, and what they are held against.
    conditions : tuple of Field
        Beside those that every test has.
    text : Field or None
        A table that is typed or pasted as it would stand in a file.
    measured : tuple of str
        Fields beside the rows that are readings themselves: without any of them there is nothing to say yet.
    table : str
        What a file of readings holds; '' where none is taken.
    live : 'current', 'temperature' or ''
        What an instrument is asked for.
    says : bool
        Whether it can tell what it would say before anything is recorded.
    of : tuple of str
        'piece', 'machine'.
    """

    test: str
    title: str
    tells: str
    rows: tuple[Rows, ...] = ()
    readings: tuple[Field, ...] = ()
    limits: tuple[Field, ...] = ()
    conditions: tuple[Field, ...] = ()
    text: Field | None = None
    measured: tuple[str, ...] = ()
    table: str = ""
    live: str = ""
    says: bool = False
    of: tuple[str, ...] = ("piece",)

    def fields(self) -> tuple[Field, ...]:
        """Return all fields outside the rows."""
        text = () if self.text is None else (self.text,)
        return (*text, *self.readings, *self.limits, *self.conditions, *HELD, *(LIVE if self.live else ()))


HELD = (
    Field("supply", "Supply", "5 V", "voltage"),
    Field("ambient", "Ambient", "23 C or 73.4 F", "temperature"),
    Field("jig", "Jig or board"),
    Field("instrument", "Instrument", "what it was read with"),
    Field("remark", "Remark", most=2000, wide=True),
)
LIVE = (
    Field("resource", "Address", "TCPIP::192.0.2.7::5025::SOCKET", most=120),
    Field("every", "A reading every", "0.5 s", "time"),
    Field("count", "How many", "10", "count"),
    Field("duration", "For how long", "40 min", "time"),
    Field("query", "Query", "only where the instrument does not know the usual one"),
)
MOST_TEXT = 200_000
"""Characters of a typed table: some ten thousand readings. More come as a file."""
_K = Field("k", "Coverage factor of the guard band", "2; empty: for 95.45 %", "number")
_MACHINE = Field("machine", "Machine it is tested in", "M0001; empty: the one it is fitted into")
_PASS_FAIL = (("", ""), ("pass", "passed"), ("fail", "failed"))
_BOARD = Field("current", "Current", "412 mA", "current")
_CLOCK = Field("clock", "Clock", "4 MHz; 0 Hz: stopped", "clock")

FORMS = {
    "current": Form(
        "current",
        "Supply current",
        "What it draws, at one clock or several: too much is a fault, and the line over the clock tells CMOS from NMOS "
        "and bipolar parts.",
        rows=(Rows("read", "Readings", "Reading", (_CLOCK, Field("current", "Current", "96 mA", "current"))),),
        readings=(
            Field("u", "Standard uncertainty of a reading", "0.5 mA", "current"),
            Field("clock_u", "Standard uncertainty of the clock", "2 kHz", "clock"),
        ),
        limits=(
            Field("limit", "Most it may draw", "10 mA; empty: the claimed part's", "current"),
            Field("limit_source", "Where that was read", most=500),
            Field("limit_clock", "Clock at which that holds", "4 MHz", "clock"),
            _K,
        ),
        table="clock and current of each reading",
        live="current",
        says=True,
        of=("piece", "machine"),
    ),
    "clock": Form(
        "clock",
        "Clock ceiling",
        "How fast it still works: a slower grade sold as a faster one fails below its claimed clock.",
        rows=(
            Rows(
                "step",
                "Steps",
                "Step",
                (
                    Field("clock", "Clock", "2.5 MHz", "clock"),
                    Field("outcome", "Outcome", look="choice", choices=_PASS_FAIL),
                ),
            ),
        ),
        limits=(
            Field("grade", "Grade to reach", "2 MHz; empty: the claimed one", "clock"),
            Field("grade_source", "Where the grade was read", most=500),
            Field("margin", "How far above it a pass must reach", "5 %", "share"),
            Field("grade_supply", "Supply at which the grade must hold", "4.75 V", "voltage"),
            Field("grade_ambient", "Ambient at which it must hold", "70 C", "temperature"),
        ),
        table="clock and outcome of each step",
        says=True,
    ),
    "soak": Form(
        "soak",
        "Heat soak",
        "How warm it gets: the final rise above ambient, known long before it is reached.",
        rows=(
            Rows(
                "at",
                "Readings",
                "Reading",
                (
                    Field("time", "Time", "10 min", "time"),
                    Field("temp", "Temperature", "41.5 C", "temperature"),
                    Field("ambient", "Ambient then", "22.4 C", "temperature"),
                ),
                least=5,
            ),
            Rows(
                "spot",
                "Spot temperatures",
                "Spot",
                (Field("what", "Component", "regulator"), Field("temp", "Temperature", "61 C", "temperature")),
                least=1,
            ),
        ),
        readings=(
            Field("heat_on", "When the heat came on", "0 s, by the clock of the readings", "time"),
            Field("cold", "It was at ambient when the heat came on", look="tick"),
            Field("u", "Standard uncertainty of a difference", "0.4 K", "temperature difference"),
            Field("aim", "How well the final rise is wanted", "0.5 K", "temperature difference"),
            Field("thermistor", "What a file's resistances mean", "B=3950 K, 10 kohm at 25 C"),
            Field("cold_junction", "Cold junction of a file's type K emfs", "22 C", "temperature"),
        ),
        limits=(
            Field("limit", "Most it may rise", "45 K", "temperature difference"),
            Field("limit_temp", "Hottest it may get", "85 C", "temperature"),
            Field("limit_source", "Where that was read", most=500),
            _K,
        ),
        conditions=(
            Field(
                "case",
                "The case was",
                look="choice",
                choices=(("", "not said"), ("closed", "closed"), ("open", "open")),
            ),
            _MACHINE,
        ),
        table="time and temperature, and the ambient where it was measured",
        live="temperature",
        says=True,
        of=("piece", "machine"),
    ),
    "signature": Form(
        "signature",
        "Electronic signature",
        "Whose chip it says it is: manufacturer and device code as a programmer reads them, against the marking.",
        rows=(Rows("read", "Readings", "Reading", (Field("bytes", "Bytes", "1E 95"),), least=2),),
        readings=(Field("offset", "Address of the maker code in a file", "0x200"),),
        limits=(Field("maker", "Maker the marking names", "empty: as read from its photo, else as claimed"),),
        table="the bytes, raw or as Intel HEX",
        says=True,
    ),
    "curve": Form(
        "curve",
        "Pin curves",
        "Whether each pin conducts as a known-good piece's does: another die betrays itself.",
        readings=(Field("common", "Pin the sweeps were made against", "GND or 20"),),
        limits=(Field("exemplar", "Held against", "pieces or runs, L0002-01 B0005; empty: every known-good piece"),),
        text=Field(
            "readings",
            "Pin, voltage and current of each reading, a line each",
            "The first line names the columns and their units: pin, voltage [V], current [uA]. Then 7, 0.6, 120. "
            "Commas, semicolons or the tabs of a pasted table part them.",
            look="area",
            most=MOST_TEXT,
        ),
        measured=("readings",),
        table="pin, voltage and current of each reading",
        says=True,
    ),
    "in-circuit": Form(
        "in-circuit",
        "In circuit",
        "Whether the machine runs with it, for long enough, with everything on the checklist in order.",
        readings=(
            Field("runs", "The machine", look="choice", choices=(("yes", "runs"), ("no", "does not run"))),
            Field("duration", "For how long it ran", "2 h", "time"),
            _MACHINE,
            Field(
                "known_good",
                "A known-good piece in the same position",
                look="choice",
                choices=(("", "not tried"), ("runs", "runs"), ("fails", "fails")),
            ),
            Field("least", "How long a pass needs", "30 min", "time"),
        ),
        rows=(
            Rows(
                "check",
                "Checklist",
                "Check",
                (
                    Field("what", "What was checked", "all keys sound"),
                    Field(
                        "outcome",
                        "Outcome",
                        look="choice",
                        choices=(("", ""), ("pass", "in order"), ("fail", "not in order")),
                    ),
                ),
                least=3,
            ),
            Rows(
                "before",
                "Board current before the change",
                "Reading",
                (Field("current", "Current", "412 mA", "current"),),
                2,
            ),
            Rows(
                "after",
                "Board current with the piece in it",
                "Reading",
                (Field("current", "Current", "418 mA", "current"),),
                2,
            ),
        ),
        limits=(Field("board_u", "Standard uncertainty of a board current", "5 mA", "current"),),
        measured=("runs",),
        says=True,
        of=("piece", "machine"),
    ),
    "power": Form(
        "power",
        "Power of a machine",
        "What goes into the board and into the supply, before and after each change.",
        rows=(
            Rows(
                "rail",
                "Rails of the board",
                "Rail",
                (Field("voltage", "Voltage", "5.02 V", "voltage"), Field("current", "Current", "1.2 A", "current")),
                least=3,
            ),
        ),
        readings=(
            Field("mains_voltage", "Mains voltage", "230 V", "voltage"),
            Field("mains_current", "Mains current", "0.11 A", "current"),
            Field("mains_power", "Mains real power", "17.5 W", "power"),
            Field("within", "Every reading is known within", "2 %", "share"),
        ),
        limits=(Field("limit", "Most that may go in", "20 W", "power"),),
        measured=("mains_voltage", "mains_current", "mains_power"),
        says=True,
        of=("machine",),
    ),
}
