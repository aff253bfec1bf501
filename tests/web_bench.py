"""What the tests of the bench pages share: a workspace with pieces and a machine, and forms as people fill them in."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stock import a_lot
from web_pages import Pages

from tracker.desk.fitting import add_machine
from tracker.desk.listing import list_rows

_ONCE = re.compile(r'name="once" value="([^"]+)"')
_HELD = re.compile(r'name="held" value="([^"]+)"')
PIECE, MACHINE = "L0001-01", "M0001"


class Bench(Pages):
    """A person at the bench pages of a workspace with one lot of three pieces and one machine."""

    def __init__(self, folder: Path, address: str = "127.0.0.1", **settings: Any) -> None:
        super().__init__(folder / "w", address, **settings)
        workspace = self.app.state.workspace
        if not list_rows(workspace, "lots").rows:
            a_lot(workspace)
            add_machine(workspace, "Sampling keyboard Orrin 8", operator="mira")

    def number(self, path: str) -> str:
        """Return the number of a new form."""
        found = _ONCE.search(self.text(f"{path}?anew=1"))
        assert found is not None
        return found[1]

    def do(self, path: str, do: str, form: Mapping[str, Any] | None = None, **more: Any) -> Any:
        """Press one of a form's buttons."""
        once = more.pop("once", None) or self.number(path)
        return self.post(path, {"once": once, "do": do, **(form or {})}, **more)

    def runs(self) -> list[Any]:
        """Return the runs on record."""
        return list(list_rows(self.app.state.workspace, "runs").rows)


def held(text: str) -> str:
    """Return the word of the file that a page keeps."""
    found = _HELD.search(text)
    assert found is not None, text[:3000]
    return found[1]
