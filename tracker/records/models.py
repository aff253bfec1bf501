"""What the workshop remembers, as SQLAlchemy models.

Every row is written once and never changed: a correction is a new row, and both stay. `entry_id` names the journal
entry that wrote the row; that entry holds a digest of it. SI units stand in the column names; instants are UTC.
"""

from datetime import date

from sqlalchemy import (
    BigInteger,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship


class Base(DeclarativeBase):
    """Base of all tables. Constraints have names, so that a later migration can speak of them on every database."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class JournalEntry(Base):
    """One link of the hash chain. `body` is canonical JSON (RFC 8785); `hash` covers all columns before it."""

    __tablename__ = "journal_entry"

    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(32), index=True)
    """UTC instant, RFC 3339 with microseconds, kept as text so that its hash is the same on every database."""
    operator: Mapped[str] = mapped_column(String(200), index=True)
    act: Mapped[str] = mapped_column(String(40), index=True)
    subject: Mapped[str] = mapped_column(String(200), index=True)
    body: Mapped[str] = mapped_column(Text)
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64), unique=True)
    signing_key: Mapped[str | None] = mapped_column(String(32), index=True)
    """Name of the key that signed `hash`; an entry that announces it holds its public half."""
    signature: Mapped[str | None] = mapped_column(String(128))


class Written(Base):
    """A row written by one journal entry."""

    __abstract__ = True

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    # Deferred: the entry holds a digest of its rows, so it can only be written after them.
    entry_id: Mapped[int] = mapped_column(
        ForeignKey("journal_entry.id", deferrable=True, initially="DEFERRED"), index=True
    )


class Seller(Written):
    """Who sold a lot."""

    __tablename__ = "seller"

    name: Mapped[str] = mapped_column(String(200), unique=True)


class Lot(Written):
    """What arrived together from one seller for one claimed part."""

    __tablename__ = "lot"
    __table_args__ = (UniqueConstraint("seller_id", "order_reference", "order_line"),)

    label: Mapped[str] = mapped_column(String(20), unique=True)
    seller_id: Mapped[int] = mapped_column(ForeignKey("seller.id"), index=True)
    source_kind: Mapped[str] = mapped_column(String(30))
    """authorised, broker, marketplace, own-pull, donor or unknown."""
    order_reference: Mapped[str | None] = mapped_column(String(200))
    order_line: Mapped[int] = mapped_column(Integer, default=1)
    price: Mapped[str | None] = mapped_column(String(30))
    """Decimal text of the whole lot's price: exact on every database."""
    currency: Mapped[str | None] = mapped_column(String(3))
    claimed_part: Mapped[str] = mapped_column(String(100), index=True)
    claimed_maker: Mapped[str | None] = mapped_column(String(100))
    claimed_grade: Mapped[str | None] = mapped_column(String(60))
    condition: Mapped[str] = mapped_column(String(20))
    """new, old-stock, pulled, refurbished or unknown."""
    quantity_ordered: Mapped[int] = mapped_column(Integer)
    quantity_received: Mapped[int] = mapped_column(Integer)
    arrived_on: Mapped[date] = mapped_column(Date, index=True)
    claim_by: Mapped[date | None] = mapped_column(Date, index=True)
    remark: Mapped[str | None] = mapped_column(Text)

    seller: Mapped[Seller] = relationship()
    pieces: Mapped[list["Piece"]] = relationship(back_populates="lot", order_by="Piece.number")


class Piece(Written):
    """One physical chip."""

    __tablename__ = "piece"
    __table_args__ = (UniqueConstraint("lot_id", "number"),)

    label: Mapped[str] = mapped_column(String(20), unique=True)
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), index=True)
    number: Mapped[int] = mapped_column(Integer)

    lot: Mapped[Lot] = relationship(back_populates="pieces")


class Document(Written):
    """A file that came with a lot: invoice, certificate, listing picture, log."""

    __tablename__ = "document"

    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), index=True)
    kind: Mapped[str] = mapped_column(String(30))
    name: Mapped[str] = mapped_column(String(300))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size_bytes: Mapped[int] = mapped_column(BigInteger)


class Photo(Written):
    """One original photo, kept byte for byte in the evidence store under `sha256`."""

    __tablename__ = "photo"

    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), index=True)
    role: Mapped[str] = mapped_column(String(20))
    """top, bottom, before-swab, after-swab or listing."""
    name: Mapped[str] = mapped_column(String(300))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    width: Mapped[int] = mapped_column(Integer)
    height: Mapped[int] = mapped_column(Integer)
    lot: Mapped[Lot] = relationship()


