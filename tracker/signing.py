"""Signatures over journal entries: Ed25519 (RFC 8032), through the cryptography library.

A key signs the line `lotproof journal entry HASH`, where HASH is the entry's hash, and so everything the entry holds
and all entries before it. Its name is the beginning of the SHA-256 of the 32 bytes of the public key.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

NAME_LENGTH = 32
"""Hexadecimal digits of a key's name: 128 bits, so that nobody finds a second key of one name."""


class NotAKey(ValueError):
    """What was read is no Ed25519 private key."""


@dataclass(frozen=True, slots=True)
class Signature:
    """Who signed and what came of it: the key's name and 128 hexadecimal digits."""

    key: str
    signature: str


class SigningKey:
    """A private key.

    Attributes
    ----------
    public_key : str
        64 hexadecimal digits.
    name : str
    """

    def __init__(self, private: "Ed25519PrivateKey") -> None:
        self._private = private
        self.public_key = private.public_key().public_bytes_raw().hex()
        self.name = key_name(self.public_key)

    @classmethod
    def new(cls) -> "SigningKey":
        """Make a key from the system's random numbers."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return cls(Ed25519PrivateKey.generate())

    @classmethod
    def from_pem(cls, data: bytes) -> "SigningKey":
        """Read a key as `pem` gives it.

        Raises
        ------
        NotAKey
            When it is anything else.
        """
        from cryptography.exceptions import UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key

        try:
            private = load_pem_private_key(data, password=None)
        except (ValueError, TypeError, UnsupportedAlgorithm) as error:
            raise NotAKey(str(error).split("(", 1)[0].strip() or "not readable") from error
        if not isinstance(private, Ed25519PrivateKey):
            raise NotAKey("it is a key of another kind")
        return cls(private)

    def pem(self) -> bytes:
        """Return the private key as PEM (PKCS #8, RFC 5958), not encrypted."""
        from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

        return self._private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

    def sign(self, entry_hash: str) -> Signature:
        """Return the signature over an entry's hash."""
        return Signature(self.name, self._private.sign(_signed(entry_hash)).hex())


def key_name(public_key: str) -> str:
    """Return the name of a public key of 64 hexadecimal digits."""
    return hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:NAME_LENGTH]


def holds(public_key: str, entry_hash: str, signature: str) -> bool:
    """Tell whether a signature over this hash was made with the private half of `public_key`; nonsense holds not."""
    from cryptography.exceptions import InvalidSignature

    try:
        _public(public_key).verify(bytes.fromhex(signature), _signed(entry_hash))
    except (InvalidSignature, ValueError, TypeError):  # SQLite lets anybody put bytes where a text was
        return False
    return True


def all_hold(claims: Sequence[tuple[str, str, str]]) -> list[bool]:
    """Tell of many signatures, each with its public key and hash, whether it holds; to be run in another process."""
    return [holds(*claim) for claim in claims]


@lru_cache(maxsize=64)
def _public(public_key: str) -> "Ed25519PublicKey":
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    return Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))


def _signed(entry_hash: str) -> bytes:
    return f"lotproof journal entry {entry_hash}".encode()
