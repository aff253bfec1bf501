"""Short ways for the tests to put something into a workspace; everything here is invented."""

from datetime import date

from tracker.desk.arrival import Arrival
from tracker.desk.receive import Received, receive
from tracker.desk.workspace import Workspace

TODAY = date(2031, 4, 2)


def arrival(**changes: object) -> Arrival:
    """Return an arrival of three pieces from a marketplace, with `changes`."""
    values: dict[str, object] = {
        "seller": "Quayside Surplus",
        "source": "marketplace",
        "part": "CV6522AP",
        "quantity": 3,
        "received": 3,
        "arrived": TODAY,
    }
    return Arrival(**{**values, **changes})  # type: ignore[arg-type]


def a_lot(workspace: Workspace, **changes: object) -> Received:
    """Receive one lot."""
    return receive(workspace, [arrival(**changes)], operator="mira")[0]
