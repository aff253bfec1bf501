"""How settled pieces were judged for calibration, kept with the entry it holds for (`tracker/desk/kept_copy.py`).

At the same entry, with the same rules, it is what would be worked out anew; after later entries it is what held then,
and whoever shows it says so.
"""

import json
import time
from collections.abc import Sequence
from dataclasses import asdict, astuple, dataclass

from sqlalchemy.orm import Session

from tracker.desk import kept_copy
from tracker.desk.calibrated import Calibration, Judged, reliability_of
from tracker.desk.kept_copy import Copy
from tracker.desk.known_kept import WORTH_IT
from tracker.desk.standing_suspicion import mark
from tracker.journal import Head
from tracker.judgement.scores import Area, Bin, Decomposition, Scores
from tracker.judgement.weights import declared_version

_ENDING, _SAID = ".calibration.json", ".calibration-said.json"
_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept: the entry it holds for, the weights' version, the pieces, and how many were left out."""

    head: Head
    weights: str
    judged: tuple[Judged, ...]
    left_out: int


def load(session: Session) -> Kept | None:
    """Return what was kept of the journal that a session sees, None where there is nothing that can be used."""
    copy = kept_copy.load(session, _ENDING, _made_by())
    try:
        if copy is None:
            return None
        judged = tuple(Judged(*one) for one in json.loads(copy.body))
        return Kept(copy.at, str(copy.said["weights"]), judged, int(copy.said["left_out"]))
    except (ValueError, KeyError, TypeError):
        return None


def load_said(session: Session) -> tuple[Head, Calibration] | None:
    """Return what was said of all pieces together, and the entry it held for; `judged` is empty."""
    copy = kept_copy.load(session, _SAID, _made_by())
    try:
        if copy is None:
            return None
        told = json.loads(copy.body)
        scores = Scores(
            **{
                **told.pop("scores"),
                "bins": tuple(Bin(**one) for one in told.pop("bins")),
                "decomposition": Decomposition(**told.pop("decomposition")),
                "area": None if (area := told.pop("area")) is None else Area(**area),
            }
        )
        notes = tuple(told.pop("notes"))
        return copy.at, Calibration(**told, judged=(), scores=scores, reliability=reliability_of(scores), notes=notes)
    except (ValueError, KeyError, TypeError):
        return None


def keep_said(session: Session, at: Head, found: Calibration) -> None:
    """Keep what is said of all pieces together, where they are many."""
    if found.scores is None or len(found.judged) < WORTH_IT:
        return
    scores = asdict(found.scores)
    parts = {name: scores.pop(name) for name in ("bins", "decomposition", "area")}
    told = {name: getattr(found, name) for name in ("weights", "left_out", "enough", "said", "notes")}
    body = json.dumps({**told, **parts, "scores": scores}).encode()
    kept_copy.keep(session, _SAID, _made_by(), Copy(at, {}, body))


def is_old(session: Session, older_s: float) -> bool:
    """Tell whether something was kept so many seconds ago or earlier, and not for the newest entry."""
    return kept_copy.is_old(session, _ENDING, older_s, time.time())


def keep(session: Session, at: Head, weights: str, judged: Sequence[Judged], left_out: int) -> None:
    """Keep what was worked out, where it took long."""
    if len(judged) < WORTH_IT:
        return
    body = json.dumps([astuple(one) for one in judged]).encode()
    kept_copy.keep(session, _ENDING, _made_by(), Copy(at, {"weights": weights, "left_out": left_out}, body))


def _made_by() -> str:
    return f"{_FORMAT} {mark(0)} {declared_version()}"
