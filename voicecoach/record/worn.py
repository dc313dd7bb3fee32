"""What was worn, stored twice beside the lines, so that no single damage destroys it.

`worn.json` in the session's folder and `.beside/NAME.worn.json` in the folder above hold the same line: what is on,
what has come off, the state of the hands, and the journal line that said so. Only the journal writes them: when it
opens, whenever something goes on or comes off, and when it ends. Each is written atomically with its own digest.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from voicecoach.errors import RecordError
from voicecoach.record import disk, lines

FILE = "worn.json"
BESIDE = ".beside"
START = "voicecoach worn 1"
"""Used in the file's digest where a line has the chain value before it."""
LARGEST = 100_000
LARGEST_EVENTS = 1 << 28
"""Largest journal that is read (bytes); a day of work takes a tenth of that."""

WornSource = Literal["beside", "apart", "lines"]


@dataclass(frozen=True, slots=True)
class WornItems:
    """What is worn at one line of the journal."""

    session: str
    """The name of the session's folder."""
    manifest: str
    """The manifest's SHA-256."""
    protocol: str
    begun: str
    live: bool
    """Whether people took part."""
    seq: int = 0
    """Number of that line."""
    at: int = 0
    """Sample of that line."""
    wall: str = ""
    """Wall time of that line."""
    line_chain: str = ""
    """Chain value of that line."""
    on: tuple[str, ...] = ()
    """Items that are on, in the protocol's order."""
    off: tuple[str, ...] = ()
    """Items that have come off, in the order of coming off."""
    hands: str = "bare"
    """As in the ledger."""
    closed: bool = False
    """Whether the session is over."""

    def changed(self, on: tuple[str, ...], hands: str) -> WornItems:
        """The same session with these items on; whatever was on before and is not now has come off."""
        gone = tuple(item for item in (*self.off, *self.on) if item not in on)
        return replace(self, on=on, off=tuple(dict.fromkeys(gone)), hands=hands)

    def to_bytes(self) -> bytes:
        """The file's one line, with its digest."""
        names = self.__dataclass_fields__
        raw, _ = lines.seal(START, {"format": 1} | {name: getattr(self, name) for name in names})
        return raw


@dataclass(frozen=True, slots=True)
class LastWorn:
    """What is worn by a session's last good data. source: where that was read: one of the two copies, or the lines.

    remarks: what is wrong with the copies, a sentence each.
    """

    worn: WornItems
    source: WornSource
    remarks: tuple[str, ...] = ()

    @property
    def on(self) -> tuple[str, ...]:
        """What was on."""
        return self.worn.on

    @property
    def hands(self) -> str:
        """The state of the hands."""
        return self.worn.hands


def apart(folder: Path, what: str = "worn.json") -> Path:
    """The path of the second copy for `folder`; `what`: worn.json, tip.json or key."""
    folder = folder.resolve()
    return folder.parent / BESIDE / f"{folder.name}.{what}"


def from_bytes(raw: bytes) -> WornItems | None:
    """The snapshot in a file's bytes; None if any byte has changed."""
    found = lines.unseal(START, raw.rstrip(b"\n"))
    data = found.data
    if data is None or not found.whole or data.get("format") != 1:
        return None
    texts = ("session", "manifest", "protocol", "begun", "wall", "line_chain", "hands")
    if not all(isinstance(data.get(name), str) for name in texts):
        return None
    on, off = _names(data.get("on")), _names(data.get("off"))
    if on is None or off is None:
        return None
    return WornItems(
        **{name: data[name] for name in texts},
        live=data.get("live") is True,
        closed=data.get("closed") is True,
        seq=lines.whole_number(data, "seq"),
        at=lines.whole_number(data, "at"),
        on=on,
        off=off,
    )


def read_one(path: Path) -> WornItems | None:
    """The snapshot in a file; None if it is missing or damaged."""
    try:
        return from_bytes(disk.read_file(path, LARGEST))
    except RecordError:
        return None


def from_ledger(worn: WornItems, details: object) -> WornItems | None:
    """The snapshot after a 'ledger' note; None if `details` are not those of one."""
    pairs: dict[str, str] = {}
    for pair in details if isinstance(details, list | tuple) else ():
        if isinstance(pair, list | tuple) and len(pair) == 2:
            pairs[str(pair[0])] = str(pair[1])
    if "on" not in pairs:
        return None
    on = tuple(item for name in pairs["on"].split(",") if (item := name.strip()))
    return worn.changed(on, pairs.get("hands", worn.hands))


def last_known_worn(folder: Path) -> LastWorn | None:
    """What is worn by the last good data of a session; None if nothing can be read. Never raises.

    The newer of the two snapshots counts, and any undamaged lines after it.
    """
    near, far = read_one(folder / FILE), read_one(apart(folder))
    remarks = [
        f"{path} is {'damaged' if disk.there(path) else 'missing'}."
        for path, found in ((folder / FILE, near), (apart(folder), far))
        if found is None
    ]
    best = max((one for one in (near, far) if one is not None), key=lambda one: one.seq, default=None)
    source: WornSource = "beside" if best is near else "apart"
    later = _by_lines(folder, best)
    if later is not None:
        return LastWorn(later, "lines", tuple(remarks))
    return LastWorn(best, source, tuple(remarks)) if best is not None else None


def lost_folders(root: Path) -> Iterator[tuple[Path, WornItems]]:
    """Live open sessions of which only the copy in `.beside` is left: folder, and what was worn."""
    with suppress(OSError):
        for path in sorted((root / BESIDE).glob("*.worn.json"), reverse=True):
            folder = root / path.name.removesuffix(".worn.json")
            found = read_one(path)
            readable = disk.there(folder / "manifest.json") and disk.there(folder / lines.FILE)
            if found is not None and found.live and not found.closed and not readable:
                yield folder, found


def write(folder: Path, worn: WornItems) -> None:
    """Write both copies. Raises OSError when one of them cannot be written, after trying both."""
    raw, wrong = worn.to_bytes(), None
    for path in (folder / FILE, apart(folder)):
        try:
            disk.write_whole(path, raw)
            disk.sync_folder(path.parent)
        except OSError as error:
            wrong = error
    if wrong is not None:
        raise wrong


def _by_lines(folder: Path, known: WornItems | None) -> WornItems | None:
    """What the ledger lines say after `known` and before the first damage; None if there are none."""
    try:
        raw = disk.read_file(folder / lines.FILE, LARGEST_EVENTS)
    except RecordError:
        return None
    worn, said, chain = known or WornItems(folder.name, "", "", "", live=True), False, ""
    for number, text in enumerate(raw.split(b"\n")[:-1]):
        line = lines.unseal(chain, text)
        chain = line.chain
        if line.data is None or (not line.whole and number):  # line 1 is chained to the manifest, which may be lost
            break
        seq = lines.whole_number(line.data, "seq")
        if line.data.get("what") == "ledger" and (known is None or seq > known.seq):
            made = from_ledger(worn, line.data.get("details"))
            if made is not None:
                at, wall = lines.whole_number(line.data, "at"), str(line.data.get("wall", ""))
                worn, said = replace(made, seq=seq, at=at, wall=wall, line_chain=chain), True
    return worn if said else None


def _names(value: object) -> tuple[str, ...] | None:
    return tuple(value) if isinstance(value, list) and all(isinstance(one, str) for one in value) else None
