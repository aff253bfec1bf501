"""A task of the work list and its photos, as values."""

from dataclasses import dataclass

WAITING, RUNNING, DONE, FAILED, CANCELLED = "waiting", "running", "done", "failed", "cancelled"
PHOTOGRAPH, EXPORT, DOSSIER = "photograph", "export", "dossier"


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be done.

    Parameters
    ----------
    kind : str
        'photograph', 'export' (a bag) or 'dossier'.
    subject : str
        Label of the lot or piece.
    role : str
        Of photos.
    pieces : tuple of str
        Labels of the pieces in view in each of the photos, in reading order; empty where they are to be matched.
    form : str
        Of a dossier: 'pdf' or 'html'.
    without : tuple of str
        What a dossier leaves out: 'prices', 'operators', 'owners'.
    organization : str
        Whose bag it is.
    """

    kind: str
    subject: str
    role: str = ""
    pieces: tuple[str, ...] = ()
    form: str = ""
    without: tuple[str, ...] = ()
    organization: str = ""


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """One photo of a task.

    Parameters
    ----------
    number : int
        From 1, in the order they were given; also the name of its file while it is not evidence.
    name : str
        The file's own name as it was given: shown, and never the name of a file of ours.
    warnings : tuple of str
        What a quick look said that would help.
    state : str
        As of tasks.
    what, advice : str
        Why it failed.
    entry : int or None
        The journal entry that its act was to be; whether it came about, only the journal tells.
    document : str or None
        What was recorded: a `PhotographDocument` as JSON.
    """

    number: int
    name: str
    sha256: str
    size_bytes: int
    warnings: tuple[str, ...] = ()
    state: str = WAITING
    attempts: int = 0
    what: str = ""
    advice: str = ""
    entry: int | None = None
    document: str | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """One file that was not taken, and why."""

    name: str
    what: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Task:
    """One entry of the work list.

    Parameters
    ----------
    number : int
    token : str
        Names its folder, and the acts that are its own in the journal.
    stopping : bool
        Somebody asked to break it off while it was running.
    done, total : int
        Progress: photos, or files of a bag.
    words : str
        What is going on just now.
    asked_at, began_at, ended_at : str
        UTC instants, RFC 3339.
    what, advice : str
        Why it failed or was cancelled.
    made : str
        Name of the file it made.
    changed : int
        Grows with every change to any task.
    """

    number: int
    token: str
    wish: Wish
    operator: str
    state: str
    stopping: bool
    done: int
    total: int
    words: str
    attempts: int
    asked_at: str
    began_at: str | None
    ended_at: str | None
    what: str
    advice: str
    made: str
    changed: int
    refused: tuple[Refused, ...] = ()
    """What was sent along and could not be used."""
    photos: tuple[PhotoRow, ...] = ()

    @property
    def label(self) -> str:
        """What people call it: `W0007`."""
        return f"W{self.number:04d}"

    @property
    def title(self) -> str:
        """What it is about, in words: '2 photos of L0007'."""
        wish, count = self.wish, len(self.photos)
        if wish.kind == EXPORT:
            return f"Bag of {wish.subject}"
        if wish.kind == DOSSIER:
            return f"Dossier of {wish.subject} ({wish.form.upper()})"
        return f"Photo of {wish.subject}" if count == 1 else f"{count} photos of {wish.subject}"

    @property
    def open(self) -> bool:
        """Whether it waits or runs."""
        return self.state in (WAITING, RUNNING)
