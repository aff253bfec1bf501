"""Made ready while nobody waits: templates are compiled, and what the first pages need of the records is worked out."""

import gc
from contextlib import suppress
from datetime import date

from tracker.desk.today import today
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError
from tracker.web.render import environment


def warm(workspace: Workspace) -> None:
    """Do what the first visitors would else wait for.

    What is there afterwards stays to the end of the process, so the garbage collector need not look through it again
    and again: a full collection in the middle of a page of 500 pieces took as long as the page.
    """
    for name in environment().list_templates():
        environment().get_template(name)
    with suppress(LotproofError):  # a page says it better
        today(workspace, today=date.today())
    gc.collect()
    gc.freeze()
