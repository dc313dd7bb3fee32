"""One line of the journal: JSON, numbered, and chained to the line before by SHA-256. No I/O.

A line's chain value is SHA-256 over the previous chain value and the line's own bytes without its chain: everything up
to `,"chain":"`, and the closing brace. The first chain value is the SHA-256 of manifest.json. A seal also carries a
signature over the previous chain value and its own bytes without signature and chain. The chain reveals damage and
careless changes; the seals reveal changes by anybody without their key; the code on paper reveals all others.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voicecoach.record.box import Box

FILE = "events.jsonl"
BOX = "box"
LONGEST = 1_000_000
"""Longest line that is read (bytes); a journal's own lines are far shorter."""
OWN_KEYS = ("seq", "line", "of", "at", "at_s", "wall", "was", "chain")
"""Keys that the journal itself writes; no event or effect uses them for anything else."""

_NOT_FINITE = "not-finite"
_TAIL = b',"chain":"'
_TAIL_LENGTH = len(_TAIL) + 64 + len(b'"}')
SIGNED = b"voicecoach seal 1\n"
_SIGNATURE = b',"signature":"'
_SIGNATURE_LENGTH = len(_SIGNATURE) + 128 + len(b'"')


@dataclass(frozen=True, slots=True)
class UnsealedLine:
    """A line's values, None if it cannot be read, and its chain value. whole: it follows from the line before."""

    data: dict[str, Any] | None
    chain: str
    whole: bool


def first_chain(manifest: bytes) -> str:
    """The chain value before line 1."""
    return hashlib.sha256(manifest).hexdigest()


def seal(chain: str, data: Mapping[str, Any], sign: Callable[[bytes], str] | None = None) -> tuple[bytes, str]:
    """The line for `data` with its newline, and its chain value; with `sign`, the line is signed first."""
    body = to_bytes(data)
    if sign is not None:
        body = body[:-1] + _SIGNATURE + sign(signed(chain, body)).encode("ascii") + b'"}'
    sealed = hashlib.sha256(chain.encode("ascii", "replace") + body).hexdigest()
    return body[:-1] + _TAIL + sealed.encode("ascii") + b'"}\n', sealed


def to_bytes(data: Mapping[str, Any]) -> bytes:
    """`data` as JSON, in ASCII and without spaces."""
    try:
        text = json.dumps(data, separators=(",", ":"), default=_plain, allow_nan=False)
    except ValueError:
        text = json.dumps(_finite(data), separators=(",", ":"), default=_plain)
    return text.encode("ascii")


def from_bytes(raw: bytes) -> dict[str, Any] | None:
    """The mapping in `raw`; None if there is none."""
    try:
        data = _decoder.decode(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def boxed(seq: int, data: Mapping[str, Any], box: Box) -> dict[str, Any]:
    """The line that holds `data` encrypted."""
    raw = box.shut(to_bytes(data), f"line {seq}")
    return {"seq": seq, "line": BOX, "box": base64.b64encode(raw).decode("ascii")}


def unboxed(data: dict[str, Any], box: Box) -> dict[str, Any] | None:
    """A line's values, decrypted if need be; None if that fails."""
    if data.get("line") != BOX:
        return data
    try:
        raw = base64.b64decode(str(data.get("box")), validate=True)
    except ValueError:
        return None
    seq = whole_number(data, "seq")
    plain = box.open(raw, f"line {seq}")
    inside = from_bytes(plain) if plain is not None else None
    return inside | {"chain": data.get("chain")} if inside is not None and inside.get("seq") == seq else None


def signed(chain: str, body: bytes) -> bytes:
    """What a seal signs: its purpose, the previous chain value, and its own bytes without signature and chain."""
    return SIGNED + chain.encode("ascii", "replace") + body


def signature_of(chain: str, raw: bytes) -> tuple[bytes, str]:
    """What the signature of a line (without its newline) after `chain` has to cover, and the signature."""
    body, signature = raw[: -_TAIL_LENGTH - _SIGNATURE_LENGTH] + b"}", raw[-_TAIL_LENGTH - 129 : -_TAIL_LENGTH - 1]
    return signed(chain, body), signature.decode("ascii", "replace")


def unseal(chain: str, raw: bytes) -> UnsealedLine:
    """Read one line (without its newline) that follows `chain`. Never raises."""
    body, tail = raw[:-_TAIL_LENGTH] + b"}", raw[-_TAIL_LENGTH:]
    right = hashlib.sha256(chain.encode("ascii", "replace") + body).hexdigest()
    whole = tail == _TAIL + right.encode("ascii") + b'"}'
    data = from_bytes(raw) if len(raw) <= LONGEST else None
    if data is None:
        return UnsealedLine(None, right, False)
    stored = data.get("chain")
    return UnsealedLine(data, stored if isinstance(stored, str) else right, whole)


def whole_number(data: Mapping[str, Any], key: str) -> int:
    """The whole number under `key`; 0 if there is none, or one beyond any clock."""
    value = data.get(key)
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1 << 53 else 0


def _finite(value: Any) -> Any:
    """JSON has no infinity (RFC 8259, section 6): it is written as {"not-finite": "-inf"}."""
    if isinstance(value, float) and not math.isfinite(value):
        return {_NOT_FINITE: str(value)}
    if isinstance(value, Mapping):
        return {key: _finite(one) for key, one in value.items()}
    return [_finite(one) for one in value] if isinstance(value, list) else value


def _not_finite(data: dict[str, Any]) -> Any:
    text = data.get(_NOT_FINITE)
    return float(text) if len(data) == 1 and text in ("inf", "-inf", "nan") else data


_decoder = json.JSONDecoder(object_hook=_not_finite)
"""Made once: making one takes longer than reading a line."""


def _plain(value: Any) -> Any:
    # a stray NumPy scalar must not end a session
    item = getattr(value, "item", None)
    return item() if callable(item) else str(value)