class Inspection(Written):
    """What one inspection saw and concluded of one piece in one photo."""

    __tablename__ = "inspection"
    __table_args__ = (
        Index("ix_inspection_upper_date_code", text("upper(date_code)")),
        Index("ix_inspection_date_year_date_week", "date_year", "date_week"),
    )

    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"), index=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    part_read: Mapped[str | None] = mapped_column(String(100), index=True)
    marking: Mapped[str] = mapped_column(Text)
    """The lines read, joined by ' / '."""
    date_code: Mapped[str | None] = mapped_column(String(30), index=True)
    date_year: Mapped[int | None] = mapped_column(Integer)
    date_week: Mapped[int | None] = mapped_column(Integer)
    package: Mapped[str | None] = mapped_column(String(30))
    suspicion: Mapped[float] = mapped_column(Float)
    prior_db: Mapped[float] = mapped_column(Float)
    document: Mapped[str] = mapped_column(Text)
    """This piece's part of the inspection document, as the contract spells it, with method and versions."""
    overlay_sha256: Mapped[str | None] = mapped_column(String(64))

    photo: Mapped[Photo] = relationship()
    piece: Mapped[Piece] = relationship()
    findings: Mapped[list["Finding"]] = relationship(back_populates="inspection", order_by="Finding.id")


class Finding(Written):
    """One observed fact with its place or value, weight and reason."""

    __tablename__ = "finding"

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), index=True)
    code: Mapped[str] = mapped_column(String(60), index=True)
    family: Mapped[str] = mapped_column(String(20))
    weight_db: Mapped[float] = mapped_column(Float)
    message: Mapped[str] = mapped_column(Text)
    value: Mapped[float | None] = mapped_column(Float)
    unit: Mapped[str | None] = mapped_column(String(20))
    reference: Mapped[float | None] = mapped_column(Float)
    outline: Mapped[str | None] = mapped_column(Text)

    inspection: Mapped[Inspection] = relationship(back_populates="findings")


class ReadingCorrection(Written):
    """What a person says a chip in a photo reads; the latest one of a photo, chip and piece holds."""

    __tablename__ = "reading_correction"

    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"), index=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    chip: Mapped[int] = mapped_column(Integer)
    """Which of the photo's chips it is, counted from 0."""
    lines: Mapped[str] = mapped_column(Text)
    """JSON list of texts, top to bottom; an empty one takes an earlier correction back."""
    remark: Mapped[str | None] = mapped_column(Text)

    photo: Mapped[Photo] = relationship()


class Machine(Written):
    """What pieces are fitted into."""

    __tablename__ = "machine"

    label: Mapped[str] = mapped_column(String(20), unique=True)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    owner_reference: Mapped[str | None] = mapped_column(String(200))


