"""Files made for whoever asks: in a temporary folder, sent as a download, and removed whatever happens."""

import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response
from starlette.types import Receive, Scope, Send

KINDS = {
    ".pdf": "application/pdf",
    ".zip": "application/zip",
    ".png": "image/png",
    ".html": "text/html",
    ".txt": "text/plain",
    ".json": "application/json",
}


class _Removed(FileResponse):
    """A file whose folder goes once it was sent, or could not be."""

    def __init__(self, folder: "TemporaryDirectory[str]", path: Path, name: str) -> None:
        self._folder = folder
        super().__init__(path, media_type=KINDS[path.suffix], filename=name, content_disposition_type="attachment")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            await run_in_threadpool(self._folder.cleanup)


def made(make: Callable[[Path], Path], name: str | None = None) -> Response:
    """Return a file as a download.

    Always as an attachment: what is opened from the disk has no session here, so whatever stands in it (a dossier holds
    words of sellers and of other workshops) can do nothing in our name.

    Parameters
    ----------
    make : callable
        Gets an empty folder, makes the file in it, returns where it is.
    name : str, optional
        What it is called; the file's own name where not given. Made from our labels alone.
    """
    folder = TemporaryDirectory(prefix="lotproof-made-")
    try:
        path = make(Path(folder.name))
        return _Removed(folder, path, name or path.name)
    except BaseException:
        folder.cleanup()
        raise


def zipped(files: Sequence[Path], to: Path, base: Path) -> Path:
    """Put files into a ZIP file, each under its path below `base`."""
    with zipfile.ZipFile(to, "x", zipfile.ZIP_DEFLATED) as archive:
        for path in files:
            archive.write(path, path.relative_to(base).as_posix())
    return to
