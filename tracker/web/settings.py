"""How the pages are served: where, to whom, and how much they take at once."""

import secrets
from dataclasses import dataclass, field
from pathlib import Path

PORT = 8437
"""Ours by choice; no registered service uses it as far as we know (from memory)."""

MIB = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Limits:
    """What one request may carry, in bytes; counted while it comes in, so nothing larger is ever held.

    Common practice, no source: a phone's photo is 2 to 12 MB, a microscope's TIFF up to 40; twenty photos at once are
    more than anybody holds in view.
    """

    form: int = 1 * MIB
    table: int = 20 * MIB
    photos: int = 400 * MIB
    bag: int = 2048 * MIB
    fields: int = 400
    files: int = 40


@dataclass(frozen=True, slots=True)
class Settings:
    """How the pages are served.

    Attributes
    ----------
    workspace : Path or None
        None: the user's data folder.
    host, port : str, int
        The address listened on.
    names : tuple of str
        What may stand in a request's Host header, without the port; a foreign name pointed at us is refused.
    pass_key : str or None
        What a device that is not this computer must know; None: this computer alone can reach the pages.
    secret : bytes
        Signs the session cookie.
    operator : str or None
        Who acts where nobody says otherwise; None: the login name.
    session_s : int
        How long a session lasts after it was last used: two weeks. Common practice, no source.
    secure : bool
        Whether the pages are served over TLS.
    instruments : tuple of str
        VISA resources that other devices may have read; this computer may name any.
    """

    workspace: Path | str | None = None
    host: str = "127.0.0.1"
    port: int = PORT
    names: tuple[str, ...] = ("127.0.0.1", "localhost", "[::1]")
    pass_key: str | None = None
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    operator: str | None = None
    session_s: int = 14 * 24 * 3600
    limits: Limits = field(default_factory=Limits)
    secure: bool = False
    instruments: tuple[str, ...] = ()
