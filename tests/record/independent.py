"""A second reader of records, written from `voicecoach help record-format` alone: nothing of the package, no library.

Ed25519 after RFC 8032, section 5.1; HKDF after RFC 5869; ChaCha20-Poly1305 after RFC 8439; scrypt (RFC 7914), HMAC and
SHA-2 from the standard library. Slow and not hardened: for tests.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import struct
from pathlib import Path
from typing import Any

P = 2**255 - 19
ORDER = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT = pow(2, (P - 1) // 4, P)
Point = tuple[int, int, int, int]


def x_of(y: int, sign: int) -> int | None:
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT % P
    if (x * x - square) % P or (x == 0 and sign):
        return None
    return P - x if x & 1 != sign else x


def add(one: Point, two: Point) -> Point:
    a = (one[1] - one[0]) * (two[1] - two[0]) % P
    b = (one[1] + one[0]) * (two[1] + two[0]) % P
    c, d = 2 * one[3] * two[3] * D % P, 2 * one[2] * two[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return (e * f % P, g * h % P, f * g % P, e * h % P)


def times(count: int, point: Point) -> Point:
    found: Point = (0, 1, 1, 0)
    while count:
        if count & 1:
            found = add(found, point)
        point = add(point, point)
        count >>= 1
    return found


def same(one: Point, two: Point) -> bool:
    return (one[0] * two[2] - two[0] * one[2]) % P == 0 == (one[1] * two[2] - two[1] * one[2]) % P


_Y = 4 * pow(5, P - 2, P) % P
_X = x_of(_Y, 0)
assert _X is not None
BASE: Point = (_X, _Y, 1, _X * _Y % P)


def point_of(raw: bytes) -> Point | None:
    y = int.from_bytes(raw, "little")
    sign, y = y >> 255, y & ((1 << 255) - 1)
    x = x_of(y, sign) if y < P else None
    return None if x is None else (x, y, 1, x * y % P)


def bytes_of(point: Point) -> bytes:
    inverse = pow(point[2], P - 2, P)
    x, y = point[0] * inverse % P, point[1] * inverse % P
    return (y | (x & 1) << 255).to_bytes(32, "little")


def scalar(raw: bytes) -> int:
    return int.from_bytes(hashlib.sha512(raw).digest(), "little") % ORDER


def clamped(seed: bytes) -> tuple[int, bytes]:
    digest = hashlib.sha512(seed).digest()
    return int.from_bytes(digest[:32], "little") & ((1 << 254) - 8) | (1 << 254), digest[32:]


def public_of(seed: bytes) -> bytes:
    return bytes_of(times(clamped(seed)[0], BASE))


def sign(seed: bytes, message: bytes) -> bytes:
    secret, prefix = clamped(seed)
    nonce = scalar(prefix + message)
    head = bytes_of(times(nonce, BASE))
    return head + ((nonce + scalar(head + public_of(seed) + message) * secret) % ORDER).to_bytes(32, "little")


def signature_holds(public: bytes, message: bytes, signature: bytes) -> bool:
    key, head = point_of(public), point_of(signature[:32])
    tail = int.from_bytes(signature[32:], "little")
    if key is None or head is None or tail >= ORDER or len(signature) != 64:
        return False
    return same(times(tail, BASE), add(head, times(scalar(signature[:32] + public + message), key)))


def hkdf(secret: bytes, info: bytes, salt: bytes = b"") -> bytes:
    """HKDF-SHA256, the first 32 bytes."""
    key = hmac.new(salt or bytes(32), secret, "sha256").digest()
    return hmac.new(key, info + b"\x01", "sha256").digest()


def chacha_block(key: bytes, count: int, nonce: bytes) -> bytes:
    start = [*struct.unpack("<12I", b"expand 32-byte k" + key), count, *struct.unpack("<3I", nonce)]
    now = list(start)

    def quarter(a: int, b: int, c: int, d: int) -> None:
        for one, two, other, turn in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
            now[one] = (now[one] + now[two]) & 0xFFFFFFFF
            mixed = now[other] ^ now[one]
            now[other] = (mixed << turn | mixed >> (32 - turn)) & 0xFFFFFFFF

    for _ in range(10):
        for column in range(4):
            quarter(column, 4 + column, 8 + column, 12 + column)
        for column in range(4):
            quarter(column, 4 + (column + 1) % 4, 8 + (column + 2) % 4, 12 + (column + 3) % 4)
    return struct.pack("<16I", *((one + two) & 0xFFFFFFFF for one, two in zip(start, now, strict=True)))


def opened(key: bytes, box: bytes, about: bytes) -> bytes | None:
    """What is in a box of nonce, ChaCha20 ciphertext and Poly1305 tag; None if the tag does not fit."""
    nonce, hidden, tag = box[:12], box[12:-16], box[-16:]
    one_time = chacha_block(key, 0, nonce)
    r = int.from_bytes(one_time[:16], "little") & 0x0FFFFFFC0FFFFFFC0FFFFFFC0FFFFFFF
    padded = about + bytes(-len(about) % 16) + hidden + bytes(-len(hidden) % 16)
    padded += struct.pack("<QQ", len(about), len(hidden))
    total = 0
    for at in range(0, len(padded), 16):
        total = (total + int.from_bytes(padded[at : at + 16] + b"\x01", "little")) * r % (2**130 - 5)
    if ((total + int.from_bytes(one_time[16:32], "little")) % 2**128).to_bytes(16, "little") != tag:
        return None
    stream = b"".join(chacha_block(key, 1 + at // 64, nonce) for at in range(0, len(hidden), 64))
    return bytes(one ^ two for one, two in zip(hidden, stream, strict=False))


def look(folder: Path) -> list[str]:
    """What is wrong with a record of format 2, by the folder alone; nothing for one that is whole."""
    manifest = (folder / "manifest.json").read_bytes()
    made_with = json.loads(manifest)
    wrong = [f"copy {name}" for name, digest in made_with["copies"].items() if sha(folder / name) != digest]
    chain, public, last = hashlib.sha256(manifest).hexdigest(), made_with["public"], False
    sound: dict[str, bytes | None] = {}
    for number, raw in enumerate((folder / "events.jsonl").read_bytes().split(b"\n")[:-1], start=1):
        data = json.loads(raw)
        cut = raw.rindex(b',"chain":"')
        body = raw[:cut] + b"}"
        before, chain = chain, hashlib.sha256(chain.encode() + body).hexdigest()
        if raw[cut:] != f',"chain":"{chain}"}}'.encode() or data["seq"] != number or last:
            return [*wrong, f"line {number}"]
        if data["line"] == "seal":
            signed = b"voicecoach seal 1\n" + before.encode() + body[: body.rindex(b',"signature":"')] + b"}"
            if not signature_holds(bytes.fromhex(public), signed, bytes.fromhex(data["signature"])):
                wrong.append(f"seal {number}")
            public, last = data["next"], data["last"]
        elif data["line"] == "sound":
            raw_sound = (folder / "audio" / data["file"]).read_bytes()
            piece = raw_sound[data["from"] : data["from"] + data["bytes"]]
            sound[data["file"]] = raw_sound
            if hashlib.sha256(piece).hexdigest() != data["sha256"]:
                wrong.append(data["file"])
    if {path.name for path in (folder / "audio").iterdir()} != set(sound):
        wrong.append("audio")
    return wrong if last else [*wrong, "no end mark"]


def sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def code(folder: Path) -> str:
    """The twelve digits of a record with an end mark."""
    chain = json.loads((folder / "events.jsonl").read_bytes().splitlines()[-1])["chain"]
    raw = hashlib.scrypt(chain.encode(), salt=b"voicecoach record code 1", n=1 << 15, r=8, p=1, maxmem=1 << 26, dklen=8)
    digits = f"{int.from_bytes(raw) % 10**12:012d}"
    return " ".join(digits[at : at + 3] for at in (0, 3, 6, 9))


def in_boxes(folder: Path, key: bytes) -> list[dict[str, Any]]:
    """The lines of an encrypted record, out of their boxes."""
    salt = bytes.fromhex(json.loads((folder / "manifest.json").read_bytes())["salt"])
    found = []
    for raw in (folder / "events.jsonl").read_bytes().split(b"\n")[:-1]:
        data = json.loads(raw)
        if data["line"] == "box":
            box = base64.b64decode(data["box"])
            plain = opened(hkdf(key, b"voicecoach 1 box", salt), box, f"line {data['seq']}".encode())
            assert plain is not None
            data = json.loads(plain)
        found.append(data)
    return found
