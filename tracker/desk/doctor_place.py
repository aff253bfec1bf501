"""What this computer gives the workshop, for `doctor`: the folder's disk, the clock, cameras, serial ports."""

import os
import shutil
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tracker.desk.doctor_check import FAILS, UNUSED, WORKS, Check
from tracker.errors import LotproofError

LEAST_ROOM, LITTLE_ROOM = 200 << 20, 2 << 30
"""Bytes free. Common practice, no source: a photo of 12 megapixels is about 5 MB, a lot of 60 pieces ten of them."""
IN_MEMORY = frozenset({"tmpfs", "ramfs"})
OVER_A_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs", "ceph"})
"""SQLite's documentation ("SQLite Over a Network, Caveats and Considerations"): locks there cannot be trusted."""
SLACK = timedelta(minutes=1)
"""As the journal has it (`CLOCK_SLACK_S` of tracker/journal.py)."""


def kept_on(location: Path | None) -> Check:
    """Say on what kind of file system the workspace is, and whether this user may write there."""
    from tracker.desk import place

    there = _nearest(_folder(location))
    kind = file_system(there)
    said = f"{there} on {kind}"
    if not os.access(there, os.W_OK):
        return Check("Folder", FAILS, True, f"{there} cannot be written", "Check its permissions, or name another.")
    if kind in IN_MEMORY:
        advice = "What is kept there is gone when the computer is switched off: move the workspace to a disk."
        return Check("Folder", FAILS, False, f"{said}, which is in memory", advice)
    if kind in OVER_A_NETWORK and place.find(location).database is None:
        advice = "SQLite's locks cannot be trusted there. Keep the records on this computer's disk or in PostgreSQL."
        return Check("Folder", FAILS, False, f"{said}, which is reached over a network", advice)
    return Check("Folder", WORKS, True, said)


def file_system(folder: Path) -> str:
    """Return the kind of file system a folder is on, as the system calls it; 'unknown' where it does not tell."""
    try:
        mounts = [line.split() for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines()]
    except OSError:
        return "unknown"
    # A space in a mount point is written \\040; the last of two on one point is the one in use.
    points = [(Path(words[1].replace("\\040", " ")), words[2]) for words in mounts]
    above = [one for one in points if folder.resolve().is_relative_to(one[0])]
    deepest = max((len(point.parts) for point, _ in above), default=0)
    return next((kind for point, kind in reversed(above) if len(point.parts) == deepest), "unknown")


def room(location: Path | None) -> Check:
    """Say how much room the workspace's disk has, and the temporary folder's."""
    import tempfile

    folders = (_nearest(_folder(location)), Path(tempfile.gettempdir()))
    free = [shutil.disk_usage(one).free for one in folders]
    said = ", ".join(f"{size / 1e9:.1f} GB free at {one}" for one, size in zip(folders, free, strict=True))
    if min(free) < LEAST_ROOM:
        return Check("Disk space", FAILS, True, said, "Make room: photos of a lot take some hundred MB.")
    if min(free) < LITTLE_ROOM:
        return Check("Disk space", FAILS, False, said, "Make room soon: photos of a lot take some hundred MB.")
    return Check("Disk space", WORKS, True, said)


def clock(location: Path | None) -> Check:
    """Hold the clock against the newest journal entry and against the day on which this Lotproof was installed."""
    now = datetime.now(UTC)
    known = [("this Lotproof was installed", datetime.fromtimestamp(Path(__file__).stat().st_mtime, UTC))]
    with suppress(LotproofError):  # the line of the workspace says what is wrong with it
        known += _newest_entry(location)
    what, latest = max(known, key=lambda one: one[1])
    said = f"{now:%Y-%m-%d %H:%M:%S} UTC"
    if now < latest - SLACK:
        advice = "Set the clock: journal entries say when something was done, and that this clock was behind."
        return Check("Clock", FAILS, False, f"{said}, before {what} ({latest:%Y-%m-%d %H:%M:%S} UTC)", advice)
    return Check("Clock", WORKS, True, said)


def _newest_entry(location: Path | None) -> list[tuple[str, datetime]]:
    from sqlalchemy import select

    from tracker.desk import place
    from tracker.desk.workspace import Workspace
    from tracker.records.models import JournalEntry

    if place.find(location).created is None:
        return []
    with Workspace.open(location) as opened, opened.read() as session:
        at = session.scalar(select(JournalEntry.at).order_by(JournalEntry.id.desc()).limit(1))
    return [] if at is None else [("the newest journal entry", datetime.fromisoformat(at).astimezone(UTC))]


def camera() -> Check:
    """Say which cameras the system shows, and whether this user may use them."""
    found = sorted(Path("/dev").glob("video[0-9]*"))
    return _devices("Camera", found, "a camera", "video", "A phone is one, too: `lotproof serve --lan`.")


def serial_ports() -> Check:
    """Say which serial ports the system shows, and whether this user may use them."""
    from serial.tools import list_ports

    found = sorted(Path(one.device) for one in list_ports.comports())
    advice = "Instruments on a serial port show here once they are plugged in; those on the network need none."
    return _devices("Serial ports", found, "a serial port", "dialout", advice)


def _devices(name: str, found: list[Path], what: str, group: str, advice: str) -> Check:
    """Say which devices there are; `group` is the one that Debian gives the right to them."""
    if not found:
        return Check(name, UNUSED, False, f"the system shows no {what.removeprefix('a ')}", advice)
    shut = [str(one) for one in found if not os.access(one, os.R_OK | os.W_OK)]
    if shut:
        advice = f"Give yourself the right: sudo usermod -a -G {group} $USER, then log in again."
        return Check(name, FAILS, False, f"{', '.join(shut)} may not be used by you", advice)
    return Check(name, WORKS, False, ", ".join(map(str, found)))


def _folder(location: Path | None) -> Path:
    """Return the workspace's folder, also where its settings cannot be read."""
    from tracker.desk import place

    try:
        return place.find(location).folder
    except LotproofError:
        return place.default_folder() if location is None else location.expanduser().absolute()


def _nearest(folder: Path) -> Path:
    """Return the folder, or the nearest one above it that is there."""
    return next(one for one in (folder, *folder.parents) if one.exists())
