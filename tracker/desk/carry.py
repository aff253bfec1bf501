"""A workspace on its way to another place: where it is to lie, how far it has come, and putting it to use.

Until everything is there and was found to be the same, the records at the new place stand at the revision 'unfinished',
with which nothing opens. A copy that was broken off is taken up again where it is the beginning of the very same
journal; anything else that lies there is refused.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk import keys
from tracker.desk import place as places
from tracker.desk.carry_files import check_files, clear_unfinished, copy_files, files_on_record
from tracker.desk.carry_rows import TableSum, Tell, begins_alike, copy_rows, same, table_sums
from tracker.desk.moved import MOVE_IN
from tracker.errors import BadRequest
from tracker.evidence import EvidenceStore
from tracker.records import schema
from tracker.records import session as sessions
from tracker.records.session import read_transaction, write_transaction


@dataclass(frozen=True, slots=True)
class Carried:
    """What was carried: the journal's newest entry that came along, every table, and the evidence."""

    head: journal.Head
    tables: dict[str, TableSum]
    files: int
    size_bytes: int


class Target:
    """The place a workspace is carried to.

    Attributes
    ----------
    place : Place
    engine : Engine
    store : EvidenceStore
    finished : bool
        The records there are in use already.
    """

    def __init__(self, place: places.Place, engine: Engine, store: EvidenceStore) -> None:
        self.place, self.engine, self.store = place, engine, store
        with read_transaction(engine) as connection:
            self._revision = schema.revision(connection)
            if self._revision is None and schema.has_tables(connection):
                raise BadRequest(f"The database {self.url} holds other tables.", "Name one that is empty.")
        self.finished = self._revision is not None and not schema.is_unfinished(self._revision)

    @property
    def url(self) -> str:
        """The address of the records, without a password."""
        return records_url(self.place, self.engine)

    def begin(self, source: Connection) -> None:
        """Make the tables; or see that what is there is the beginning of the very same journal.

        Raises
        ------
        BadRequest
            When it is something else.
        """
        if self._revision is None:
            schema.begin_unfinished(self.engine)
            return
        if not self.finished and self._revision != schema.UNFINISHED:
            raise BadRequest(
                f"Another version of Lotproof began to copy to {self.url}.", "Remove what is there and begin again."
            )
        with read_transaction(self.engine) as connection:
            if self.finished or not begins_alike(source, connection):
                raise BadRequest(
                    f"There are records of another workspace in {self.url}, or of this one at another time.",
                    "Name a new place. Nothing was changed there.",
                )

    def take(self, source: Connection, files: EvidenceStore, tell: Tell) -> Carried:
        """Carry over what is not there yet, and hold all of it against the source."""
        with Session(bind=source) as session:
            head, named = journal.head(session), files_on_record(session)
        copy_files(files, self.store, named, tell)
        try:
            copy_rows(source, self.engine, tell)
        except IntegrityError:
            raise BadRequest(
                f"Somebody else copies to {self.url} at this moment.", "Wait for it, then run the same command again."
            ) from None
        here = table_sums(source, "Reading records", tell)
        with read_transaction(self.engine) as connection:
            same(here, table_sums(connection, "Checking records", tell), self.url)
        check_files(self.store, named, tell)
        clear_unfinished(self.store)
        return Carried(head, here, len(named), sum(named.values()))

    def put_to_use(self, operator: str, came: dict[str, Any] | None) -> None:
        """Let the records be opened from now on; `came` is what a journal entry says of it, None for no entry."""
        signed: keys.Signed | None = None
        with write_transaction(self.engine) as connection, Session(bind=connection) as session:
            if came is not None:
                signed = keys.append_signed(
                    session, self.url, operator=operator, act=MOVE_IN, subject="workspace", body=came, first=False
                )
            schema.end_unfinished(connection)
        if signed is not None:
            keys.remember(signed.key, self.url, signed.head)

    def describe(self) -> None:
        """Write `workspace.toml`, unless it is there: the last step, after which the folder is a workspace."""
        if places.find(self.place.folder, environment=False).created is None:
            database = self.place.database
            plain = None if database is None else sessions.postgres_url(database).set(drivername="postgresql")
            places.describe(self.place, None if plain is None else sessions.without_password(plain))


@contextmanager
def target(folder: Path, records: str | None, evidence: str | None, endpoint: str | None) -> Iterator[Target]:
    """Give the place a workspace is to be carried to.

    Parameters
    ----------
    folder : Path
        The new workspace's.
    records, evidence, endpoint : str or None
        A database, a store of files and where it answers; None: in the folder.

    Raises
    ------
    BadRequest
        When the folder is in use, or an address cannot be used.
    """
    there = places.find(folder, environment=False)
    place = places.Place(there.folder, None, records, evidence, endpoint)
    if evidence is not None and "://" not in evidence:
        raise BadRequest(f"The evidence address is '{evidence}'.", "Write it like s3://bucket/workshop.")
    if endpoint is not None and not place.evidence_url.startswith("s3://"):
        raise BadRequest("--endpoint is where a bucket's store answers.", "Name the bucket, too: --evidence s3://...")
    store = EvidenceStore(place.evidence_url, endpoint)
    with sessions.explained(str(place.folder)):
        if records is not None:
            engine = sessions.postgres_engine(sessions.postgres_url(records))
        else:
            places.make(place.folder)
            engine = sessions.sqlite_engine(place.records, create=True)
        try:
            found = Target(place, engine, store)
            if there.created and not found.finished:
                raise BadRequest(f"{there.folder} is a workspace already.", "Name a new or empty folder.")
            yield found
        finally:
            engine.dispose()


def records_url(place: places.Place, engine: Engine) -> str:
    """Return the address of the records as `Workspace.url` gives it."""
    return place.records.as_uri() if engine.dialect.name == "sqlite" else sessions.without_password(engine.url)
