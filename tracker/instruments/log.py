"""The table that readings go to as they come: every line is on the disk before it is told.

Columns `time_s,<quantity>[,clock_hz],instant,said`. A line without a value says why in its last column. The instant
and `said` come last, so that a line that was torn by a power cut is seen to lack them.
"""

import csv
import errno
import io
import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO

from tracker.disk import make_folder, sync_folder
from tracker.errors import BadRequest
from tracker.instruments.reading import Read
from tracker.instruments.scpi import Quantity


@dataclass(slots=True)
class Log:
    """A new table of readings.

    Parameters
    ----------
    path : Path
        Must not be there yet.
    measured : Quantity
    clock_hz : float, optional
        Written with every reading.
    """

    path: Path
    measured: Quantity
    clock_hz: float | None = None
    _file: IO[bytes] | None = field(default=None, repr=False)
    _whole: int = field(default=0, repr=False)

    def __enter__(self) -> "Log":
        try:
            make_folder(self.path.parent)
            self._file = self.path.open("xb", buffering=0)
        except (OSError, ValueError) as error:  # ValueError: a NUL in the name
            if isinstance(error, FileExistsError) and self.path.exists():
                raise BadRequest(f"{self.path} is there already.", "Name a new file.") from None
            raise BadRequest(f"{self.path} cannot be written: {error}.") from None
        try:
            self._write(["time_s", self.measured.column, *self._clock("clock_hz"), "instant", "said"])
            sync_folder(self.path.parent)
        except OSError as error:
            self._file.close()
            self.path.unlink(missing_ok=True)
            raise BadRequest(f"{self.path} cannot be written: {error.strerror}.") from None
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def add(self, read: Read) -> None:
        """Write one reading; it is safe when this returns.

        Raises
        ------
        BadRequest
            The disk is full or gone; earlier readings are safe.
        """
        instant = read.instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        value = "" if read.value is None else repr(read.value)
        clock = self._clock("" if self.clock_hz is None else repr(self.clock_hz))
        try:
            self._write([f"{read.time_s:.3f}", value, *clock, instant, read.said])
        except OSError as error:
            raise BadRequest(
                f"{self.path} can take no more readings ({error.strerror}).", "Those told before are safe in it."
            ) from None

    def _clock(self, cell: str) -> list[str]:
        return [] if self.clock_hz is None else [cell]

    def _write(self, cells: list[str]) -> None:
        assert self._file is not None
        line = io.StringIO(newline="")
        csv.writer(line, lineterminator="\n").writerow(cells)
        data = line.getvalue().encode()
        try:
            if self._file.write(data) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._file.fileno())
        except OSError:
            with suppress(OSError):
                self._file.truncate(self._whole)  # half a line would be refused when the table is used
            raise
        self._whole += len(data)
