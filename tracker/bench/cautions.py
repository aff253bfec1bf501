"""What to do and what to mind for each bench test, as printed with it. Local rules and licensed practice come first."""

from dataclasses import dataclass

LAST_WORD = "Local rules and licensed practice have the last word."
COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Advice:
    """One sentence and where it comes from."""

    text: str
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class Protocol:
    """How a bench test is done.

    Parameters
    ----------
    test : str
        'current', 'clock', 'power', 'soak', 'signature', 'curve' or 'in-circuit'.
    steps, cautions : tuple of Advice
    """

    test: str
    steps: tuple[Advice, ...]
    cautions: tuple[Advice, ...]


_STATIC = Advice(
    "Static: wear an earthed wrist strap through its 1 megohm, work on a dissipative mat, and switch off before a "
    "piece goes in or out of its socket.",
    "IEC 61340-5-1, from memory",
)
_REVERSED = Advice(
    "Check pin 1 and the supply pins before switching on; set the supply's current limit to little more than the part "
    "may draw."
)
_CLOCK_SOURCE = Advice(
    "Set the clock source to swing from 0 V to the supply voltage and no further before it is connected; switch the "
    "supply on before it, and off after it."
)
_WRONG_WAY_ROUND = Advice(
    "A piece put in the wrong way round is destroyed, and may take the machine with it: hold pin 1 against the board's "
    "mark before switching on."
)
_HOT = Advice("A part that draws too much gets hot enough to burn within seconds: do not feel for heat with a finger.")
_MAINS = Advice(
    "Mains: work on a machine opened up only if you are qualified for it; unplug it and let its capacitors discharge, "
    "and measure that they have, before the piece goes in or out."
)
_RUNNING_MAINS = Advice(
    "Run an open machine on an isolating transformer behind a residual-current device, with nobody else in reach."
)

_TWELVE_VOLTS = Advice(
    "12 V on A9: older ultraviolet-erasable memories give their signature only with 11.5 to 12.5 V on pin A9. Let the "
    "programmer do it, see first in the data sheet that the part allows it, and never put 12 V on another pin.",
    "M27C256B and M27C1001 data sheets",
)
_ULTRAVIOLET = Advice(
    "UV: keep the window covered while reading; an eraser's lamp burns eyes and skin: never look into it, and run it "
    "only with its drawer closed."
)
_READ_ONLY = Advice("Read only: a wrong device chosen on the programmer can put a programming voltage on the part.")
_FLOATING = Advice(
    "Limit the current before anything is connected: no more than 1 mA for curves; a sound input survives that, one "
    "without a limit does not."
)

PROTOCOLS = {
    "power": Protocol(
        "power",
        (
            Advice("Let the machine run until its current no longer drifts, and do the same thing with it each time."),
            Advice("Read voltage and current of each rail where it enters the board."),
            Advice("Read the mains side with a plug-in power meter: voltage, current and real power."),
            Advice("Change one thing at a time, and read everything again after each."),
        ),
        (_STATIC, _MAINS, _RUNNING_MAINS, _HOT),
    ),
    "signature": Protocol(
        "signature",
        (
            Advice("Let the programmer show the electronic signature (identifier, device ID) without any comparison."),
            Advice("Read a known-good piece with the same setting first, where there is one."),
            Advice("Read the piece twice, taking it out of the socket in between; enter both with --bytes."),
            Advice("Enter continuation bytes (7F) and manufacturer code first, then the device code."),
        ),
        (_STATIC, _READ_ONLY, _TWELVE_VOLTS, _ULTRAVIOLET),
    ),
    "curve": Protocol(
        "curve",
        (
            Advice("Take the piece out of any circuit; connect one supply pin (say which) to the common terminal."),
            Advice("Sweep each other pin from below to above ground, and read voltage and current at each step."),
            Advice("Do the same, with the same common pin, limit and steps, on a known-good piece."),
            Advice("Write one table: pin, voltage, current, with the unit in the header or in the cells."),
        ),
        (_STATIC, _FLOATING),
    ),
    "current": Protocol(
        "current",
        (
            Advice("Put the piece in the jig with its inputs at supply or ground and its outputs open."),
            Advice("Let supply and meter settle, note supply voltage and ambient temperature."),
            Advice(
                "Read the supply current at two clock rates or more, or with the clock stopped where the part allows."
            ),
            Advice("Read the jig without a piece as well, and take its current off."),
        ),
        (_STATIC, _REVERSED, _CLOCK_SOURCE, _HOT),
    ),
    "clock": Protocol(
        "clock",
        (
            Advice("Start below the claimed grade and step up; after the first failure step down again."),
            Advice("At each clock run the same check long enough for the part to warm up, and note pass or fail."),
            Advice("Try the clock that is proposed next until the verdict is in; keep supply and ambient as they are."),
        ),
        (_STATIC, _REVERSED, _CLOCK_SOURCE, _HOT),
    ),
    "soak": Protocol(
        "soak",
        (
            Advice("Let machine and sensor stand until they are at room temperature; then --cold is true."),
            Advice(
                "Fix the sensor so that it keeps touching: thermal paste and tape on the package, or the bead clamped; "
                "keep its wires off other warm parts."
            ),
            Advice("Hang a second sensor in the room's air, out of the sun and of the machine's warm stream."),
            Advice(
                "Switch on at time zero, close the case if it is to be tested closed, and read both often at first, "
                "then once a minute."
            ),
            Advice("Go on until it is said that the run may stop; a machine out of its case runs cooler than in it."),
            Advice("Last, take spot temperatures of the hottest components, through matt tape where they shine."),
        ),
        (
            _MAINS,
            _RUNNING_MAINS,
            Advice(
                "Heat sinks, regulators and power resistors burn skin at once: contact with bare metal of more than "
                "about 60 C does within seconds. Fix sensors cold, and let all cool before they come off.",
                "ISO 13732-1, from memory",
            ),
            Advice(
                "Heat sinks may be live: put insulation between them and bare thermocouples, and let the meter float."
            ),
            Advice("Do not leave a machine with its covers off, or under a soak, without somebody in the room."),
            Advice("If the temperature rises faster and faster, switch off: it will not settle."),
        ),
    ),
    "in-circuit": Protocol(
        "in-circuit",
        (
            Advice("First see that the machine is in order with a known-good piece in the same position."),
            Advice("Swap the piece with the machine switched off, and run it through its checklist."),
            Advice("Let it run until board and part have reached their temperature; note how long."),
            Advice(
                "Where a meter fits into the supply, read the board's current before the swap and after, both warm."
            ),
        ),
        (_STATIC, _WRONG_WAY_ROUND, _MAINS, _RUNNING_MAINS, _HOT),
    ),
}


def protocol(test: str) -> Protocol:
    """Return the steps and cautions of a bench test by its name."""
    return PROTOCOLS[test]
