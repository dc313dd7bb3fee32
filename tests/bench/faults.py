"""How soon a fault is noticed and spoken of: run `python tests/bench/faults.py [RUNS]`; prints, judges nothing.

Aims (rules 19 and 21): noticed within 1 s; first word within 10 s of a kill; no reply held back by more than 100 ms.
Without PulseAudio or a recogniser the parts that need them are left out, and it says so. Baseline: the same reply with
no fault.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parents[1]
sys.path += [str(HERE / "faults"), str(HERE / "e2e")]

import virtual_card  # noqa: E402
from faults_driver import Bench, Disk, cut_off  # noqa: E402

from voicecoach.audio.live import LiveLine  # noqa: E402
from voicecoach.errors import EngineError  # noqa: E402
from voicecoach.listen.process import RecogniserProcess  # noqa: E402
from voicecoach.listen.worker import Spec  # noqa: E402
from voicecoach.record.lock import NAME  # noqa: E402
from voicecoach.runtime import supervisor  # noqa: E402
from voicecoach.runtime.screen import BackgroundScreen  # noqa: E402
from voicecoach.speak.silent import SilentVoice  # noqa: E402

RUNS = int(sys.argv[1]) if sys.argv[1:] and sys.argv[1].isdecimal() else 20
LIMIT_S = 20.0


class Stuck(SilentVoice):
    """A voice that never answers."""

    def sound(self, text: str) -> Any:
        time.sleep(3)
        return super().sound(text)


def print_times(name: str, times_s: list[float]) -> None:
    """One line of the table."""
    if not times_s:
        print(f"{name:<62}   no run came to its end", flush=True)
        return
    median, p95 = np.percentile(times_s, [50, 95])
    print(f"{name:<62}{median:8.2f}{p95:8.2f}{max(times_s):8.2f}   ({len(times_s)} runs)", flush=True)


def notice_and_speak(run: Bench, part: str, begin_s: float) -> tuple[float, float]:
    """From `begin_s` until the part is reported lost, and until something sounds after that (s)."""
    noticed_s = 0.0
    while time.monotonic() - begin_s < LIMIT_S:
        block = run.coach.line.read(0.05)
        if block is None:
            run.coach._handle_all([])
        else:
            run.coach._take(block)
        now_s = time.monotonic() - begin_s
        if not noticed_s and run.lost(part):
            noticed_s = now_s
        # a line that was lost sounds again only when a half of it is in use
        if noticed_s and block is not None and run.coach.line.speaks and np.any(block.played):
            return noticed_s, now_s
    return noticed_s or LIMIT_S, LIMIT_S


def fault(name: str, part: str, make: Callable[[Path], tuple[Bench, Callable[[], object]]]) -> None:
    """`make` gives a session and what breaks it."""
    noticed, spoken = [], []
    for _ in range(RUNS):
        with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
            run, breaks = make(Path(folder) / "session")
            stack.callback(run.close)
            run.run_s(0.3)
            begin_s = time.monotonic()
            breaks()
            one, two = notice_and_speak(run, part, begin_s)
            noticed.append(one)
            spoken.append(two)
    print_times(f"{name}: noticed", noticed)
    print_times(f"{' ' * len(name)}  spoken of", spoken)


def lost_line(folder: Path) -> tuple[Bench, Callable[[], object]]:
    run = Bench(folder, speed=1, halves=("speaker",))
    return run, lambda: setattr(run.line, "gone", True)


def broken_ear(folder: Path) -> tuple[Bench, Callable[[], object]]:
    run = Bench(folder, speed=1)
    run.ear.refuses_restart = True
    return run, lambda: setattr(run.ear, "broken", EngineError("died"))


def full_disk(folder: Path) -> tuple[Bench, Callable[[], object]]:
    run = Bench(folder, speed=1)

    def breaks() -> None:
        Disk.full = True
        run.ear.words.append("nothing that is live")

    return run, breaks


def signalled(folder: Path) -> tuple[Bench, Callable[[], object]]:
    run = Bench(folder, speed=1)
    return run, lambda: run.coach.signalled("SIGTERM")


def stuck_screen(folder: Path) -> tuple[Bench, Callable[[], object]]:
    screen = BackgroundScreen(lambda *_: time.sleep(2))
    run = Bench(folder, speed=1, troubles={"screen": lambda: screen.trouble})
    seen = run.coach.parts.watch
    run.coach.parts.watch = lambda *step: (seen(*step), screen(*step))[0]
    return run, lambda: run.ear.words.append("repeat")


def stuck_voice(folder: Path) -> tuple[Bench, Callable[[], object]]:
    run = Bench(folder, speed=1, voice=Stuck())
    return run, lambda: run.ear.words.append("repeat")


def child(name: str) -> Callable[[Path], tuple[Bench, Callable[[], object]]]:
    def make(folder: Path) -> tuple[Bench, Callable[[], object]]:
        mark = folder.parent / "mark"
        ear = RecogniserProcess(Spec("twin", "", "en.yaml", model=str(mark), factory=f"faults_children:{name}"))
        run = Bench(folder, speed=1, ear=ear)
        let_go = run.close

        def close() -> None:
            let_go()
            ear.close()

        run.close = close  # type: ignore[method-assign]
        return run, mark.touch

    return make


def replies() -> None:
    """How long a word's effects take to be carried out, on a disk that stalls for 1 s a sync."""
    print(f"\nreply: from a word's event to its effects, {RUNS} runs each{'median':>15}    95th longest   s")
    for name, stall_s in (("baseline, a disk that is well", 0.0), ("a disk that takes 1 s longer a sync", 1.0)):
        times: list[float] = []
        for _ in range(RUNS):
            with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
                run = Bench(Path(folder) / "session", speed=1)
                stack.callback(run.close)
                run.run_s(0.1)
                Disk.stall_s = stall_s
                run.ear.words.append("repeat")
                begin_s = time.monotonic()
                run.run_until(lambda run=run: bool(run.said()))  # type: ignore[misc]
                times.append(time.monotonic() - begin_s)
        print_times(name, times)