class BenchRun(Written):
    """One bench test of a piece or a machine: its conditions, result, rule and verdict."""

    __tablename__ = "bench_run"
    # Lowered, for lists alone: by the plain words SQLite would go even where the runs of a few pieces are asked for.
    __table_args__ = (
        Index("ix_bench_run_lower_test", text("lower(test)")),
        Index("ix_bench_run_lower_verdict", text("lower(verdict)")),
        Index("ix_bench_run_lower_test_lower_verdict", text("lower(test)"), text("lower(verdict)")),
    )

    label: Mapped[str] = mapped_column(String(20), unique=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"), index=True)
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machine.id"), index=True)
    test: Mapped[str] = mapped_column(String(20))
    """current, clock, soak, signature, curve or in-circuit."""
    verdict: Mapped[str] = mapped_column(String(12))
    """pass, fail or undecided."""
    weight_db: Mapped[float] = mapped_column(Float, index=True)
    rule: Mapped[str] = mapped_column(Text)
    supply_v: Mapped[float | None] = mapped_column(Float, index=True)
    ambient_c: Mapped[float | None] = mapped_column(Float)
    jig: Mapped[str | None] = mapped_column(String(200))
    instrument: Mapped[str | None] = mapped_column(String(200))
    result: Mapped[str] = mapped_column(Text)
    """The whole result as JSON: values with unit and uncertainty, limits with source, probabilities."""
    remark: Mapped[str | None] = mapped_column(Text)

    samples: Mapped[list["BenchSample"]] = relationship(back_populates="run", order_by="BenchSample.position")


class BenchSample(Written):
    """One raw reading of a bench run; the columns a test does not use stay empty."""

    __tablename__ = "bench_sample"

    run_id: Mapped[int] = mapped_column(ForeignKey("bench_run.id"), index=True)
    position: Mapped[int] = mapped_column(Integer)
    clock_hz: Mapped[float | None] = mapped_column(Float)
    current_a: Mapped[float | None] = mapped_column(Float)
    current_u_a: Mapped[float | None] = mapped_column(Float)
    voltage_v: Mapped[float | None] = mapped_column(Float)
    time_s: Mapped[float | None] = mapped_column(Float)
    temp_c: Mapped[float | None] = mapped_column(Float)
    ambient_c: Mapped[float | None] = mapped_column(Float)
    passed: Mapped[bool | None] = mapped_column()
    text: Mapped[str | None] = mapped_column(Text)

    run: Mapped[BenchRun] = relationship(back_populates="samples")


class Decision(Written):
    """A disposition given to a piece, with its reason; the latest one holds."""

    __tablename__ = "decision"

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    disposition: Mapped[str] = mapped_column(String(12))
    """accepted, quarantined, rejected or returned."""
    reason: Mapped[str] = mapped_column(Text)


class Shipment(Written):
    """A piece on its way back to its seller, written with the decision to return it; the latest one holds."""

    __tablename__ = "shipment"

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    carrier: Mapped[str] = mapped_column(String(100))
    reference: Mapped[str] = mapped_column(String(200))
    sent_on: Mapped[date] = mapped_column(Date)


class Exemplar(Written):
    """A piece declared known good, with the grounds; `withdrawn` takes an earlier declaration back."""

    __tablename__ = "exemplar"

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    grounds: Mapped[str] = mapped_column(Text)
    withdrawn: Mapped[bool] = mapped_column(default=False)


class Settlement(Written):
    """A truth about a piece established outside the photos; `withdrawn` takes an earlier one back."""

    __tablename__ = "settlement"

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    genuine: Mapped[bool] = mapped_column()
    grounds: Mapped[str] = mapped_column(Text)
    withdrawn: Mapped[bool] = mapped_column(default=False)


class Fitting(Written):
    """A piece put into, or taken out of, a position of a machine."""

    __tablename__ = "fitting"
    __table_args__ = (Index("ix_fitting_machine_position", "machine_id", "position"),)

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    machine_id: Mapped[int] = mapped_column(ForeignKey("machine.id"), index=True)
    position: Mapped[str] = mapped_column(String(60))
    fitted: Mapped[bool] = mapped_column()
    """True when put in, False when taken out."""
    reason: Mapped[str | None] = mapped_column(Text)


class LotOrigin(Written):
    """Where a lot came from that was taken over with another workshop's evidence."""

    __tablename__ = "lot_origin"

    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), unique=True)
    workshop: Mapped[str] = mapped_column(String(200))
    """The name it gives itself; 'a workshop without a name' when it gave none."""
    workshop_id: Mapped[str] = mapped_column(String(64), index=True)
    """Hash of the first entry of its journal."""
    their_lot: Mapped[str] = mapped_column(String(20))
    bag_sha256: Mapped[str] = mapped_column(String(64), index=True)
    """What names the bag's payload."""
    head_entry: Mapped[int] = mapped_column(Integer)
    head_hash: Mapped[str] = mapped_column(String(64))
    exported_at: Mapped[str] = mapped_column(String(32))
    program: Mapped[str] = mapped_column(String(40))
    """Version of the program that wrote the bag."""
    signing_key: Mapped[str | None] = mapped_column(String(32))
    """Name of the key that signed the newest of its entries in the bag."""

    lot: Mapped[Lot] = relationship()


class ForeignRecord(Written):
    """One thing another workshop found or did; it is shown, and counts for nothing in our sums."""

    __tablename__ = "foreign_record"

    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), index=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    """inspection, correction, run, decision, settlement, exemplar, fitting, shipment, or earlier: an origin before
    theirs."""
    their_label: Mapped[str | None] = mapped_column(String(40))
    at: Mapped[str] = mapped_column(String(32))
    operator: Mapped[str] = mapped_column(String(200))
    said: Mapped[str] = mapped_column(Text)
