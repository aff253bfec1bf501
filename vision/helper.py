"""A process that works for another one: it ends when that one asks, and when that one is gone.

It loads nothing of its own, so that processes with other work than photos can begin with it, too.
"""

import multiprocessing
import os
import signal
import threading


def begin() -> None:
    """Make this process a helper of the one that started it; a Ctrl-C is the parent's to answer."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)  # a fork takes over the parent's handler
    threading.Thread(target=_end_with_the_parent, daemon=True).start()


def _end_with_the_parent() -> None:
    """Do not outlive a parent that was killed: nobody else would ever tell this process to end."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
