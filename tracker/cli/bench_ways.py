"""The ways in which readings reach a bench verb: given with it, read live, or entered at prompts."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.cli.bench_common import mind
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.bench.clock import ClockResult
    from tracker.bench.current import CurrentResult
    from tracker.desk.bench import ClockRequest, CurrentRequest
    from tracker.desk.bench_record import Recorded
    from tracker.desk.workspace import Workspace

DEFAULT_COUNT = 10
DEFAULT_EVERY = "0.5 s"
# Ten readings in five seconds show a drift and a scatter, and nobody minds the wait; common practice, no source.


@dataclass(frozen=True, slots=True)
class LiveFlags:
    """What was said about reading live; `named` where it was --instrument that named the resource."""

    resource: str | None
    count: int | None
    every: str | None
    query: str | None
    log: Path | None
    named: bool = False


def resource_or_name(resource: str | None, instrument: str | None) -> tuple[str | None, str | None]:
    """Return what --read and --instrument say as a resource to be read, and the name of an instrument.

    A VISA resource under --instrument is one to be read; any other text there is a name.

    Raises
    ------
    BadRequest
        Both are resources.
    """
    from tracker.instruments.visa import is_resource

    if instrument is None or not is_resource(instrument):
        return resource, instrument
    if resource is not None:
        raise BadRequest("--read and --instrument both name what to read.", "Leave one of them out.")
    return instrument, None


def current_way(
    workspace: "Workspace",
    label: str,
    request: "CurrentRequest",
    flags: LiveFlags,
    prompt: bool,
    run: "Callable[[CurrentRequest], Recorded[CurrentResult]]",
) -> "Recorded[CurrentResult]":
    """Run a supply-current test once its readings are there, however they come.

    Raises
    ------
    BadRequest
        Two ways at once, or anything that was said cannot be used.
    """
    live = flags.resource is not None
    named = "--instrument with a VISA resource" if flags.named else "--read"
    if not live and (flags.count, flags.every, flags.query, flags.log) != (None,) * 4:
        raise BadRequest("--count, --every, --query and --log go with --read.", "Name the instrument with --read.")
    _only_way(
        {
            "--current": bool(request.currents),
            "--at": bool(request.pairs),
            "--from": request.table is not None,
            "--prompt" if prompt else named: live or prompt,
        }
    )
    if flags.resource is None:
        if not prompt:
            return run(request)
        from tracker.cli.bench_prompt import prompted_current

        return run(prompted_current(workspace, label, request))
    from tracker.cli.live_show import with_current
    from tracker.desk.bench import check_current
    from tracker.desk.live import LiveRequest

    check_current(workspace, label, request)
    asked = LiveRequest(
        flags.resource,
        every=DEFAULT_EVERY if flags.every is None else flags.every,
        count=DEFAULT_COUNT if flags.count is None else flags.count,
        clock=request.clock,
        query=flags.query,
    )
    if prompt:
        from tracker.cli.bench_prompt_live import prompted_live

        if flags.log is not None:
            raise BadRequest("--log does not go with --prompt.", "The readings are kept with the run.")
        return prompted_live(workspace, label, request, asked, run)
    mind("current")
    return with_current(workspace, asked, flags.log, lambda taken: run(replace(request, taken=taken)))


def clock_way(
    workspace: "Workspace",
    label: str,
    request: "ClockRequest",
    prompt: bool,
    run: "Callable[[ClockRequest], Recorded[ClockResult]]",
) -> "Recorded[ClockResult]":
    """Run a clock test once its steps are there.

    Raises
    ------
    BadRequest
        As in `current_way`.
    """
    _only_way({"--at": bool(request.pairs), "--from": request.table is not None, "--prompt": prompt})
    if not prompt:
        return run(request)
    from tracker.cli.bench_prompt import prompted_clock

    return run(prompted_clock(workspace, label, request))


def _only_way(used: dict[str, bool]) -> None:
    names = [name for name, there in used.items() if there]
    if not names:
        *others, last = dict.fromkeys((*used, "--prompt"))
        raise BadRequest(
            "There is no reading.",
            f"Give {', '.join(others)} or {last}, which asks for one after the other; --how prints the steps.",
        )
    if len(names) > 1:
        raise BadRequest(f"{' and '.join(names)} do not go together.", "Give the readings in one way.")
