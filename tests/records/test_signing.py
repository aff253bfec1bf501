"""Ed25519 signatures against RFC 8032, section 7.1 (its first three vectors, from memory; each fits in itself)."""

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from tracker.signing import NotAKey, SigningKey, holds, key_name

VECTORS = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24"
        "655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aee"
        "b00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28d"
        "c027beceea1ec40a",
    ),
)


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_published_vectors(secret: str, public: str, message: str, signature: str) -> None:
    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert SigningKey(private).public_key == public
    assert private.sign(bytes.fromhex(message)).hex() == signature


def test_a_signature_holds_for_one_key_and_one_hash_alone() -> None:
    key, other, entry = SigningKey.new(), SigningKey.new(), "ab" * 32
    made = key.sign(entry)
    assert made.key == key.name == key_name(key.public_key)
    assert holds(key.public_key, entry, made.signature)
    assert not holds(other.public_key, entry, made.signature)
    assert not holds(key.public_key, "ac" + "ab" * 31, made.signature)
    flipped = f"{int(made.signature[:2], 16) ^ 1:02x}{made.signature[2:]}"
    assert not holds(key.public_key, entry, flipped)


@pytest.mark.parametrize("nonsense", ["", "zz", "ab", "ab" * 63, "ab" * 64])
def test_nonsense_holds_not(nonsense: str) -> None:
    assert not holds(SigningKey.new().public_key, "ab" * 32, nonsense)
    assert not holds(nonsense, "ab" * 32, "ab" * 64)


def test_what_is_signed_can_be_checked_with_the_library_alone() -> None:
    key = SigningKey.new()
    public = Ed25519PrivateKey.from_private_bytes(_seed(key)).public_key()
    public.verify(bytes.fromhex(key.sign("ab" * 32).signature), b"lotproof journal entry " + b"ab" * 32)


def test_a_key_is_read_back_from_its_pem() -> None:
    key = SigningKey.new()
    assert SigningKey.from_pem(key.pem()).sign("ab" * 32) == key.sign("ab" * 32)


OTHER_KIND = ec.generate_private_key(ec.SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


@pytest.mark.parametrize(
    "data", [b"", b"no key", SigningKey.new().pem()[:60], OTHER_KIND], ids=["empty", "no key", "torn", "other kind"]
)
def test_what_is_no_key_is_refused(data: bytes) -> None:
    with pytest.raises(NotAKey):
        SigningKey.from_pem(data)


def _seed(key: SigningKey) -> bytes:
    return key._private.private_bytes_raw()
