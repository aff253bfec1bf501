"""Who looks at the photos: processes of this computer, or the workers of a dask scheduler, behind one small interface.

A scheduler hands functions to its workers and runs what it is handed: whoever reaches it can run anything there. It
belongs on a network where everybody is trusted, or behind TLS, as dask's own configuration sets it up.
"""

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, Protocol

from tracker.desk.reinspect_job import LotJob, LotSeen
from tracker.desk.reinspect_look import Look, differing, look_at, program, warm
from tracker.errors import BadRequest
from vision.crew import cores, prepare

PATIENCE = "10s"
"""How long a scheduler may take to answer at first (common practice, no source)."""


class Lost(Exception):
    """A worker ended while it had the job: it crashed, or was killed for want of memory."""


class Hands(Protocol):
    """Workers that are handed jobs."""

    @property
    def workers(self) -> int:
        """How many there are now."""

    def submit(self, job: LotJob) -> "Future[LotSeen]":
        """Hand a job over."""

    def outcome(self, future: "Future[LotSeen]") -> LotSeen:
        """Return what a future that is done holds.

        Raises
        ------
        Lost
            The worker that had it is gone.
        """

    def renew(self) -> None:
        """Be ready for the next job, after one was lost."""


class LocalHands:
    """Processes of this computer, one a core; one that is lost is replaced.

    Parameters
    ----------
    workers : int
    look : callable
        What is done with a job, a function of a module.
    ready : callable
        What each process does first.
    way : str, optional
        How they are started, of `multiprocessing`. They are not forked from here where nothing is said: by the time one
        has to be replaced, a database is open and other threads run.
    """

    def __init__(
        self, workers: int, look: Look = look_at, ready: Callable[[], object] | None = None, way: str | None = None
    ) -> None:
        self._workers, self._look, self._ready = workers, look, ready or _ready
        ways = multiprocessing.get_all_start_methods()
        self._context = multiprocessing.get_context(way or ("forkserver" if "forkserver" in ways else "spawn"))
        self._pool = self._open()

    @property
    def workers(self) -> int:
        """How many there are."""
        return self._workers

    def _open(self) -> Executor:
        return ProcessPoolExecutor(self._workers, mp_context=self._context, initializer=self._ready)

    def submit(self, job: LotJob) -> "Future[LotSeen]":
        """Hand a job to the next process that is free."""
        try:
            return self._pool.submit(self._look, job)
        except BrokenExecutor as error:
            lost: Future[LotSeen] = Future()
            lost.set_exception(error)
            return lost

    def outcome(self, future: "Future[LotSeen]") -> LotSeen:
        """Return what a future holds; a pool that lost one process gives up everything it was handed."""
        try:
            return future.result()
        except BrokenExecutor as error:
            raise Lost from error

    def renew(self) -> None:
        """Open other processes."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._open()

    def close(self) -> None:
        """End the processes; what they are looking at is wanted no more."""
        # Python 3.14 has a public way (`terminate_workers`). Looking writes nothing, so that it may be broken off.
        for process in list((getattr(self._pool, "_processes", None) or {}).values()):
            process.terminate()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _ready() -> None:
    prepare()
    warm()


class ClusterHands:
    """The workers of a dask scheduler; a job whose worker is gone is given to others by the scheduler itself.

    Parameters
    ----------
    client : distributed.Client
    """

    def __init__(self, client: Any, look: Look = look_at) -> None:
        self._client, self._look = client, look
        self._executor = client.get_executor(pure=False)

    @property
    def workers(self) -> int:
        """How many there are now; at least one, for others may be on their way."""
        return max(1, len(self._client.scheduler_info(n_workers=-1)["workers"]))

    def submit(self, job: LotJob) -> "Future[LotSeen]":
        """Hand a job to the scheduler."""
        future: Future[LotSeen] = self._executor.submit(self._look, job)
        return future

    def outcome(self, future: "Future[LotSeen]") -> LotSeen:
        """Return what a future holds."""
        from distributed import KilledWorker

        try:
            return future.result()
        except KilledWorker as error:
            raise Lost from error
        except (CancelledError, OSError) as error:
            raise _gone(str(error) or "it took the jobs back") from error
        except ImportError as error:
            raise BadRequest(f"A worker lacks the program ({error}).", _SAME) from error

    def renew(self) -> None:
        """Nothing: dask's nannies start workers again."""


