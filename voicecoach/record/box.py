"""Encryption of a record: its events and sound are encrypted, its structure is not.

HKDF-SHA256 (RFC 5869) derives two values from the key file's 32 bytes and the record's salt: the key of the boxes
(INFO_BOX), and a check value (INFO_CHECK) for the manifest, which tells a wrong key from damage. A box is a random
nonce of 12 bytes followed by ChaCha20-Poly1305 ciphertext (RFC 8439). Chain, seals and digests cover the boxes, so that
a record can be verified without the key.
"""

from __future__ import annotations

import os
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk
from voicecoach.record.manifest import Manifest
from voicecoach.record.sealing import derive
from voicecoach.system.files import read_bounded

KEY_BYTES = 32
SALT_BYTES = 16
NONCE_BYTES = 12
INFO_BOX = b"voicecoach 1 box"
INFO_CHECK = b"voicecoach 1 check"
HEAD = "voicecoach-key-1 "
SUFFIX = ".box"
FRAME_BYTES = 4


class Box:
    """Encrypts and decrypts. salt: of the record."""

    def __init__(self, key: bytes, salt: bytes) -> None:
        self.salt = salt
        self.check = derive(key, INFO_CHECK, salt)[:16].hex()
        self._cipher = ChaCha20Poly1305(derive(key, INFO_BOX, salt))

    @classmethod
    def new(cls, key: bytes) -> Box:
        """For a new record."""
        return cls(key, os.urandom(SALT_BYTES))

    @classmethod
    def of(cls, made_with: Manifest, key: bytes | None, where: str) -> Box | None:
        """The box of a record; None if it is not encrypted.

        Raises:
            RecordError: the key is missing or wrong.
        """
        if not made_with.box:
            return None
        if key is None:
            raise RecordError("is encrypted", where=where, mend="give its key with --key FILE")
        try:
            box = cls(key, bytes.fromhex(made_with.salt))
        except ValueError:
            raise RecordError("has a damaged salt", where=where) from None
        if box.check != made_with.box:
            raise RecordError("is encrypted with another key", where=where, expected="the key it was recorded with")
        return box

    def shut(self, plain: bytes, about: str) -> bytes:
        """Encrypt. about: the associated data, which decryption must repeat; not secret."""
        nonce = os.urandom(NONCE_BYTES)
        return nonce + self._cipher.encrypt(nonce, plain, about.encode())

    def open(self, raw: bytes, about: str) -> bytes | None:
        """Decrypt; None if the box is damaged, or `about` is not what it was encrypted with."""
        if len(raw) < NONCE_BYTES:
            return None
        try:
            return self._cipher.decrypt(raw[:NONCE_BYTES], raw[NONCE_BYTES:], about.encode())
        except InvalidTag:
            return None

    def frame(self, plain: bytes, begin: int) -> bytes:
        """A box preceded by its length, for a file of many. begin: its position in the file."""
        raw = self.shut(plain, f"sound {begin}")
        return len(raw).to_bytes(FRAME_BYTES) + raw

    def frames(self, raw: bytes) -> list[bytes] | None:
        """The contents of a file of boxes; None if one of them is damaged."""
        found, at = [], 0
        while at < len(raw):
            end = at + FRAME_BYTES + int.from_bytes(raw[at : at + FRAME_BYTES])
            plain = self.open(raw[at + FRAME_BYTES : end], f"sound {at}") if end <= len(raw) else None
            if plain is None:
                return None
            found.append(plain)
            at = end
        return found


def new_key(path: Path) -> None:
    """Create a key file that only its owner can read.

    Raises:
        InputError: it exists or cannot be written.
    """
    try:
        disk.write_new(path, f"{HEAD}{os.urandom(KEY_BYTES).hex()}\n".encode())
    except FileExistsError:
        raise InputError("already exists", where=str(path), expected="a new file") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(f"cannot be written: {why}", where=str(path)) from None


def read_key(path: Path | None) -> bytes | None:
    """The key in a key file; None without a file.

    Raises:
        InputError: it cannot be read or is no key file.
    """
    if path is None:
        return None
    raw = read_bounded(path, 1_000, "a key file")
    try:
        text = raw.decode("ascii").strip()
        key = bytes.fromhex(text.removeprefix(HEAD)) if text.startswith(HEAD) else b""
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise InputError(
            "is not a key file", where=str(path), expected=f"a file made by `voicecoach new-key`: {HEAD}..."
        )
    return key
