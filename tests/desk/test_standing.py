"""What is kept beside the records for lists says what they do, after every kind of act; pages in every order."""

import random
from collections.abc import Callable, Sequence
from dataclasses import astuple, fields, replace

import pytest
from asked import asked
from growing import TODAY, Growth, grow
from settled_workshop import decided, look, ran
from sqlalchemy import func, select, text, update
from sqlalchemy.orm import Session
from stock import a_lot, arrival

from tracker.desk import listing_page
from tracker.desk import standing_suspicion as kept
from tracker.desk.decide import decide, settle
from tracker.desk.due import due
from tracker.desk.fitting import fit
from tracker.desk.listing import Filters, list_rows
from tracker.desk.listing_filters import must_pass, ordered
from tracker.desk.listing_plain import PLAIN
from tracker.desk.next_test import next_tests
from tracker.desk.open_lots import first_to_test
from tracker.desk.receive import receive
from tracker.desk.rows import ROW_OF, Row
from tracker.desk.showing import PieceShown, show
from tracker.desk.standing import empty, state
from tracker.desk.standing_check import check
from tracker.desk.tidy import tidy
from tracker.desk.verify import verify
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.judgement.counts import ABSENT, CLEAR
from tracker.records.derived import LOT_STANDING, PIECE_STANDING
from tracker.records.models import Document, Exemplar, Fitting, Inspection, Machine, Photo, Piece, Settlement
from tracker.records.session import write_transaction

VARIED = Growth(lots=3, pieces=5, looks=1.4, runs=0.6, decided=0.6, settled=0.2, exemplars=0.1, rematched=0.5)
SIGNS = ("surface-sanded", "lettering-height-differs")


def plain(workspace: Workspace, what: str) -> list[Row]:
    with workspace.read() as session:
        return PLAIN[what](session)


def same(ours: Sequence[Row], theirs: Sequence[Row]) -> None:
    """Compare rows: all columns alike, numbers to 1e-12."""
    assert len(ours) == len(theirs)
    for one, other in zip(ours, theirs, strict=True):
        for mine, its in zip(astuple(one), astuple(other), strict=True):
            both = isinstance(mine, float) and isinstance(its, float)
            assert (abs(mine - its) <= 1e-12) if both else (mine == its), (one, other)


def as_the_records_say(workspace: Workspace) -> None:
    for what in ("pieces", "lots", "machines"):
        same(list_rows(workspace, what).rows, plain(workspace, what))
    same(list_rows(workspace, "sellers").rows, sorted(plain(workspace, "sellers"), key=lambda row: row.seller))  # type: ignore[union-attr,arg-type,return-value]
    with workspace.read() as session:
        assert state(session).current
        assert [*check(session)] == []


class Chance:
    """Acts by chance, as rows: any piece may have anything said of it."""

    def __init__(self, workspace: Workspace, seed: int) -> None:
        self.rng = random.Random(seed)
        self.workspace = workspace
        self.kinds: tuple[Callable[[Act], None], ...] = (
            self.decision,
            self.run,
            self.settlement,
            self.exemplar,
            self.fitting,
            self.photo,
            self.said_anew,
            self.picture,
        )

    def piece(self, act: Act) -> Piece:
        return self.rng.choice(act.session.query(Piece).order_by(Piece.id).all())

    def decision(self, act: Act) -> None:
        decided(act, self.piece(act), self.rng.choice(("accepted", "quarantined", "rejected", "returned")))

    def run(self, act: Act) -> None:
        test, verdict = self.rng.choice(("current", "clock")), self.rng.choice(("pass", "fail", "undecided"))
        ran(act, self.piece(act), test, verdict)

    def settlement(self, act: Act) -> None:
        genuine, withdrawn = self.rng.random() < 0.5, self.rng.random() < 0.3
        act.add(Settlement(piece_id=self.piece(act).id, genuine=genuine, grounds="opened", withdrawn=withdrawn))

    def exemplar(self, act: Act) -> None:
        act.add(Exemplar(piece_id=self.piece(act).id, grounds="known", withdrawn=self.rng.random() < 0.3))

    def fitting(self, act: Act) -> None:
        machine = self.rng.choice(act.session.query(Machine).order_by(Machine.id).all())
        going_in = self.rng.random() < 0.6
        act.add(Fitting(piece_id=self.piece(act).id, machine_id=machine.id, position="U7", fitted=going_in))

    def photo(self, act: Act) -> None:
        piece = self.piece(act)
        shot = self._photo(act, piece, self.rng.choice(("top", "bottom", "before-swab", "after-swab")))
        look(act, shot, piece, 0, {code: self.rng.choice((ABSENT, CLEAR)) for code in SIGNS})

    def said_anew(self, act: Act) -> None:
        """A chip in an older photo is said to be another piece."""
        seen = self.rng.choice(act.session.query(Inspection).order_by(Inspection.id).all())
        index = int(kept_index(seen))
        look(act, seen.photo, self.piece(act), index, {code: self.rng.choice((ABSENT, CLEAR)) for code in SIGNS})

    def picture(self, act: Act) -> None:
        """A listing picture, which may be that of another lot."""
        lot = self.piece(act).lot_id
        kept_file = act.keep(self.rng.choice((b"one picture", b"another picture")))
        said = {"sha256": kept_file.sha256, "size_bytes": kept_file.size_bytes}
        act.add(Document(lot_id=lot, kind="listing", name="p.png", **said))

    def _photo(self, act: Act, piece: Piece, role: str) -> Photo:
        kept_file = act.keep(f"{piece.label} {self.rng.random()}".encode())
        size = {"size_bytes": kept_file.size_bytes, "width": 9, "height": 9}
        return act.add(Photo(lot_id=piece.lot_id, role=role, name="p.jpg", sha256=kept_file.sha256, **size))


