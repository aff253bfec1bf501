"""The open workspace: the one value that is passed down, and the only way to write records, evidence and journal."""

import getpass
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk import keys, standing
from tracker.desk import place as places
from tracker.desk.fields import one_line
from tracker.desk.moved import refuse_if_closed
from tracker.desk.remembered import Remembered
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore, Kept
from tracker.records import session as sessions
from tracker.records.bulk import insert_columns
from tracker.records.guard import check_columns, refuse_rows, stamp_new_rows
from tracker.records.models import Base, Written
from tracker.records.schema import bring_up_to_date, is_empty

Row = TypeVar("Row", bound=Written)


@dataclass(slots=True)
class Act:
    """One act under way: everything in it is recorded together, or nothing is.

    Attributes
    ----------
    session : Session
        Holds the write lock; labels and heads read through it stay true until the act ends.
    subject : str
        The label it is about (`L0001`, `L0001-03`, `M0002`); may be set while the act goes on.
    body : dict
        What was said, for the journal: plain JSON values. The rows and files are added at the end.
    entry_id : int
        The journal entry this act will be.
    wrote : set of str
        Names of the tables that rows were written to so far.
    """

    session: Session
    store: EvidenceStore
    operator: str
    name: str
    subject: str
    entry_id: int
    body: dict[str, Any] = field(default_factory=dict)
    files: dict[str, Kept] = field(default_factory=dict)
    wrote: set[str] = field(default_factory=set)

    def add(self, row: Row) -> Row:
        """Add a row that this act writes; it has its id when this returns."""
        self.session.add(row)
        self.session.flush()
        return row

    def add_all(self, rows: Sequence[Row]) -> Sequence[Row]:
        """Add rows of one table that this act writes; they have their ids, in this order, when it returns."""
        self.session.add_all(rows)
        self.session.flush()
        return rows

    def add_many(self, model: type[Written], columns: Mapping[str, Sequence[Any]]) -> None:
        """Add many rows of one table, given as the values of each column; the database gives them their ids.

        What was added before is written first, so they may refer to it.
        """
        count = len(next(iter(columns.values()), ()))
        if not count:
            return
        self.session.flush()
        table = Base.metadata.tables[model.__tablename__]
        stamped = {**columns, "entry_id": [self.entry_id] * count}
        check_columns(table, stamped)
        insert_columns(self.session.connection(), table, stamped)
        self.wrote.add(model.__tablename__)

    def keep(self, data: bytes | Path) -> Kept:
        """Keep a file as evidence of this act."""
        kept = self.store.keep(data)
        self.files.setdefault(kept.sha256, kept)
        return kept


