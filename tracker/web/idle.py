"""What the server does while nobody asks for anything: suspicions kept for lists, and calibration, are renewed."""

import threading
import time
from contextlib import suppress

from tracker.desk.calibration import refresh
from tracker.desk.standing_suspicion import reckon
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError

QUIET_S = 10.0
"""Nobody has asked for so long; our own choice: who reads a page and goes on does not meet it."""
PAUSE_S = 2.0
PART = 200
"""Pieces at a time: some tens of milliseconds, so who comes meanwhile hardly waits."""

CALIBRATION_S = 3600.0
"""How old calibration may be that was once asked for; our own choice: it changes with every lesson, but slowly."""


class Idle:
    """A thread that works a little whenever nobody has asked for a while."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.asked_at = time.monotonic()
        """When somebody asked last; set by whoever takes requests in."""

    def start(self) -> None:
        """Begin to wait for a quiet moment."""
        self._thread.start()

    def stop(self) -> None:
        """End; what is left is done by the next server, or by who asks."""
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._ending.wait(PAUSE_S):
            if time.monotonic() - self.asked_at >= QUIET_S:
                with suppress(LotproofError):  # whoever asks for the records is told
                    reckon(self._workspace, most=PART)
                    refresh(self._workspace, older_s=CALIBRATION_S)
