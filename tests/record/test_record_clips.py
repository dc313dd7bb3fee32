import stat
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block
from voicecoach.record.clips import ClipKeeper, Setting


def feed(keeper: ClipKeeper, begin: int, frames: int, channels: int = 1) -> None:
    """Blocks whose samples tell their own number, so that a clip shows where it was cut."""
    for at in range(begin, begin + frames, BLOCK_FRAMES):
        numbers = np.arange(at, at + BLOCK_FRAMES, dtype=np.float64) % 20_000
        heard = np.repeat((numbers / 32767).astype(np.float32)[:, None], channels, axis=1)
        keeper.feed(Block(at, heard, np.zeros(BLOCK_FRAMES, np.float32)))


def samples(path: Path) -> tuple[int, list[int]]:
    with wave.open(str(path)) as file:
        assert file.getframerate() == RATE_HZ
        assert file.getsampwidth() == 2
        return file.getnchannels(), np.frombuffer(file.readframes(file.getnframes()), "<i2").tolist()


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_clip_is_the_utterance_with_half_a_second_on_both_sides(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, 3 * RATE_HZ)
    keeper.utterance(20_000, 30_000)
    feed(keeper, 3 * RATE_HZ, RATE_HZ)
    keeper.close()
    assert names(tmp_path) == ["clip-000000012000-000000038000.wav"]
    channels, got = samples(tmp_path / "clip-000000012000-000000038000.wav")
    assert channels == 1
    assert np.abs(np.array(got) - np.arange(12_000, 38_000) % 20_000).max() <= 1
    assert stat.S_IMODE(next(tmp_path.iterdir()).stat().st_mode) == 0o600


def test_a_clip_waits_for_the_half_second_after_it_and_close_takes_what_there_is(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, RATE_HZ)
    keeper.utterance(1_000, 15_000)
    keeper.close()
    assert names(tmp_path) == ["clip-000000000000-000000016000.wav"]


def test_both_channels_are_kept(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, 2 * RATE_HZ, channels=2)
    keeper.utterance(10_000, 12_000)
    keeper.close()
    assert samples(next(tmp_path.iterdir()))[0] == 2


def test_nothing_of_the_work_is_kept_not_even_as_a_pad(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, RATE_HZ)
    keeper.work(True)
    feed(keeper, 16_000, 2 * RATE_HZ)
    keeper.utterance(20_000, 24_000)
    assert keeper.held == 0
    keeper.work(False)
    feed(keeper, 48_000, RATE_HZ)
    keeper.utterance(49_600, 56_000)
    keeper.close()
    assert names(tmp_path) == ["clip-000000048000-000000064000.wav"]


def test_after_no_audio_nothing_more_is_kept_and_memory_is_empty(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, RATE_HZ)
    keeper.utterance(2_000, 15_000)
    keeper.no_audio()
    feed(keeper, 16_000, RATE_HZ)
    keeper.utterance(17_000, 19_000)
    keeper.work(True)
    keeper.work(False)
    feed(keeper, 40_000, RATE_HZ)
    assert keeper.held == 0
    keeper.close()
    assert names(tmp_path) == []


@pytest.mark.parametrize("setting", ["clips", "full"])
def test_no_audio_deletes_what_was_kept_before_and_records_that(tmp_path: Path, setting: Setting) -> None:
    # rule 25: the wearer can say "no audio"
    written: list[str] = []
    gone: list[tuple[list[str], str]] = []
    keeper = ClipKeeper(
        tmp_path,
        setting,
        on_written=lambda name, begin, raw: written.append(name),
        on_deleted=lambda names, why: gone.append((names, why)),
    )
    feed(keeper, 0, 2 * RATE_HZ)
    keeper.utterance(9_000, 15_000)
    feed(keeper, 2 * RATE_HZ, RATE_HZ)
    keeper.work(True)
    keeper.work(False)
    until = time.monotonic() + 10
    while not written or keeper._jobs.qsize():
        assert time.monotonic() < until
        time.sleep(0.005)
    keeper.no_audio()
    feed(keeper, 3 * RATE_HZ, RATE_HZ)
    keeper.close()
    assert names(tmp_path) == []
    assert gone == [(sorted(set(written)), "no audio")]