class Workspace:
    """An open workspace: records, evidence and journal of one workshop.

    Attributes
    ----------
    folder : Path
    url : str
        The database, without its password.
    store : EvidenceStore
    """

    def __init__(self, folder: Path, engine: Engine, store: EvidenceStore) -> None:
        self.folder = folder
        self.store = store
        self._engine = engine
        self._remembered = Remembered()

    @classmethod
    def open(cls, location: Path | str | None, *, create: bool = False) -> "Workspace":
        """Open the workspace at `location` (None: the user's data folder).

        Parameters
        ----------
        create : bool
            Set it up when it is not there yet; a command that only reads leaves this off.

        Raises
        ------
        BadRequest
            When there is none, the folder is something else, or a newer Lotproof wrote it.
        Damaged
            When its records or settings cannot be read.
        """
        place = places.find(location)
        store = EvidenceStore(place.evidence_url, place.endpoint)
        with sessions.explained(str(place.folder)):
            engine = _engine(place, create)
            try:
                if not create or place.created:
                    _expect_records(place, engine)
                bring_up_to_date(engine)
            except BaseException:
                engine.dispose()
                raise
            if create and not place.created:
                # Under the write lock: two benches may be setting up the same folder.
                with sessions.write_transaction(engine):
                    places.mark_created(place)
        return cls(place.folder, engine, store)

    @property
    def url(self) -> str:
        """The database's address, without its password."""
        if self._engine.dialect.name == "sqlite":
            return (self.folder / places.RECORDS).as_uri()
        return sessions.without_password(self._engine.url)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session that sees one moment of the records and cannot write."""
        with (
            sessions.explained(str(self.folder)),
            Session(
                bind=self._engine, autoflush=False, expire_on_commit=False, info=self._remembered.info()
            ) as session,
        ):
            yield session

    def refuse_if_moved(self) -> None:
        """Refuse long work at its beginning where its outcome could not be recorded at the end.

        Raises
        ------
        BadRequest
            The workspace has moved; it names the new place.
        """
        with self.read() as session:
            refuse_if_closed(session)

    @contextmanager
    def act(self, operator: str | None, act: str, subject: str, *, closed: bool = False) -> Iterator[Act]:
        """Carry out one act: what happens inside is recorded with one journal entry, or not at all.

        Other benches wait while it lasts, so do slow work (reading photos, measuring) before it. An act that adds no
        row, keeps no file and says nothing in its body leaves no entry.

        Parameters
        ----------
        operator : str or None
            None: the login name.
        act : str
            One word, e.g. 'receive'.
        subject : str
            The label it is about; '' when it is not known yet.
        closed : bool
            Whether it is carried out in a workspace that has moved elsewhere, too.
        """
        who = operator_name(operator)
        signed: keys.Signed | None = None
        with sessions.explained(str(self.folder)), sessions.write_transaction(self._engine) as connection:
            session = Session(bind=connection, expire_on_commit=False, info=self._remembered.info_of_act())
            doing = Act(session, self.store, who, act, subject, journal.head(session).entry + 1)
            doing.wrote = stamp_new_rows(session, doing.entry_id)
            try:
                if not closed:
                    refuse_if_closed(session)
                yield doing
                signed = _record(doing, self.url)
                if signed is not None:
                    standing.follow(session, doing.entry_id)
            except BaseException:
                if sessions.still_holds(connection):
                    _forget_files(doing)
                raise
            finally:
                session.expunge_all()
                session.close()
        if signed is not None:
            keys.remember(signed.key, self.url, signed.head)

    @contextmanager
    def derive(self, *, wait: bool = True) -> Iterator[Session]:
        """Give a session to write what follows from the records (`tracker/records/derived.py`), and no record.

        Parameters
        ----------
        wait : bool
            Wait for another bench that is writing; without, it is refused at once, as busy.
        """
        with (
            sessions.explained(str(self.folder)),
            sessions.write_transaction(self._engine, wait=wait) as connection,
            Session(bind=connection, expire_on_commit=False) as session,
        ):
            refuse_rows(session)
            yield session

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> "Workspace":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def operator_name(given: str | None) -> str:
    """Return who acts: the name given, else the login name.

    Raises
    ------
    BadRequest
        When the name is empty or not one line of text.
    """
    if given is not None:
        return one_line(given, "operator", 200)
    try:
        return one_line(getpass.getuser(), "operator", 200)
    except (KeyError, OSError):
        return "unknown"


def _engine(place: places.Place, create: bool) -> Engine:
    if place.database:
        return sessions.postgres_engine(sessions.postgres_url(place.database))
    if place.records.exists():
        return sessions.sqlite_engine(place.records)
    if place.created:
        raise Damaged(f"The records of {place.folder} are missing: no {places.RECORDS}.", _RESTORE)
    if not create:
        raise _none_yet(place)
    places.make(place.folder)
    return sessions.sqlite_engine(place.records, create=True)


def _expect_records(place: places.Place, engine: Engine) -> None:
    if not is_empty(engine):
        return
    if place.created:
        raise Damaged(f"The records of {place.folder} are empty, and it has been in use.", _RESTORE)
    raise _none_yet(place)


_RESTORE = "Restore the workspace from a backup; to begin a new one, name another folder with --workspace."


def _none_yet(place: places.Place) -> BadRequest:
    return BadRequest(
        f"There is no workspace in {place.folder} yet.",
        "`lotproof receive` starts one with the first lot; or name another folder with --workspace.",
    )


def _record(doing: Act, workspace: str) -> keys.Signed | None:
    doing.session.flush()
    rows = journal.rows_written(doing.session, doing.entry_id, doing.wrote)
    files = {sha256: kept.size_bytes for sha256, kept in doing.files.items()}
    if not (rows or files or doing.body):
        return None
    return keys.append_signed(
        doing.session,
        workspace,
        operator=doing.operator,
        act=doing.name,
        subject=doing.subject,
        body={**doing.body, "rows": rows, "files": files},
        first=doing.entry_id == 1,
    )


def _forget_files(doing: Act) -> None:
    # While the write lock is held nobody else can have come to rely on a file that this act was the first to keep.
    # Without it (the connection broke) the files stay, and `tidy` finds those that belong to no entry.
    for sha256, kept in doing.files.items():
        if kept.new:
            with suppress(Exception):
                doing.store.remove(sha256)
