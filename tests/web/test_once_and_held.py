"""What keeps a form from being carried out twice, and holds its files while it is corrected."""

import io
import threading
from pathlib import Path

from tracker.web.held import LONGEST_S, MOST_SETS, Held, own_name
from tracker.web.once import MOST, Once


def test_two_at_the_same_moment_are_one() -> None:
    forms, carried_out, places = Once(), [], []
    begun = threading.Barrier(2)

    def send() -> None:
        begun.wait(10)
        with forms.of("word", "content") as done:
            if done.place is None:
                carried_out.append(threading.get_ident())
                threading.Event().wait(0.05)
                done.place = "/lots/L0001"
            places.append(done.place)

    threads = [threading.Thread(target=send) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert len(carried_out) == 1
    assert places == ["/lots/L0001"] * 2


def test_one_that_failed_may_come_again() -> None:
    forms = Once()
    try:
        with forms.of("word"):
            raise ValueError
    except ValueError:
        pass
    with forms.of("word") as done:
        assert done.place is None


def test_without_a_word_every_form_stands_for_itself_and_the_oldest_is_forgotten() -> None:
    forms = Once()
    for word in ("", "x" * 65):
        with forms.of(word) as done:
            done.place = "/"
        with forms.of(word) as again:
            assert again.place is None
    for number in range(MOST + 1):
        with forms.of(str(number)) as done:
            done.place = "/"
    with forms.of("0") as oldest:
        assert oldest.place is None
    with forms.of(str(MOST)) as newest:
        assert newest.place == "/"


def put(held: Held, name: str = "a.txt", earlier: str = "") -> str:
    return held.put([("letter", name, io.BytesIO(b"dear"))], earlier)


def test_files_are_held_together_and_go_in_time() -> None:
    clock = [0.0]
    held = Held(now=lambda: clock[0])
    first = put(held)
    both = put(held, "b.txt", first)
    assert [one.name for one in held.get(both)] == ["a.txt", "b.txt"]
    assert held.get(first) == ()
    paths = [one.path for one in held.get(both)]
    assert [path.read_bytes() for path in paths] == [b"dear", b"dear"]
    clock[0] = LONGEST_S + 1
    assert held.get(both) == ()
    put(held)
    assert not any(path.exists() for path in paths)
    held.close()


def test_the_oldest_make_room() -> None:
    held = Held()
    words = [put(held) for _ in range(MOST_SETS + 1)]
    assert held.get(words[0]) == ()
    assert all(held.get(word) for word in words[1:])
    folder = held.get(words[1])[0].path.parent
    assert len(list(folder.iterdir())) == MOST_SETS
    held.close()
    assert not folder.exists()


def test_a_name_is_only_a_name() -> None:
    for name, own in (
        ("C:\\papers\\inv.pdf", "inv.pdf"), ("../../etc/passwd", "passwd"), ("..", "document"), ("", "document"),
        ("a/", "a"), ("\u202efdp.exe", "?fdp.exe"), ("x" * 500, "x" * 300),
    ):  # fmt: skip
        assert own_name(name) == own
    held = Held()
    word = put(held, "../../evil")
    path = held.get(word)[0].path
    assert "evil" not in str(path)
    assert path.parent == Path(held._folder.name)  # type: ignore[union-attr]
    held.close()
