"""Seals: an Ed25519 key that moves forward with every seal and cannot go back to sign the past. No I/O.

The key's state is 32 bytes. HKDF (RFC 5869, SHA-256, no salt) derives from it, with INFO_SIGN, the seed of the Ed25519
key (RFC 8032) that signs this seal and, with INFO_NEXT, the next state. A seal names the public key of the next one.
Whoever takes over the machine can seal what follows, but cannot change what is already sealed.

Overwriting a state is all that a program can do; copies may survive in memory, in swap, in a file system's journal or
in the spare cells of a flash disk.
"""

from __future__ import annotations

import hashlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

INFO_SIGN = b"voicecoach 1 sign"
INFO_NEXT = b"voicecoach 1 next"
STATE_BYTES = 32
CODE_SALT = b"voicecoach record code 1"
CODE_GROUPS = 4
_SCRYPT_N, _SCRYPT_R, _SCRYPT_P = 1 << 15, 8, 1


def derive(secret: bytes, info: bytes, salt: bytes | None = None) -> bytes:
    """HKDF-SHA256 (RFC 5869), 32 bytes."""
    return HKDF(algorithm=SHA256(), length=STATE_BYTES, salt=salt, info=info).derive(secret)


class Sealer:
    """Signs a seal and moves to the next key.

    Args:
        state: 32 secret bytes. epoch: how many seals have been signed.
    """

    def __init__(self, state: bytes, epoch: int = 0) -> None:
        self._state = state
        self.epoch = epoch

    @property
    def state(self) -> bytes:
        """The secret bytes, for the one file that stores them."""
        return self._state

    def public(self) -> str:
        """The public key of the next signature (hexadecimal)."""
        return self._key().public_key().public_bytes_raw().hex()

    def public_after(self) -> str:
        """The public key of the signature after that."""
        return Sealer(derive(self._state, INFO_NEXT)).public()

    def sign(self, message: bytes) -> str:
        """Sign and move on; the signature in hexadecimal."""
        signature = self._key().sign(message).hex()
        self.move_on()
        return signature

    def move_on(self) -> None:
        """Replace this state by the next."""
        self._state = derive(self._state, INFO_NEXT)
        self.epoch += 1

    def _key(self) -> Ed25519PrivateKey:
        return Ed25519PrivateKey.from_private_bytes(derive(self._state, INFO_SIGN))


def holds(public: str, message: bytes, signature: str) -> bool:
    """Whether `signature` is by `public` on `message`; False also for a malformed key or signature."""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


def code(chain: str) -> str:
    """Twelve digits in groups of three that stand for the whole record, from its last chain value.

    scrypt (RFC 7914) makes each guess cost 0.1 s and 32 MB: with 10**12 codes, thousands of years on one core.
    """
    raw = hashlib.scrypt(
        chain.encode("ascii", "replace"),
        salt=CODE_SALT, n=_SCRYPT_N, r=_SCRYPT_R, p=_SCRYPT_P, maxmem=1 << 26, dklen=8,
    )  # fmt: skip
    digits = f"{int.from_bytes(raw) % 1000**CODE_GROUPS:0{3 * CODE_GROUPS}d}"
    return " ".join(digits[at : at + 3] for at in range(0, len(digits), 3))
