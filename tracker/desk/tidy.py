"""What interrupted work left, removed: evidence that no entry names, and where asked for, readings and photos."""

from dataclasses import dataclass
from datetime import UTC, datetime

from tracker.desk import spool as spools
from tracker.desk import standing_check, task_leftovers
from tracker.desk.evidence_check import Named, named_files
from tracker.desk.fault import Notice
from tracker.desk.workspace import Workspace


@dataclass(frozen=True, slots=True)
class Tidied:
    """What `tidy` removed, and what it left though it was asked to remove its kind, each with the reason."""

    removed: tuple[str, ...]
    left: tuple[Notice, ...] = ()
    mended: int = 0
    """Rows kept beside the records that did not say what these do, before all of them were made anew."""


def tidy(workspace: Workspace, *, spool: bool = False, work: bool = False, operator: str | None = None) -> Tidied:
    """Remove evidence files that belong to no entry; the removal is journaled.

    What is kept beside the records for lists is made anew where it differs from them. Nothing else is touched.

    Parameters
    ----------
    spool : bool
        Also remove readings of runs that were never recorded, where no bench can still be at work on them.
    work : bool
        Also remove photos that were handed in and not recorded, and files that were made, where nobody can still need
        them.
    """
    with workspace.act(operator, "tidy", "") as act:
        named = named_files(act.session)
        there = [*(name for name in workspace.store.all() if name not in named), *workspace.store.strays()]
        for name in there:
            workspace.store.remove(name)
        cleared = _clear_spool(workspace, named) if spool else Tidied(())
        worked = _clear_work(workspace) if work else Tidied(())
        removed = (*there, *cleared.removed, *worked.removed)
        if removed:
            act.subject = "evidence" if there else removed[0].partition("/")[0]
            act.body["removed"] = list(removed)
        return Tidied(removed, (*cleared.left, *worked.left), standing_check.mend(act.session))


def _clear_spool(workspace: Workspace, named: Named) -> Tidied:
    removed, left = [], []
    now = datetime.now(UTC)
    for one in spools.look(workspace.folder, named):
        if not one.removable(now):
            why = f"{one.name} was written to in the last {spools.QUIET.days} days: a bench may be at work on it."
            left.append(Notice("readings-recent", one.name, why))
        elif spools.discard(one.path):
            removed.append(one.name)
        else:
            left.append(Notice("not-removed", one.name, f"{one.name} cannot be removed; check the permissions."))
    return Tidied(tuple(removed), tuple(left))


def _clear_work(workspace: Workspace) -> Tidied:
    removed, left = [], []
    now = datetime.now(UTC)
    for one in task_leftovers.look(workspace.folder):
        if one.wanted:
            left.append(Notice("work-wanted", one.name, one.sentence))
        elif not one.removable(now):
            why = f"{one.name} was written to in the last {task_leftovers.QUIET.days} days: somebody may need it."
            left.append(Notice("work-recent", one.name, why))
        elif task_leftovers.discard(one):
            removed.append(one.name)
        else:
            left.append(Notice("not-removed", one.name, f"{one.name} cannot be removed; check the permissions."))
    return Tidied(tuple(removed), tuple(left))
