"""Made ready while nobody waits: templates are compiled, and what the first pages need of the records is worked out."""

import gc
from contextlib import suppress
from datetime import date

from tracker.desk.lot_page import lot_page
from tracker.desk.standing_suspicion import catch_up
from tracker.desk.today import today
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError
from tracker.web.render import environment

LOTS = 10
"""Newest lots worked out beforehand: those that are likely to be opened first, and enough of them that what is learned
without each fifth of the lots is there for all (see `tracker/judgement/learning.py`)."""


def warm(workspace: Workspace) -> None:
    """Do what the first visitors would else wait for.

    What is there afterwards stays to the end of the process, so the garbage collector need not look through it again
    and again: a full collection in the middle of a page of 500 pieces took as long as the page.
    """
    for name in environment().list_templates():
        environment().get_template(name)
    with suppress(LotproofError):  # a page says it better
        catch_up(workspace)
        found = today(workspace, today=date.today())
        for lot in found.arrived[:LOTS]:
            lot_page(workspace, lot.lot)
    gc.collect()
    gc.freeze()
