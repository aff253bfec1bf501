"""Dying by SIGKILL at any moment at which something is made to last while a workspace is carried elsewhere."""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tracker.desk import carry, carry_rows
from tracker.desk import place as places
from tracker.desk import workspace as workspaces
from tracker.evidence import EvidenceStore
from tracker.records import schema


class Killer:
    """Ends this process by SIGKILL at the n-th moment at which something was, or is about to be, made to last."""

    def __init__(self, at: int) -> None:
        self._left = at

    def moment(self) -> None:
        self._left -= 1
        if not self._left:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, module: object, name: str) -> None:
        whole = getattr(module, name)

        def counted(*words: object, **named: object) -> object:
            self.moment()
            found = whole(*words, **named)
            self.moment()
            return found

        setattr(module, name, counted)

    def commits(self, module: object) -> None:
        whole = module.write_transaction  # type: ignore[attr-defined]

        @contextmanager
        def counted(engine: object) -> Iterator[object]:
            with whole(engine) as connection:
                yield connection
                self.moment()
            self.moment()

        module.write_transaction = counted  # type: ignore[attr-defined]


def killed_at(step: int, do: Callable[[], object]) -> bool:
    """Carry something out in a process of its own, which dies at a step; return whether it lived to the end."""
    child = os.fork()
    if not child:
        code = 70
        try:
            carry_rows.AT_ONCE = 60
            killer = Killer(step)
            for module in (carry_rows, carry, schema, workspaces.sessions):
                killer.commits(module)
            killer.around(EvidenceStore, "keep")
            killer.around(places, "put_whole")
            do()
            code = 0
        finally:
            os._exit(code)
    status = os.waitpid(child, 0)[1]
    assert status in (0, signal.SIGKILL), status
    return status == 0
