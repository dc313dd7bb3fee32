import dataclasses
import hashlib
import json
import math
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk, lines
from voicecoach.record.journal import PATIENCE_S, SEAL_LINES, Journal, new_folder
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import find_open, parse, read
from voicecoach.record.verify import verify
from voicecoach.session import effects, events
from voicecoach.session.effects import Close, Note, Say
from voicecoach.session.events import Heard, Reopened, TimerFired


class Disk:
    """A disk that can be full or stall, over the real one."""

    def __init__(self) -> None:
        self.full = False
        self.part = 0
        self.stalled = threading.Event()
        self.stalled.set()

    def __call__(self, path: Path) -> "BadFile":
        return BadFile(path, self)


class BadFile(disk.OwnFile):
    def __init__(self, path: Path, state: Disk) -> None:
        super().__init__(path)
        self._state = state

    def write(self, data: bytes) -> None:
        if self._state.full:
            super().write(data[: self._state.part])
            raise OSError(28, "No space left on device")
        super().write(data)

    def sync(self) -> None:
        self._state.stalled.wait()
        super().sync()


def until(condition: Callable[[], object]) -> None:
    end = time.monotonic() + 10
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.005)


def test_an_event_is_in_the_file_when_write_returns(tmp_path: Path, made_with: Manifest) -> None:
    journal = Journal.create(tmp_path / "s", made_with, {}, patience_s=30)
    written = journal.write(Heard(16_000, "done", phrase="done", begin=8_000, end=12_000))
    assert not written.late
    line = json.loads((tmp_path / "s" / FILE).read_text())
    assert line["line"] == "event"
    assert line["event"] == "heard"
    assert line["command"] == "done"
    assert (line["seq"], line["at"], line["at_s"]) == (1, 16_000, 1.0)
    assert line["wall"].endswith("Z")
    journal.close()


def test_the_chain_is_the_sha256_of_the_chain_before_and_the_line(tmp_path: Path, made_with: Manifest) -> None:
    # against hashlib and the raw bytes, without the project's own reader
    journal = Journal.create(tmp_path / "s", made_with, {})
    journal.write_effects(journal.write(TimerFired(5, "rub")).seq, (Say(1, "Rub."), Note("x", (("a", "b"),))))
    journal.close()
    chain = hashlib.sha256((tmp_path / "s" / "manifest.json").read_bytes()).hexdigest()
    for raw in (tmp_path / "s" / FILE).read_bytes().splitlines():
        body, stored = raw.split(b',"chain":"')
        chain = hashlib.sha256(chain.encode() + body + b"}").hexdigest()
        assert stored == chain.encode() + b'"}'


@pytest.mark.parametrize("score", [math.inf, -math.inf, math.nan])
def test_a_score_that_is_not_a_number_is_still_plain_json(tmp_path: Path, made_with: Manifest, score: float) -> None:
    # RFC 8259, section 6: Infinity and NaN are not permitted [mem]
    journal = Journal.create(tmp_path / "s", made_with, {})
    journal.write(Heard(1, None, score=score))
    journal.close()

    def refuse(name: str) -> None:
        raise AssertionError(name)

    json.loads((tmp_path / "s" / FILE).read_text().splitlines()[0], parse_constant=refuse)
    (event,) = read(tmp_path / "s").events
    assert isinstance(event, Heard)
    assert str(event.score) == str(score)


def test_no_event_or_effect_has_a_field_that_the_journal_writes_itself() -> None:
    kinds: tuple[Any, ...] = (*events.EVENTS, *effects.EFFECTS)
    for cls in kinds:
        names = {field.name for field in dataclasses.fields(cls)} | {"event", "effect"}
        assert names & set(lines.OWN_KEYS) <= {"at"}, cls


@pytest.mark.skipif(os.name != "posix", reason="modes are a thing of POSIX")
def test_a_session_folder_is_its_owners_only(tmp_path: Path, made_with: Manifest) -> None:
    mask = os.umask(0)
    try:
        journal = Journal.create(tmp_path / "s", made_with, {"protocol.yaml": b"x", "site.yaml": b"y"})
        journal.write(TimerFired(1, "rub"))
        journal.close()
    finally:
        os.umask(mask)
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in [tmp_path / "s", *(tmp_path / "s").rglob("*")]}
    assert modes.pop("s") == 0o700
    assert modes.pop("audio") == 0o700
    assert set(modes) == {"manifest.json", "events.jsonl", "worn.json", "lock", "protocol.yaml", "site.yaml"}
    assert set(modes.values()) == {0o600}
    assert stat.S_IMODE((tmp_path / ".beside").stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / ".beside").iterdir()} == {0o600}


