"""Looking at a photo leaves nothing in the user's folders and tells nobody."""

import os
import subprocess
import sys
from pathlib import Path

LOADED = "from vision.read import models; [models._session(kind, 0) for kind in models.identities()]"


def test_the_readers_networks_leave_no_trace_of_who_uses_them(tmp_path: Path) -> None:
    """Their runtime writes an identifier and a list of events to send, unless it is told before it is loaded."""
    told = {name: value for name, value in os.environ.items() if name != "ORT_DISABLE_TELEMETRY"}
    home = {"HOME": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
    subprocess.run([sys.executable, "-c", LOADED], env={**told, **home}, check=True)
    assert list(tmp_path.rglob("*")) == []
