"""The link to one instrument, through PyVISA. PyVISA is imported when a link is first opened: help must not wait.

The backend is PyVISA's pure-Python one ('@py'); the environment variable LOTPROOF_VISA names another, such as '@ivi'
for a vendor's library. After an answer that did not come in time the link is closed: what is still under way would
otherwise be taken for the answer to the next question.
"""

import os
import re
import select
import socket
import warnings
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from tracker.errors import BadRequest

DEFAULT_BACKEND = "@py"
DEFAULT_TIMEOUT_S = 5.0  # slow integration of a bench meter takes a second or two; common practice, no source
# The interfaces of the VISA library specification (VPP-4.3, table of resource names, from memory).
_RESOURCE = re.compile(r"(TCPIP|USB|GPIB|ASRL|VXI|PXI|PRLGX-\w+)[^:]*::.+", re.IGNORECASE)
_LONGEST_ANSWER = 4096
_CLOSED = "the instrument closed the link"


class LinkLost(Exception):
    """The instrument did not answer in time, or the link broke; the text says which."""


def is_resource(text: str) -> bool:
    """Return whether a text is a VISA resource string rather than the name of an instrument."""
    return _RESOURCE.fullmatch(text.strip()) is not None


def backend() -> str:
    """Return the PyVISA backend in use."""
    return os.environ.get("LOTPROOF_VISA") or DEFAULT_BACKEND


def probe() -> str:
    """Return which library and backend there are; raises what they raise where they do not work."""
    from importlib.metadata import version

    import pyvisa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyvisa.ResourceManager(backend()).close()
    return f"pyvisa {version('pyvisa')}, backend {backend()} (pyvisa-py {version('pyvisa-py')})"


@dataclass(slots=True)
class Link:
    """A link to one instrument; closed until `open`, and again after anything went wrong.

    Parameters
    ----------
    resource : str
        VISA resource string, such as `TCPIP::192.0.2.7::5025::SOCKET`.
    timeout_s : float
        How long an answer may take.
    """

    resource: str
    timeout_s: float = DEFAULT_TIMEOUT_S
    _manager: Any = field(default=None, repr=False)
    _session: Any = field(default=None, repr=False)

    def open(self) -> None:
        """Open the link.

        Raises
        ------
        LinkLost
            There is no instrument, or what is needed for its interface is not installed.
        BadRequest
            The resource string cannot be understood.
        """
        import pyvisa

        self.close()
        milliseconds = max(int(1000 * self.timeout_s), 1)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of parts of the backend that other interfaces would need
                self._manager = pyvisa.ResourceManager(backend())
                self._session = self._manager.open_resource(
                    self.resource,
                    open_timeout=milliseconds,
                    timeout=milliseconds,
                    read_termination="\n",
                    write_termination="\n",
                )
        except pyvisa.errors.InvalidSession as error:
            self.close()
            raise LinkLost(_plain(error)) from None
        except (pyvisa.rname.InvalidResourceName, AttributeError, TypeError) as error:
            self.close()
            raise BadRequest(
                f"{self.resource!r} is no VISA resource that can be read: {_plain(error)}.",
                "Write it such as TCPIP::192.0.2.7::5025::SOCKET, USB::...::INSTR or ASRL/dev/ttyUSB0::INSTR.",
            ) from None
        except Exception as error:  # the pure-Python backend raises bare Exception where it cannot connect
            self.close()
            raise LinkLost(_plain(error)) from None

    def ask(self, query: str) -> str:
        """Return the line that answers a query.

        Raises
        ------
        LinkLost
            No answer in time, or the link broke. The link is then closed.
        """
        if self._session is None:
            raise LinkLost("the link is not open")
        try:
            return self._exchange(query)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the link; nothing happens where it is closed."""
        session, manager = self._session, self._manager
        self._session = self._manager = None
        for one in (session, manager):
            if one is not None:
                with suppress(Exception):
                    one.close()

    def _exchange(self, query: str) -> str:
        import pyvisa

        try:
            plain = self._socket()
            if plain is not None:
                self._discard(plain)
            self._session.write(query)
            if plain is not None:
                _await(plain, self.timeout_s)
            return str(self._session.read(encoding="latin-1")).rstrip("\r\n")[:_LONGEST_ANSWER]
        except TimeoutError:
            raise self._late(query) from None
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_timeout:
                raise self._late(query) from None
            raise LinkLost(_plain(error)) from None
        except Exception as error:  # sockets, serial ports and USB each raise their own
            raise LinkLost(_plain(error)) from None

    def _late(self, query: str) -> LinkLost:
        return LinkLost(f"no answer to {query} within {self.timeout_s:g} s")

    def _socket(self) -> socket.socket | None:
        """Return the plain socket behind the session, or None where there is none or the backend is another."""
        held = getattr(self._session.visalib, "sessions", None)
        found = getattr(held.get(self._session.session), "interface", None) if isinstance(held, dict) else None
        return found if isinstance(found, socket.socket) else None

    def _discard(self, plain: socket.socket) -> None:
        """Throw away what came unasked: it would be taken for the answer to the next question."""
        import pyvisa

        self._session.flush(pyvisa.constants.BufferOperation.discard_read_buffer_no_io)
        while select.select([plain], [], [], 0.0)[0]:
            if not plain.recv(_LONGEST_ANSWER):
                raise ConnectionError(_CLOSED)


def _await(plain: socket.socket, timeout_s: float) -> None:
    """Wait for the first byte of an answer.

    The pure-Python backend takes a closed socket for one without data, and asks it without a pause until the time is
    over.
    """
    if not select.select([plain], [], [], timeout_s)[0]:
        raise TimeoutError
    if not plain.recv(1, socket.MSG_PEEK):
        raise ConnectionError(_CLOSED)


def _plain(error: Exception) -> str:
    """Return what an error says on one line, without the code in front and the full stop at the end."""
    text = " ".join(str(error).split()) or type(error).__name__
    text = re.sub(r"^VI_ERROR_\w+ \(-?\d+\): ", "", text)
    text = re.sub(r"^\[Errno \d+\] ", "", text)
    return text[:300].rstrip(".")
