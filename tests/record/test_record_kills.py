"""A kill at any moment leaves a record that verify finds unfinished and undamaged, before and after it continues."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from voicecoach.record.journal import Journal
from voicecoach.record.verify import verify
from voicecoach.record.worn import last_known_worn
from voicecoach.session.effects import Close
from voicecoach.session.events import Heard, Reopened

WRITER = """
import sys
from pathlib import Path
import numpy as np
from voicecoach.audio.line import Block
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.session.effects import Note, Say
from voicecoach.session.events import Heard, Reopened
folder = Path(sys.argv[1])
if folder.exists():
    journal = Journal.open_existing(folder)
    journal.write(Reopened(0, 1.0, "killed"))
else:
    journal = Journal.create(folder, Manifest("phonemes", "solo", "full", "p", "g"), {})
keeper = ClipKeeper(folder / "audio", "full", on_written=journal.sound, on_deleted=journal.sound_gone)
start = int(sys.argv[2])
for n in range(start, start + 100000):
    keeper.feed(Block(n * 800, np.full((800, 1), 0.1, np.float32), np.zeros(800, np.float32)))
    written = journal.write(Heard(n * 800, "done"))
    note = Note("ledger", (("on", ",".join(f"p{k}" for k in range(n % 5))), ("hands", "rubbed")))
    journal.write_effects(written.seq, (note, Say(n, "word " * (n % 7))))
    print(n, flush=True)
"""


def kill_after(folder: Path, start: int, wait_s: float) -> int:
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(folder), str(start)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(wait_s)
    child.send_signal(signal.SIGKILL)
    rest = [text for text in child.stdout.read().splitlines(keepends=True) if text.endswith("\n")]
    child.wait()
    return int(rest[-1] if rest else first)


def go_through(folder: Path, kills: int, seed: int) -> None:
    chance, start = random.Random(seed), 0  # noqa: S311  the same waits each time
    for _ in range(kills):
        start = kill_after(folder, start, chance.uniform(0.0, 0.35)) + 1
        found = verify(folder)
        # sound that was written and not put down yet is all that a kill may leave without a line
        assert {finding.what for finding in found.findings if "audio/" not in finding.file} == set()
        assert last_known_worn(folder) is not None
    journal = Journal.open_existing(folder)
    journal.write(Reopened(0, 1.0, "killed"))
    journal.write_effects(journal.write(Heard(1, "yes")).seq, (Close("done"),))
    assert journal.close(30)
    found = verify(folder)
    assert (found.state, found.findings) == ("whole", ())
    assert found.sealed_to == found.lines


def test_a_kill_or_two_damage_nothing(tmp_path: Path) -> None:
    go_through(tmp_path / "s", kills=2, seed=0)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1, 4))
def test_many_kills_damage_nothing(tmp_path: Path, seed: int) -> None:
    go_through(tmp_path / "s", kills=20, seed=seed)
