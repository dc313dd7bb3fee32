"""Checks the lines of a journal in order: numbers, chain, seals. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from voicecoach.record import lines, sealing

LONGEST_BARE = 100
"""A journal seals after 32 lines; it never writes more lines than this without a seal."""


class SoundLine(NamedTuple):
    """When line `number` was written, bytes `begin` to `begin + size` of a file in audio/ had this digest."""

    number: int
    begin: int
    size: int
    sha256: str


@dataclass(slots=True)
class LinesSummary:
    """What the lines so far contain."""

    chain: str
    """The last line's chain value."""
    count: int = 0
    """Number of lines."""
    seq: int = 0
    """The number of the last line."""
    broken: int | None = None
    """The first bad line, from 1; None if there is none."""
    good: tuple[int, int, str] | None = None
    """Line, seq and wall time of the last line before the first bad one."""
    sealed_to: int = 0
    """The last line before the first bad one that a seal covers."""
    closed: bool = False
    """Whether the session's end was recorded."""
    ended: bool = False
    """Whether the last line is the end mark."""
    chains: dict[int, str] = field(default_factory=dict)
    """Chain values by seq."""
    sound: dict[str, list[SoundLine]] = field(default_factory=dict)
    """SoundLines by file; empty for a deleted file."""
    torn: dict[str, str] = field(default_factory=dict)
    """Digests by file, of torn lines that were put aside."""


class Chain:
    """Takes the lines one by one.

    Args:
        start: the chain value before line 1. public: the key of the first seal; None if it is not known.
    """

    def __init__(self, start: str, public: str | None) -> None:
        self.seen = LinesSummary(start)
        self._public = public
        self._epoch = 0
        self._bare = 0

    def take(self, raw: bytes) -> Iterator[str]:
        """Take the next line (without its newline); yields what is wrong with it, if anything."""
        seen = self.seen
        before, after_end = seen.chain, seen.ended
        line = lines.unseal(before, raw)
        data = line.data or {}
        seq = lines.whole_number(data, "seq")
        seen.count += 1
        seen.ended = False
        wrong = self._wrong(line, raw, before, seq, after_end=after_end)
        if not wrong and self._public is not None and self._bare > LONGEST_BARE:
            wrong, self._bare = f"is the {LONGEST_BARE + 1}st without a seal: seals were taken out", 0
        if wrong and seen.broken is None:
            seen.broken = seen.count
        if line.data is not None:
            seen.chain, seen.seq = line.chain, seq
            seen.chains[seq] = line.chain
            self._know(data)
        if seen.broken is None:
            seen.good = (seen.count, seq, str(data.get("wall", "")))
            if data.get("line") == "seal":
                seen.sealed_to = seen.count
        if wrong:
            yield wrong

    def _wrong(self, line: lines.UnsealedLine, raw: bytes, before: str, seq: int, *, after_end: bool) -> str:
        data, last, wrong = line.data, self.seen.seq, ""
        if data is None:
            wrong = "cannot be read"
        elif not line.whole and (seq == last + 1 or not self.seen.chains):
            wrong = "was damaged or changed"
        elif not line.whole:
            missing = f"numbers {last + 1} to {seq - 1} are missing" if seq > last + 1 else f"it has number {seq}"
            wrong = f"does not follow on from the line before: {missing}"
        elif seq != last + 1:
            wrong = f"has number {seq} after {last}: lines are missing"
        elif after_end:
            wrong = "comes after the end mark"
        elif data.get("line") == "key":
            wrong = "starts sealing with a new key: the old one was lost, or what follows is forged"
        elif data.get("line") == "seal":
            wrong = self._wrong_seal(data, raw, before)
        return wrong

    def _wrong_seal(self, data: Mapping[str, Any], raw: bytes, before: str) -> str:
        if self._public is None:
            return ""
        message, signature = lines.signature_of(before, raw)
        if lines.whole_number(data, "epoch") != self._epoch:
            return f"is seal {data.get('epoch')} in the place of seal {self._epoch}"
        if not sealing.holds(self._public, message, signature):
            return "has a seal made with another key: somebody else wrote the lines before it"
        return ""

    def _know(self, data: Mapping[str, Any]) -> None:
        seen, kind = self.seen, data.get("line")
        self._bare = 0 if kind == "seal" else self._bare + 1
        if kind == "seal":
            self._epoch = lines.whole_number(data, "epoch") + 1
            if self._public is not None or data.get("next"):
                self._public = str(data.get("next", ""))
            seen.ended = data.get("last") is True
        elif kind == "key":
            self._epoch, self._public = 0, str(data.get("public", ""))
        elif kind == "effect" and data.get("effect") == "close":
            seen.closed = True
        elif kind == "sound":
            begin, size = lines.whole_number(data, "from"), lines.whole_number(data, "bytes")
            one = SoundLine(seen.count, begin, size, str(data.get("sha256", "")))
            seen.sound.setdefault(str(data.get("file", "")), []).append(one)
        elif kind == "sound-gone" and isinstance(data.get("files"), list):
            seen.sound |= {str(name): [] for name in data["files"]}
        elif kind == "torn":
            digest = str(data.get("sha256", ""))
            seen.torn[f"torn-{digest[:12]}.bin"] = digest