@contextlib.contextmanager
def sound_card() -> Iterator[virtual_card.VirtualCard]:
    """A virtual card that this process sees as its only one."""
    with virtual_card.card() as card:
        before = dict(os.environ)
        os.environ.update(card.environment)
        import sounddevice  # noqa: PLC0415 needs PortAudio

        sounddevice._terminate()
        sounddevice._initialize()
        try:
            yield card
        finally:
            os.environ.clear()
            os.environ.update(before)


ON_THE_CARD: dict[str, Callable[[virtual_card.VirtualCard], object]] = {
    "microphone pulled out": virtual_card.VirtualCard.unplug,
    "microphone asleep": lambda card: card.suspend(on=True),
}


def on_the_card() -> None:
    """Real PortAudio, each run in a process of its own: a driver that lost its device may hang or end its process."""
    for name in ON_THE_CARD:
        times = [found for found in (apart("--fault", name) for _ in range(RUNS)) if found]
        for what, column in (("noticed", 0), ("spoken of", 1)):
            title = f"virtual card, {name}"
            print_times(
                f"{title}: {what}" if not column else f"{' ' * len(title)}  {what}", [one[column] for one in times]
            )


def apart(*arguments: str) -> list[float]:
    """What another process of this bench measured (s); nothing, and a line that says so, when it did not end well."""
    command = [sys.executable, __file__, *arguments]
    try:
        # not its complaints: a driver that lost its device may write them without end, gigabytes of them
        done = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, timeout=600, check=False
        )
    except subprocess.TimeoutExpired:
        print(f"left out: {' '.join(arguments)} took longer than 600 s", flush=True)
        return []
    if done.returncode or not done.stdout.strip():
        print(f"left out: {' '.join(arguments)} ended with {done.returncode}", flush=True)
        return []
    return list(json.loads(done.stdout.splitlines()[-1]))


def once(name: str) -> None:
    """The process of one fault on the card: prints when it was noticed and when something sounded after that (s)."""
    with sound_card() as card, tempfile.TemporaryDirectory() as folder:
        run = Bench(Path(folder) / "session", card=_line)
        run.run_s(0.5)
        begin_s = time.monotonic()
        ON_THE_CARD[name](card)
        print(json.dumps(notice_and_speak(run, "ears", begin_s)), flush=True)
    os._exit(0)  # without a word to a driver that may never let go


def _line(start: int) -> LiveLine:
    return LiveLine(microphone="coach_card", speaker="coach_card", start=start)


def kills(runs: int) -> None:
    """The process that measures from the kill of a session with a real recogniser and voice to its first sound (s)."""
    times: list[float] = []
    with sound_card() as card, tempfile.TemporaryDirectory() as folder, card.recorder() as recording:
        cut_off(Path(folder) / "session", ear="phonemes")
        command = [sys.executable, "-m", "voicecoach", "run", "short-practice", "--engine", "phonemes"]
        command += ["--device", "coach_card", "--speaker", "coach_card", "--out", folder]
        environment = {name: value for name, value in os.environ.items() if name != supervisor.SUPERVISED}
        program = subprocess.Popen(
            command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            first_sound(recording, 0)  # the cache of prompts is warm from here on
            for _ in range(runs):
                time.sleep(5.1)  # three deaths within 10 s are a crash loop
                os.kill(holder(Path(folder)), signal.SIGKILL)
                killed_s = time.monotonic()
                time.sleep(0.3)  # what was on its way to the speaker
                first_sound(recording, recording.stat().st_size)
                times.append(time.monotonic() - killed_s)
        finally:
            program.kill()
            with contextlib.suppress(OSError, ValueError):
                os.kill(holder(Path(folder)), signal.SIGKILL)
            program.wait(10)
    print(json.dumps(times), flush=True)


def holder(folder: Path) -> int:
    """The process that runs the session."""
    return int(json.loads((folder / "session" / NAME).read_text())["pid"])


def first_sound(recording: Path, since: int) -> None:
    """Wait until the speaker gives out something after byte `since`."""
    end_s = time.monotonic() + 60
    while time.monotonic() < end_s:
        raw = recording.read_bytes()[since:]
        if np.abs(np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<i2").astype(int)).max(initial=0) > 1000:
            return
        time.sleep(0.02)
    raise RuntimeError("no sound within 60 s")


def main() -> None:
    print(f"{'fault':<62}{'median':>8}{'95th':>8}{'longest':>8}   s")
    fault("sound card lost, its speaker can be had", "ears", lost_line)
    fault("recogniser raises", "ears", broken_ear)
    fault("recogniser's process hangs", "ears", child("Hangs"))
    fault("recogniser's process turns in circles", "ears", child("Spins"))
    fault("recogniser's process aborts", "ears", child("Aborts"))
    fault("recogniser's process prints rubbish", "ears", child("PrintsRubbish"))
    fault("disk full", "disk", full_disk)
    fault("signal", "signal", signalled)
    fault("voice stuck on a prompt that is not rendered", "voice", stuck_voice)
    fault("terminal stopped (noted, not spoken of; a prompt sounds)", "screen", stuck_screen)
    if reason := virtual_card.missing():
        print(f"left out: {reason}")
    else:
        on_the_card()
        print_times("phoneme engine, from the kill to the first sound of speech", apart("--kills", str(RUNS)))
    replies()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--fault"]:
        once(sys.argv[2])
    elif sys.argv[1:2] == ["--kills"]:
        kills(int(sys.argv[2]))
    else:
        main()
