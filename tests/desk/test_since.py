"""Two people at one piece: who decides on what is no longer so is told first."""

from collections.abc import Callable
from threading import Barrier, Thread

import pytest
from stock import a_lot

from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import decide, declare_exemplar, settle
from tracker.desk.fitting import fit, unfit
from tracker.desk.log import read_log
from tracker.desk.since import SaidSince, said_since, seen_now
from tracker.desk.workspace import Workspace


def _now(workspace: Workspace) -> int:
    with workspace.read() as session:
        return seen_now(session)


def test_what_was_said_since_is_told_with_who_and_why(workspace: Workspace) -> None:
    a_lot(workspace)
    decide(workspace, ["L0001-02"], "quarantine", "sanded", operator="mira")
    seen = _now(workspace)
    assert said_since(workspace, "L0001-02", seen) == ()
    decide(workspace, ["L0001"], "reject", "all of them", operator="jon")
    run_current(workspace, "L0001-02", CurrentRequest(currents=("96 mA",), limit="10 mA"), operator="jon")
    told = said_since(workspace, "l1-2", seen)
    assert [(one.operator, one.what, one.why) for one in told] == [
        ("jon", "rejected", "all of them"),
        ("jon", "current test B0001: fail", None),
    ]
    assert [one.what for one in said_since(workspace, "L0001-01", seen)] == ["rejected"]
    several = [one.what for one in said_since(workspace, "L0001-01..02", seen)]
    assert several == ["L0001-01 rejected", "L0001-02 rejected", "L0001-02 current test B0001: fail"]


def test_a_machine_is_told_of_too(workspace: Workspace) -> None:
    a_lot(workspace)
    fit(workspace, "L0001-01", "Kestrel 2 sampler", "U12", operator="mira")
    seen = _now(workspace)
    unfit(workspace, "L0001-01", reason="hot", operator="jon")
    assert [(one.operator, one.what) for one in said_since(workspace, "M0001", seen)] == [
        ("jon", "L0001-01 taken out of U12")
    ]
    assert said_since(workspace, "M0001", 2**70) == said_since(workspace, "L0001", 2**70) == ()
    assert len(said_since(workspace, "M0001", -(2**70))) == 2


Say = Callable[[Workspace, int], object]
SAYINGS: dict[str, Say] = {
    "decide": lambda workspace, seen: decide(workspace, ["L0001-01"], "accept", "fine", seen=seen, operator="mira"),
    "settle": lambda workspace, seen: settle(workspace, "L0001-01", "genuine", "its maker", seen=seen, operator="mira"),
    "exemplar": lambda workspace, seen: declare_exemplar(workspace, "L0001-01", "own", seen=seen, operator="mira"),
    "fit": lambda workspace, seen: fit(
        workspace, "L0001-01", "Kestrel", "U1", anyway=True, reason="known", seen=seen, operator="mira"
    ),
}


@pytest.mark.parametrize("name", SAYINGS)
def test_talking_past_each_other_is_refused_until_confirmed(workspace: Workspace, name: str) -> None:
    a_lot(workspace)
    say, seen = SAYINGS[name], _now(workspace)
    decide(workspace, ["L0001-01"], "quarantine", "sanded", operator="jon")
    decide(workspace, ["L0001-02"], "reject", "another piece", operator="jon")
    before = _now(workspace)
    with pytest.raises(SaidSince, match="quarantined, by jon") as refused:
        say(workspace, seen)
    assert [(one.what, one.why) for one in refused.value.events] == [("quarantined", "sanded")]
    assert _now(workspace) == before
    say(workspace, refused.value.entry)
    assert _now(workspace) == before + 1


def test_taking_out_is_refused_as_well(workspace: Workspace) -> None:
    a_lot(workspace)
    fit(workspace, "L0001-01", "Kestrel", "U1", operator="mira")
    seen = _now(workspace)
    fit(workspace, "L0001-01", "Kestrel", "U2", move=True, operator="jon")
    with pytest.raises(SaidSince, match="U2"):
        unfit(workspace, "L0001-01", seen=seen, operator="mira")


def test_of_two_at_the_same_moment_one_is_told_of_the_other(workspace: Workspace) -> None:
    a_lot(workspace)
    seen, start = _now(workspace), Barrier(2)
    said: list[str] = []

    def at_once(verb: str) -> None:
        start.wait()
        try:
            decide(workspace, ["L0001-01"], verb, "at once", seen=seen, operator=verb)
            said.append("done")
        except SaidSince:
            said.append("told")

    both = [Thread(target=at_once, args=(verb,)) for verb in ("accept", "reject")]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert sorted(said) == ["done", "told"]
    assert read_log(workspace, "L0001-01").found == 1


def test_of_many_events_the_sentence_names_the_newest(workspace: Workspace) -> None:
    a_lot(workspace)
    seen = _now(workspace)
    for number in range(7):
        decide(workspace, ["L0001-01"], "quarantine", f"word {number}", operator=f"jon{number}")
    with pytest.raises(SaidSince, match=r"jon6 at .* UTC; and 3 earlier\.") as refused:
        decide(workspace, ["L0001-01"], "accept", "fine", seen=seen)
    assert len(refused.value.events) == 7