def kept_index(seen: Inspection) -> int:
    import json

    return int(json.loads(seen.document)["index"])


@pytest.mark.parametrize("seed", [1])
def test_after_every_kind_of_act_lists_say_what_the_records_say(workspace: Workspace, seed: int) -> None:
    grow(workspace, replace(VARIED, seed=seed))
    as_the_records_say(workspace)
    chance = Chance(workspace, seed)
    for kind in chance.rng.sample(chance.kinds, len(chance.kinds)):
        with workspace.act("mira", "say", "") as act:
            kind(act)
        as_the_records_say(workspace)
    with workspace.act("mira", "say", "") as act:  # several in one act
        for kind in chance.kinds:
            kind(act)
    receive(workspace, [arrival(quantity=2, received=2)], operator="mira")
    as_the_records_say(workspace)


@pytest.fixture
def grown(workspace: Workspace) -> Workspace:
    """Give a workshop in which everything occurs."""
    grow(workspace, replace(VARIED, seed=20_310))
    return workspace


@pytest.mark.sweep
def test_every_order_and_direction_page_by_page(grown: Workspace) -> None:
    for what in ("pieces", "lots", "sellers", "machines", "runs"):
        columns, whole = [field.name for field in fields(ROW_OF[what])], plain(grown, what)
        for sort in columns:
            for reverse in (False, True):
                by_number = sort == columns[0] and what != "sellers"
                wanted = ordered(whole, (), None if by_number else sort, reverse)
                rows, after, size = [], None, max(3, len(wanted) // 2)
                for _ in range(len(wanted) // size + 1):
                    page = list_rows(grown, what, sort=sort, reverse=reverse, limit=size, after=after)
                    assert page.found == len(wanted)
                    rows += page.rows
                    after = page.next
                    if after is None:
                        break
                assert after is None
                same(rows, wanted)
    for what in ("pieces", "lots", "sellers"):
        with pytest.raises(NoSuch):
            list_rows(grown, what, after="L9999-01", limit=2)


def test_filters_are_those_of_the_plain_way(grown: Workspace) -> None:
    pieces = plain(grown, "pieces")
    seen = next(row for row in pieces if row.machine is not None)  # type: ignore[union-attr]
    asked_of: dict[str, Sequence[Filters]] = {
        "pieces": (
            Filters(lot="l0002"),
            Filters(piece="L0001-03"),
            Filters(seller=seen.seller.upper()),  # type: ignore[union-attr]
            Filters(seller="nobody"),
            Filters(part="cv"),
            Filters(part="%"),
            Filters(part="_"),
            *(Filters(disposition=word) for word in ("open", "Accepted", "quarantined", "rejected", "fitted")),
            Filters(machine=seen.machine),  # type: ignore[union-attr]
            Filters(machine="M9999"),
            Filters(since=seen.arrived),  # type: ignore[union-attr]
            Filters(suspicion=0.3),
            Filters(suspicion=0.1, disposition="open", part="cv", since=seen.arrived),  # type: ignore[union-attr]
        ),
        "lots": (
            Filters(lot="L0002"),
            Filters(source="marketplace"),
            Filters(part="cv65"),
            Filters(seller=seen.seller, since=seen.arrived),  # type: ignore[union-attr]
            Filters(suspicion=0.2),
            Filters(having="rejected"),
            Filters(having="open", source="marketplace"),
        ),
    }
    run = plain(grown, "runs")[1]
    asked_of["runs"] = (
        Filters(test="Current", verdict="pass"),
        Filters(piece=run.piece),  # type: ignore[union-attr]
        Filters(machine="m9999"),
        Filters(since=seen.arrived),  # type: ignore[union-attr]
        Filters(since=TODAY.replace(year=TODAY.year + 1)),
    )
    passed = 0
    for what, wishes in asked_of.items():
        columns, whole = [field.name for field in fields(ROW_OF[what])], plain(grown, what)
        for filters in wishes:
            wanted = ordered(whole, must_pass(what, columns, filters), None, False)
            found = list_rows(grown, what, filters, limit=4)
            same(found.rows, wanted[:4])
            assert found.found == len(wanted)
            assert (found.next is None) == (len(wanted) <= 4)
            passed += len(wanted)
    assert passed > len(pieces)


def test_labels_go_by_number(workspace: Workspace) -> None:
    a_lot(workspace, quantity=101, received=101)
    rows = list_rows(workspace, "pieces", limit=3, after="L0001-98").rows
    assert [row.piece for row in rows] == ["L0001-99", "L0001-100", "L0001-101"]  # type: ignore[union-attr]
    assert list_rows(workspace, "pieces", reverse=True, limit=1).rows[0].piece == "L0001-101"  # type: ignore[union-attr]


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_a_page_asks_as_much_of_a_large_workshop_as_of_a_small_one(workspace: Workspace) -> None:
    numbers = {}
    for pieces in (100, 1_000):
        a_lot(workspace, quantity=pieces, received=pieces, part=f"CV{pieces}")
        decide(workspace, [f"L000{1 if pieces == 100 else 2}-1..50"], "accept", "fine", operator="mira")
        for what in ("pieces", "lots", "sellers", "machines", "runs"):
            for limit in (5, 50):
                for sort in (None, "suspicion") if what in ("pieces", "lots") else (None,):
                    list_rows(workspace, what, sort=sort, limit=limit)
                    with asked(workspace) as questions:
                        list_rows(workspace, what, sort=sort, limit=limit)
                    numbers.setdefault((what, sort), set()).add(questions.number)
    assert all(len(one) == 1 for one in numbers.values()), numbers
    assert numbers["pieces", None] == {3}  # query_only, BEGIN, the page with its count


def test_what_is_emptied_is_made_anew(grown: Workspace) -> None:
    before = list_rows(grown, "pieces").rows
    with grown.derive() as session:
        empty(session)
    same(list_rows(grown, "pieces").rows, before)
    as_the_records_say(grown)


@pytest.mark.sweep
def test_a_row_flipped_by_hand_is_named_and_mended_and_accepts_nothing(grown: Workspace) -> None:
    as_the_records_say(grown)
    rows = [row for row in list_rows(grown, "pieces").rows if row.disposition == "open"]  # type: ignore[union-attr]
    label = rows[0].piece  # type: ignore[union-attr]
    with write_transaction(grown._engine) as connection:
        of = select(Piece.id).where(Piece.label == label).scalar_subquery()
        flipped = {"disposition": "rejected", "settled": "genuine", "suspicion": 0.0}
        number = connection.execute(
            update(PIECE_STANDING).where(PIECE_STANDING.c.piece_id == of).values(flipped)
        ).rowcount
        if not number:
            connection.execute(text("DELETE FROM piece_standing"))
        connection.execute(update(LOT_STANDING).where(LOT_STANDING.c.lot_id == 2).values(accepted=77))
    report = verify(grown)
    assert not report.sound
    named = {fault.subject for fault in report.faults if fault.code == "standing-differs"}
    assert {label, "L0002"} <= named
    # What is decided goes by the records: it was open, so it may be fitted, and is not refused as rejected.
    with grown.read() as session:
        fitted = session.scalar(select(func.count()).select_from(Fitting))
    shown = show(grown, label)
    assert isinstance(shown, PieceShown)
    assert shown.summary.disposition == "open"
    settle(grown, label, "not-genuine", "opened", operator="mira")
    with pytest.raises(BadRequest):
        fit(grown, label, "M0001", "U99", operator="mira")
    with grown.read() as session:
        assert session.scalar(select(func.count()).select_from(Fitting)) == fitted
    assert tidy(grown, operator="mira").mended > 0
    assert verify(grown).sound
    as_the_records_say(grown)


@pytest.mark.sweep
def test_a_suspicion_flipped_by_hand_goes_with_the_next_change_of_its_piece(grown: Workspace) -> None:
    as_the_records_say(grown)
    with write_transaction(grown._engine) as connection:
        connection.execute(update(PIECE_STANDING).values(suspicion=0.0))
    settle(grown, "L0001-01", "not-genuine", "opened", operator="mira")
    as_the_records_say(grown)


def test_many_stale_suspicions_are_said_and_reckoned_anew(grown: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "FEW", 3)
    monkeypatch.setattr(kept, "AT_ONCE", 5)
    page = list_rows(grown, "pieces", sort="suspicion", reverse=True, limit=5)
    assert page.stale > 3
    told = []
    done = kept.reckon(grown, progress=lambda done, total: told.append((done, total)))
    assert done.left == 0
    assert done.pieces == page.stale - (5 - len(page.old))  # some of those shown are of today already
    assert 0 < len(page.old) < 5
    assert told[-1][0] == told[-1][1]
    whole = list_rows(grown, "pieces", sort="suspicion", reverse=True)
    assert whole.stale == 0
    same(whole.rows, ordered(plain(grown, "pieces"), (), "suspicion", reverse=True))
    same(list_rows(grown, "lots").rows, plain(grown, "lots"))
    assert kept.reckon(grown) == kept.Done(0, 0, 0)


def test_who_may_not_write_gets_the_plain_way(grown: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise BadRequest("busy", "")

    monkeypatch.setattr(Workspace, "derive", refused)
    for sort in (None, "suspicion"):
        same(
            list_rows(grown, "pieces", sort=sort).rows,
            ordered(plain(grown, "pieces"), (), sort, reverse=False),
        )
    assert list_rows(grown, "sellers").found == len(plain(grown, "sellers"))


def test_while_another_bench_writes_a_page_is_shown_and_nothing_waits(
    grown: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    list_rows(grown, "machines")
    pages = []
    keep = listing_page.kept.keep
    monkeypatch.setattr(listing_page.kept, "keep", lambda *given, **more: pages.append(keep(*given, **more)))
    with write_transaction(grown._engine):
        rows = list_rows(grown, "pieces").rows
    assert pages == [False]
    same(rows, plain(grown, "pieces"))


def test_claims_and_open_lots_are_the_same_with_what_is_kept_and_without(workspace: Workspace) -> None:
    grow(workspace, replace(VARIED, decided=0.9, lots=6, seed=5))
    list_rows(workspace, "lots")

    def told() -> tuple[object, ...]:
        windows = [due(workspace, today=TODAY, within=days) for days in (None, 10, 10**9)]
        with workspace.read() as session:
            chosen = [first_to_test(session, TODAY, most) for most in (1, 10, 10_000)]
        assert [left for _, left in chosen] == [len(chosen[2][0]) - 1, len(chosen[2][0]) - 2, 0]
        return (*windows, chosen, next_tests(workspace, None, minutes=None, today=TODAY).steps)

    with workspace.read() as session:
        assert state(session).current
    quick = told()
    with write_transaction(workspace._engine) as connection:
        empty(Session(bind=connection))
    with workspace.read() as session:
        assert not state(session).current
    assert told() == quick
    assert len({len(one) for one in quick[:2]}) == 2  # type: ignore[arg-type]
    assert quick[0] == quick[2]


def test_a_list_judges_a_few_and_names_the_rows_of_an_earlier_state(
    grown: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept.reckon(grown)
    before = {row.piece: row.suspicion for row in list_rows(grown, "pieces").rows}
    settle(grown, "L0001-01", "not-genuine", "opened", operator="mira")
    monkeypatch.setattr(kept, "FEW", 4)  # two pieces of a lot of five: its siblings are read with them
    anew = {row.piece: row for row in plain(grown, "pieces")}
    page = list_rows(grown, "pieces")
    assert page.stale == len(page.old) == len(anew) - 2
    for row in page.rows:
        if row.piece in page.old:
            assert row.suspicion in (before[row.piece], None)
        else:
            assert row.suspicion == pytest.approx(anew[row.piece].suspicion, abs=1e-12)
    # Who asks again comes further, piece by piece and lot by lot, until nothing is left.
    numbers = [len(list_rows(grown, "lots").old) for _ in range(len(anew))]
    assert numbers == sorted(numbers, reverse=True)
    assert (numbers[0] > 0, numbers[-1]) == (True, 0)
    same(list_rows(grown, "lots").rows, plain(grown, "lots"))
    assert list_rows(grown, "lots").stale == 0
