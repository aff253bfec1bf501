"""Starting the server: the address, the pass key, the secret of the sessions, and what is printed for a person."""

import gc
import io
import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from tracker.desk import keys
from tracker.errors import BadRequest
from tracker.web import door
from tracker.web.settings import Settings

if TYPE_CHECKING:
    import uvicorn
    from fastapi import FastAPI

SECRET = "pages-secret"
PASS_KEY = "pages-pass-key"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says of how to serve."""

    workspace: Path | None
    port: int
    lan: bool
    new_key: bool
    certificate: Path | None
    certificate_key: Path | None
    operator: str | None
    instruments: tuple[str, ...] = ()


def run(asked: Asked, tell: Callable[[str], None]) -> None:
    """Serve until somebody ends it.

    Raises
    ------
    BadRequest
        The port is taken, the workspace cannot be opened, or the certificate cannot be used.
    """
    import uvicorn

    from tracker.web.app import create_app

    settings = settings_of(asked)
    listening = _listen(settings)
    app = create_app(settings)
    config = configured(app, ssl_certfile=asked.certificate, ssl_keyfile=asked.certificate_key)
    try:
        config.load()
    except OSError as error:
        raise BadRequest(f"The certificate cannot be used ({error}).", "Give PEM files that can be read.") from None
    _announce(settings, str(app.state.workspace.folder), tell)

    class Server(uvicorn.Server):
        """Lets go of the pages that follow the work list, which would otherwise be waited for."""

        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            app.state.working.ending.set()
            super().handle_exit(sig, frame)

    try:
        Server(config).run(sockets=[listening])
    finally:
        # What was frozen (`warm`) is not cleared away as the process ends, and one library complains of that at length.
        gc.unfreeze()


def configured(app: "FastAPI", **more: Any) -> "uvicorn.Config":
    """Return how uvicorn serves an application of ours; `more` are its own words."""
    import uvicorn

    from tracker.web.patience import MOST_CONNECTIONS, PatientHttp

    return uvicorn.Config(
        app,
        http=PatientHttp,
        ws="none",
        log_level="warning",
        access_log=False,  # addresses with keys in them belong into no log
        server_header=False,
        proxy_headers=False,  # nobody stands before us who could be believed
        timeout_keep_alive=15,
        h11_max_incomplete_event_size=32 * 1024,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_graceful_shutdown=5,
        **more,
    )


def settings_of(asked: Asked) -> Settings:
    """Return how to serve."""
    names = Settings().names
    if not asked.lan:
        return Settings(
            workspace=asked.workspace,
            port=asked.port,
            operator=asked.operator,
            secret=_kept(SECRET, secrets.token_hex(32)).encode(),
            secure=asked.certificate is not None,
            instruments=asked.instruments,
        )
    found = (*addresses(), socket.gethostname().lower())
    return Settings(
        workspace=asked.workspace,
        host="0.0.0.0",
        port=asked.port,
        names=(*found, *names),
        pass_key=_kept(PASS_KEY, door.new_pass_key(), anew=asked.new_key),
        secret=_kept(SECRET, secrets.token_hex(32)).encode(),
        operator=asked.operator,
        secure=asked.certificate is not None,
        instruments=asked.instruments,
    )


def addresses() -> tuple[str, ...]:
    """Return this computer's IPv4 addresses in its networks, the likeliest first; nothing is sent to find them."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # RFC 5737: an address nobody has; it only tells which way out is taken
        found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += [str(one[4][0]) for one in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return tuple(dict.fromkeys(one for one in found if not one.startswith("127.")))


def _kept(name: str, fresh: str, *, anew: bool = False) -> str:
    """Return a secret kept beside the bench's keys, readable by its user alone; made where there is none."""
    path = keys.folder() / name
    try:
        if not anew and path.exists():
            found = path.read_text().strip()
            if found:
                return found
        keys.put_secret(path, fresh.encode())
    except (OSError, UnicodeDecodeError) as error:
        raise BadRequest(f"The file {path} cannot be kept or read ({error}).", "Check its folder.") from None
    return fresh


def _listen(settings: Settings) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((settings.host, settings.port))
        # From now on, so that whoever follows the printed address at once is kept waiting and not refused.
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise BadRequest(
            f"Port {settings.port} cannot be listened on ({error.strerror}).", "Name another one with --port."
        ) from None
    return listening


def _announce(settings: Settings, folder: str, tell: Callable[[str], None]) -> None:
    kind = "https" if settings.secure else "http"
    tell(f"The pages of {folder} are at {kind}://127.0.0.1:{settings.port}")
    if settings.pass_key is not None:
        import segno

        others = [name for name in settings.names if name not in door.LOOPBACK_NAMES]
        for name in others:
            tell(f"From other devices: {kind}://{name}:{settings.port}")
        tell(f"Pass key: {settings.pass_key}")
        if others:
            drawn = io.StringIO()
            segno.make(f"{kind}://{others[0]}:{settings.port}/door?key={settings.pass_key}", error="l").terminal(
                out=drawn, border=2, compact=True
            )
            tell(drawn.getvalue())
        if not settings.secure:
            tell("Without TLS others in this network could read along.")
    tell("Ctrl-C ends it.")