def test_the_manifest_holds_the_digests_of_the_copies(tmp_path: Path, made_with: Manifest) -> None:
    Journal.create(tmp_path / "s", made_with, {"protocol.yaml": b"abc"}).close()
    # FIPS 180-2, appendix B.1: SHA-256 of "abc" [mem]
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert read(tmp_path / "s").manifest.copies == {"protocol.yaml": abc}


@pytest.mark.parametrize("place", ["file/s", "taken"])
def test_a_folder_that_cannot_be_made_is_reported_in_one_line(tmp_path: Path, made_with: Manifest, place: str) -> None:
    (tmp_path / "file").write_text("")
    (tmp_path / "taken").mkdir()
    with pytest.raises(InputError, match="cannot be used for a record") as caught:
        Journal.create(tmp_path / place, made_with, {})
    assert "\n" not in str(caught.value)
    assert str(tmp_path / place) in str(caught.value)


def test_a_disk_that_is_full_from_the_start_leaves_no_half_made_folder(
    tmp_path: Path, made_with: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(disk, "write_new", full)
    with pytest.raises(InputError, match="No space left on device"):
        Journal.create(tmp_path / "s", made_with, {})
    assert list(tmp_path.iterdir()) == []


def test_names_of_new_folders_sort_by_time_and_never_meet(tmp_path: Path, wall: Callable[[], datetime]) -> None:
    frozen = wall()
    names = []
    for _ in range(3):
        folder = new_folder(tmp_path, lambda: frozen)
        folder.mkdir()
        names.append(folder.name)
    assert names == ["2026-03-01T08-00-01Z", "2026-03-01T08-00-01Z-2", "2026-03-01T08-00-01Z-3"]


def test_going_on_continues_the_numbers_and_the_chain(tmp_path: Path, made_with: Manifest) -> None:
    folder = tmp_path / "s"
    journal = Journal.create(folder, made_with, {})
    journal.write_effects(journal.write(TimerFired(5, "rub")).seq, (Say(1, "Rub."),))
    journal.close()
    journal = Journal.open_existing(folder)
    assert journal.write(Reopened(9, 2.0, "killed")).seq == 4  # behind the event, its effect and a seal
    journal.close()
    session = read(folder)
    assert session.broken_at is None
    assert session.events == (TimerFired(5, "rub"), Reopened(9, 2.0, "killed"))


def test_a_torn_last_line_is_put_aside_with_its_bytes(tmp_path: Path, made_with: Manifest) -> None:
    folder = tmp_path / "s"
    journal = Journal.create(folder, made_with, {})
    journal.write(TimerFired(5, "rub"))
    journal.close()
    with (folder / FILE).open("ab") as file:
        file.write(b'{"seq":2,"line":"ev\x00')
    session = read(folder)
    assert session.torn == b'{"seq":2,"line":"ev\x00'
    assert "is unfinished" in session.remarks[0]
    journal = Journal.open_existing(folder)
    journal.write(TimerFired(6, "rub"))
    journal.close()
    assert [path.read_bytes() for path in folder.glob("torn-*.bin")] == [b'{"seq":2,"line":"ev\x00']
    session = read(folder)
    assert (session.broken_at, session.torn, len(session.events)) == (None, b"", 2)


def test_a_full_disk_loses_nothing_and_the_gap_is_marked(tmp_path: Path, made_with: Manifest) -> None:
    state = Disk()
    journal = Journal.create(tmp_path / "s", made_with, {}, opener=state, patience_s=30, retry_s=0.01)
    assert not journal.write(TimerFired(1, "a")).late
    state.full, state.part = True, 40
    assert journal.write(TimerFired(2, "b")).late
    assert journal.write(TimerFired(3, "c")).late
    assert journal.trouble == "the record cannot be written: No space left on device"
    assert journal.unsaved == 2
    state.full = False
    until(lambda: journal.trouble is None and journal.unsaved == 0)
    assert not journal.write(TimerFired(4, "d")).late
    journal.close()
    session = read(tmp_path / "s")
    assert (session.broken_at, session.torn) == (None, b"")
    assert [event.timer for event in session.events if isinstance(event, TimerFired)] == ["a", "b", "c", "d"]
    (gap,) = session.gaps
    assert (gap.data["first"], gap.data["last"]) == (2, 3)
    assert gap.data["late_s"] > 0
    assert "No space left" in gap.data["why"]


def test_a_stalled_disk_holds_only_the_first_reply_and_no_longer_than_patience(
    tmp_path: Path, made_with: Manifest
) -> None:
    state = Disk()
    journal = Journal.create(tmp_path / "s", made_with, {}, opener=state, patience_s=0.1)
    state.stalled.clear()
    assert journal.write(TimerFired(1, "a")).late
    # the writer is stuck for good: if these waited as well, they would be waiting for ever or be on the disk
    assert all(journal.write(TimerFired(n, "b")).late for n in range(2, 200))
    assert journal.trouble == "the disk is slow"
    assert journal.unsaved == 199 + 198 // SEAL_LINES
    state.stalled.set()
    until(lambda: journal.trouble is None and journal.unsaved == 0)
    journal.close()
    session = read(tmp_path / "s")
    assert len(session.events) == 199
    assert session.broken_at is None
    assert session.gaps[0].data["why"] == "the disk is slow"


@pytest.mark.parametrize("source", ["demo", "recording", "script"])
def test_where_nobody_waits_for_a_reply_a_slow_disk_changes_nothing(
    tmp_path: Path, made_with: Manifest, source: str
) -> None:
    state = Disk()
    journal = Journal.create(tmp_path / "s", dataclasses.replace(made_with, source=source), {}, opener=state)
    state.stalled.clear()
    threading.Timer(4 * PATIENCE_S, state.stalled.set).start()
    assert not journal.write(TimerFired(1, "a")).late
    assert journal.trouble is None
    journal.close()
    assert read(tmp_path / "s").gaps == ()


def test_a_disk_that_is_slow_at_the_end_leaves_its_gap_before_the_end_mark(tmp_path: Path, made_with: Manifest) -> None:
    state = Disk()
    journal = Journal.create(tmp_path / "s", made_with, {}, opener=state, patience_s=0.01)
    state.stalled.clear()
    written = journal.write(TimerFired(1, "a"))
    assert written.late
    journal.write_effects(written.seq, (Close("done"),))
    threading.Timer(0.2, state.stalled.set).start()
    assert journal.close(30)
    assert [line.kind for line in read(tmp_path / "s").lines][-2:] == ["gap", "seal"]
    assert verify(tmp_path / "s").state == "whole"


def test_closing_on_a_dead_disk_comes_back_and_says_so(tmp_path: Path, made_with: Manifest) -> None:
    state = Disk()
    journal = Journal.create(tmp_path / "s", made_with, {}, opener=state, patience_s=0.01)
    state.full = True
    journal.write(TimerFired(1, "a"))
    assert not journal.close(wait_s=1.0)
    assert journal.unsaved == 1


def test_a_session_is_taken_up_on_a_disk_that_is_still_full(tmp_path: Path, made_with: Manifest) -> None:
    folder, state = tmp_path / "s", Disk()
    Journal.create(folder, made_with, {}).close()
    with (folder / FILE).open("ab") as file:
        file.write(b"half a li")
    state.full = True
    journal = Journal.open_existing(folder, opener=state, retry_s=0.01)
    assert journal.write(Reopened(5, 1.0, "killed")).late
    state.full = False
    until(lambda: journal.unsaved == 0)
    journal.close()
    assert read(folder).events == (Reopened(5, 1.0, "killed"),)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_whatever_an_event_holds_is_written_and_read_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    text = st.text(max_size=20)
    heard = data.draw(
        st.builds(
            Heard,
            at=st.integers(0, 1 << 40),
            command=st.none() | text,
            phrase=text,
            begin=st.integers(0, 1 << 40),
            score=st.floats(allow_nan=False),
            near=st.none() | text,
        )
    )
    folder = tmp_path_factory.mktemp("any") / "s"
    journal = Journal.create(folder, Manifest("typed", "solo", "none", "p", "g"), {})
    journal.write(heard)
    journal.close()
    session = read(folder)
    assert session.events == (heard,)
    assert session.broken_at is None


def _journal_bytes(count: int) -> tuple[bytes, list[int]]:
    chain, raw, starts = "0" * 64, b"", []
    for n in range(count):
        starts.append(len(raw))
        data = {"seq": n + 1, "line": "event", **events.to_json(TimerFired(n, f"t{n}")), "at_s": 0.0, "wall": ""}
        line, chain = lines.seal(chain, data)
        raw += line
    return raw, starts


@settings(deadline=None)
@given(position=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_any_flipped_bit_is_found_in_its_own_line(position: int, bit: int) -> None:
    raw, starts = _journal_bytes(12)
    position %= len(raw)
    bad = bytearray(raw)
    bad[position] ^= 1 << bit
    _, broken_at, torn = parse(bytes(bad), "0" * 64)
    line = sum(start <= position for start in starts)
    if position == len(raw) - 1:  # the last newline: then the last line is not finished
        assert torn
        assert broken_at is None
    else:
        assert broken_at == line


@settings(deadline=None)
@given(cut=st.integers(0, 10_000), tail=st.binary(max_size=60))
def test_any_cut_and_any_bytes_after_it_leave_the_lines_before_whole(cut: int, tail: bytes) -> None:
    raw, starts = _journal_bytes(8)
    cut %= len(raw) + 1
    found, broken_at, torn = parse(raw[:cut] + tail, "0" * 64)
    before = sum(end <= cut for end in [*starts[1:], len(raw)])
    assert [line.data["timer"] for line in found[:before]] == [f"t{n}" for n in range(before)]
    assert broken_at is None or broken_at > before
    restarted = (raw[:cut] + tail) == raw[: len(raw[:cut] + tail)]
    if not restarted:
        assert broken_at is not None or torn


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_no_bytes_at_all_make_reading_fail(raw: bytes) -> None:
    _, broken_at, torn = parse(raw, "0" * 64)
    assert (broken_at is None) == (b"\n" not in raw)
    assert torn == raw[raw.rfind(b"\n") + 1 :]


@settings(deadline=None)
@given(st.lists(st.integers(0, 11), min_size=1, max_size=4, unique=True))
def test_lines_taken_out_of_the_middle_are_noticed(gone: list[int]) -> None:
    raw, _ = _journal_bytes(12)
    remaining = [line for n, line in enumerate(raw.splitlines(keepends=True)) if n not in gone]
    _, broken_at, _ = parse(b"".join(remaining), "0" * 64)
    last_gone = set(gone) == set(range(12 - len(gone), 12))  # a clean cut at the end leaves the chain whole
    assert (broken_at is None) == last_gone


WRITER = """
import sys
from pathlib import Path
from voicecoach.record.journal import Journal, Manifest
from voicecoach.session.effects import Say
from voicecoach.session.events import TimerFired
folder = Path(sys.argv[1])
journal = Journal.create(folder, Manifest("typed", "solo", "none", "p", "g"), {})
for n in range(100_000):
    written = journal.write(TimerFired(n, "t"))
    if not written.late:
        print(written.seq, flush=True)
    journal.write_effects(written.seq, (Say(n, "word " * (n % 7)),))
"""


@pytest.mark.parametrize("wait_s", [0.02, 0.05, 0.11, 0.17, 0.29])
def test_a_kill_loses_no_event_that_was_written_in_time(tmp_path: Path, wait_s: float) -> None:
    folder = tmp_path / "s"
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(wait_s)
    child.send_signal(signal.SIGKILL)
    reported = [int(first)] + [
        int(text) for text in child.stdout.read().splitlines(keepends=True) if text.endswith("\n")
    ]
    child.wait()
    session = read(folder)
    assert session.broken_at is None
    assert {line.seq for line in session.lines if line.event is not None} >= set(reported)
    assert list(find_open(tmp_path)) == [folder]
    journal = Journal.open_existing(folder)
    journal.write(Reopened(0, 1.0, "killed"))
    journal.close()
    assert read(folder).broken_at is None


def test_sessions_to_come_back_to_are_the_open_ones_that_nobody_has_newest_first(
    tmp_path: Path, made_with: Manifest, wall: Callable[[], datetime]
) -> None:
    def make(name: str, *, close: bool) -> Journal:
        journal = Journal.create(tmp_path / name, made_with, {}, wall=wall)
        written = journal.write(TimerFired(1, 'says "effect":"close" by itself'))
        journal.write_effects(written.seq, (Close("done"),) if close else ())
        return journal

    assert not list(find_open(tmp_path / "nowhere"))
    make("c-oldest", close=False).close()
    make("b-newer", close=False).close()
    make("a-closed", close=True).close()
    (tmp_path / "not-a-session").mkdir()
    living = make("0-living", close=False)
    assert list(find_open(tmp_path)) == [tmp_path / "b-newer", tmp_path / "c-oldest"]
    with pytest.raises(RecordError, match=f"is in use by process {os.getpid()} since 2026-03-01"):
        Journal.open_existing(tmp_path / "0-living")
    living.close()
    assert next(find_open(tmp_path)) == tmp_path / "0-living"


@pytest.mark.parametrize("text", ["", "[]", '{"format": 2}', '{"format": 1}', '{"format": 1, "copies": 3}', "\ud800"])
def test_a_manifest_that_cannot_be_read_is_reported_in_one_line(tmp_path: Path, text: str) -> None:
    (tmp_path / "manifest.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    (tmp_path / FILE).write_bytes(b"")
    for use in (read, Journal.open_existing):
        with pytest.raises(RecordError, match=r"manifest\.json") as caught:
            use(tmp_path)
        assert "\n" not in str(caught.value)