_SAME = (
    "Install the same Lotproof, with the same packages, on the scheduler's computer and on every worker's, and start "
    "them again. What was recorded so far stays; run it again for the rest."
)


def _gone(said: str) -> BadRequest:
    return BadRequest(
        f"The scheduler or its workers are gone ({said}).",
        "What was recorded so far stays; run it again for the rest.",
    )


@contextmanager
def local_hands(workers: int | None = None) -> Iterator[LocalHands]:
    """Give processes of this computer, one a core where no number is given."""
    hands = LocalHands(workers or cores())
    try:
        yield hands
    finally:
        hands.close()


@contextmanager
def cluster_hands(address: str) -> Iterator[ClusterHands]:
    """Give the workers of the scheduler at an address, each of which has the same program as this one.

    Raises
    ------
    BadRequest
        Nobody answers there, there are no workers, one has another program, or dask is not installed.
    """
    try:
        from distributed import Client
    except ImportError:
        raise BadRequest(
            "A scheduler needs the package distributed.",
            "Run: pip install 'lotproof[cluster]'; or leave --scheduler out.",
        ) from None
    _check(address)
    try:
        # Its own security settings (TLS) are those of dask's configuration, as for every other client of it.
        client: Any = Client(address, timeout=PATIENCE, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as error:
        raise BadRequest(
            f"No scheduler answers at {address} ({type(error).__name__}: {str(error)[:200]}).",
            "Its address looks like tcp://10.0.0.5:8786, or tls:// with dask's TLS configuration.",
        ) from None
    with client:
        _refuse_others(client, address)
        yield ClusterHands(client)


def _check(address: str) -> None:
    """Refuse what no client can begin with: one that is half made waits for itself, and ends with a traceback."""
    from distributed.comm.addressing import get_address_host_port, parse_address
    from distributed.security import Security

    advice = "Its address looks like tcp://10.0.0.5:8786, or tls:// with dask's TLS configuration."
    try:
        scheme, _ = parse_address(address, strict=True)
        if scheme not in ("tcp", "tls"):
            raise ValueError("it begins with neither tcp:// nor tls://")
        get_address_host_port(address, strict=True)
    except ValueError as error:
        raise BadRequest(f"'{address[:200]}' is not the address of a scheduler ({error}).", advice) from None
    security: Any = Security
    if scheme == "tls" and security().get_connection_args("client").get("ssl_context") is None:
        raise BadRequest(
            f"{address[:200]} needs dask's TLS configuration, and there is none.",
            "Name certificate and key in it (distributed.comm.tls), or use tcp:// on a network you trust.",
        )


def _refuse_others(client: Any, address: str) -> None:
    """Ask every worker what it is made of; on the way it opens its networks."""
    try:
        # As a job, not by `client.run`, whose thread is not the one that looks.
        workers = list(client.scheduler_info(n_workers=-1)["workers"])
        asked = {worker: client.submit(warm, workers=[worker], pure=False) for worker in workers}
        told = {worker: future.result() for worker, future in asked.items()}
    except Exception as error:  # whatever a worker without our program raises
        raise BadRequest(
            f"The workers of {address} cannot run this program ({type(error).__name__}: {str(error)[:200]}).", _SAME
        ) from None
    if not told:
        raise BadRequest(
            f"The scheduler at {address} has no workers.", f"Start some: dask worker {address} --nthreads 1"
        )
    for worker, made_of in told.items():
        said = differing(made_of, program())
        if said is not None:
            raise refused(worker, said)


def refused(worker: str, said: str) -> BadRequest:
    """Return what is said of a worker with another program."""
    return BadRequest(f"The worker {worker} has another program than this one: {said}.", _SAME)
