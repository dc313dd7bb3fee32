"""The small files beside a journal: what is worn (twice), how far the lines reach, and the key of the next seal.

All but one copy of what is worn are in `.beside`, in the folder above the session's. A disk that refuses them does
not disturb the session: its lines matter more, and the next batch tries again.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from voicecoach.errors import RecordError
from voicecoach.record import disk, lines, worn
from voicecoach.record.existing_lines import ExistingLines
from voicecoach.record.sealing import STATE_BYTES, Sealer
from voicecoach.record.worn import WornItems, apart

TIP = "tip.json"
KEY = "key"
TIP_START = "voicecoach tip 1"
KEY_START = "voicecoach key 1"
LARGEST = 4_000
FURTHEST = 100_000
"""How many seals a key may lag behind its record."""


class Mark(NamedTuple):
    """The state after a line. worn_changed, key_changed: whether these have to be written with it.

    key: epoch and secret state of the next seal; None after the last.
    """

    seq: int
    chain: str
    worn: WornItems
    worn_changed: bool
    key_changed: bool
    key: tuple[int, bytes] | None


class Tip(NamedTuple):
    """The last line that was on the disk."""

    seq: int
    chain: str


class SideFiles:
    """Writes these files; never raises."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._due = False

    def begin(self, mark: Mark) -> None:
        """Write all of them before the first line."""
        with suppress(OSError):
            apart(self._folder).parent.mkdir(mode=0o700, exist_ok=True)
        self.saved((mark._replace(worn_changed=True, key_changed=True),))

    def saved(self, marks: tuple[Mark, ...]) -> None:
        """These lines have reached the disk."""
        last = marks[-1]
        with suppress(OSError):
            self._write_tip(last)
        if any(mark.key_changed for mark in marks):
            with suppress(OSError):
                self._write_key(last.key)
        if self._due or any(mark.worn_changed for mark in marks):
            self._due = True
            with suppress(OSError):
                worn.write(self._folder, last.worn)
                self._due = False

    def end(self, mark: Mark) -> None:
        """All lines are on the disk, and this process writes no more."""
        self.saved((mark._replace(worn_changed=True, key_changed=True),))

    def sealer(self, before: ExistingLines) -> Sealer | None:
        """The key that continues a record's seals; None if it is lost, damaged or ahead of the record."""
        try:
            raw = disk.read_file(apart(self._folder, KEY), LARGEST)
        except RecordError:
            return None
        found = lines.unseal(KEY_START, raw.rstrip(b"\n"))
        state = found.data.get("state") if found.data is not None and found.whole else None
        if found.data is None or not isinstance(state, str) or len(state) != 2 * STATE_BYTES:
            return None
        sealer = Sealer(bytes.fromhex(state), lines.whole_number(found.data, "epoch"))
        if not 0 <= before.epoch - sealer.epoch <= FURTHEST:
            return None
        while sealer.epoch < before.epoch:
            sealer.move_on()
        return sealer if sealer.public() == before.public else None

    def _write_tip(self, mark: Mark) -> None:
        raw, _ = lines.seal(TIP_START, {"format": 1, "seq": mark.seq, "line_chain": mark.chain})
        disk.write_over(apart(self._folder, TIP), raw)

    def _write_key(self, key: tuple[int, bytes] | None) -> None:
        path = apart(self._folder, KEY)
        if key is None:
            with suppress(FileNotFoundError):
                disk.write_over(path, b"0" * path.lstat().st_size, sync=True)
                path.unlink()
            return
        epoch, state = key
        raw, _ = lines.seal(KEY_START, {"format": 1, "epoch": epoch, "state": state.hex()})
        disk.write_over(path, raw, sync=True)


def read_tip(folder: Path) -> Tip | None:
    """How far the record's lines reached, by the file beside it; None if that is missing or damaged."""
    try:
        found = lines.unseal(TIP_START, disk.read_file(apart(folder, TIP), LARGEST).rstrip(b"\n"))
    except RecordError:
        return None
    if found.data is None or not found.whole:
        return None
    return Tip(lines.whole_number(found.data, "seq"), str(found.data.get("line_chain", "")))