def test_what_is_recorded_of_the_sound_is_what_lies_on_the_disk(tmp_path: Path) -> None:
    saved: dict[str, bytes] = {}

    def on_written(name: str, begin: int, raw: bytes) -> None:
        before = saved.get(name, bytes(begin))
        assert len(before) == begin  # without a gap
        saved[name] = before + raw

    keeper = ClipKeeper(tmp_path, "full", on_written=on_written)
    feed(keeper, 0, 3 * RATE_HZ)
    keeper.setting = "clips"
    feed(keeper, 3 * RATE_HZ, 2 * RATE_HZ)
    keeper.utterance(60_000, 61_000)
    keeper.close()
    assert len(saved) == 2
    for name, raw in saved.items():
        assert (tmp_path / name).read_bytes()[44:] == raw[44:]


def test_none_keeps_nothing(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "none")
    feed(keeper, 0, RATE_HZ)
    keeper.utterance(2_000, 8_000)
    assert keeper.held == 0
    keeper.close()
    assert names(tmp_path) == []


def test_full_keeps_everything_but_the_work(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "full")
    feed(keeper, 0, 32_000)
    keeper.work(True)
    feed(keeper, 32_000, 32_000)
    keeper.work(False)
    feed(keeper, 64_000, 24_000)
    keeper.close()
    assert names(tmp_path) == ["full-000000000000.wav", "full-000000064000.wav"]
    assert len(samples(tmp_path / "full-000000000000.wav")[1]) == 32_000
    assert samples(tmp_path / "full-000000064000.wav")[1][:3] == pytest.approx([4_000, 4_001, 4_002], abs=1)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(1, 40), min_size=1, max_size=20), st.sampled_from(["clips", "full"]))
def test_memory_stays_bounded_however_long_it_runs(
    tmp_path_factory: pytest.TempPathFactory, parts: list[int], setting: Setting
) -> None:
    keeper = ClipKeeper(tmp_path_factory.mktemp("clips"), setting, keep_s=0.5)
    at = 0
    for blocks in parts:
        feed(keeper, at, blocks * BLOCK_FRAMES)
        at += blocks * BLOCK_FRAMES
        assert keeper.held <= 8_000 + BLOCK_FRAMES
        assert keeper._part_frames <= RATE_HZ
    keeper.close()


def test_a_jump_of_the_line_never_joins_what_does_not_belong_together(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, RATE_HZ)
    feed(keeper, 160_000, RATE_HZ)
    keeper.utterance(161_600, 164_800)
    keeper.close()
    assert names(tmp_path) == ["clip-000000160000-000000172800.wav"]


def test_a_disk_error_is_reported_and_never_raised(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path / "gone" / "audio", "clips")
    feed(keeper, 0, 2 * RATE_HZ)
    keeper.utterance(8_000, 12_000)
    feed(keeper, 32_000, RATE_HZ)
    keeper.close()
    assert keeper.trouble == "sound cannot be kept: No such file or directory"


def test_the_same_utterance_twice_makes_two_files(tmp_path: Path) -> None:
    keeper = ClipKeeper(tmp_path, "clips")
    feed(keeper, 0, 2 * RATE_HZ)
    keeper.utterance(8_000, 12_000)
    keeper.utterance(8_000, 12_000)
    keeper.close()
    assert names(tmp_path) == ["clip-000000000000-000000020000-2.wav", "clip-000000000000-000000020000.wav"]


FULL = """
import sys, time
from pathlib import Path
import numpy as np
from voicecoach.audio.line import Block
from voicecoach.record.clips import ClipKeeper
keeper = ClipKeeper(Path(sys.argv[1]), "full")
for at in range(0, 64000, 320):
    keeper.feed(Block(at, np.full((320, 1), 0.5, np.float32), np.zeros(320, np.float32)))
while not keeper._jobs.empty():
    time.sleep(0.01)
time.sleep(0.2)
print("written", flush=True)
time.sleep(60)
"""


def test_a_kill_leaves_a_full_recording_with_a_right_header(tmp_path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", FULL, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "written\n"
    child.kill()
    child.wait()
    time.sleep(0.05)
    assert len(samples(tmp_path / "full-000000000000.wav")[1]) == 64_000
