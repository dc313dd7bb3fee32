import gc
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import BLOCK_FRAMES, Block, Samples
from voicecoach.errors import EngineError, InputError
from voicecoach.listen.process import HANG_S, LATE_S, RecogniserProcess
from voicecoach.listen.worker import Spec
from voicecoach.session.events import Event, Heard, PromptEnded, SpeechEnded, SpeechStarted

HERE = Path(__file__).parent


class Twin:
    """Stands for a recogniser: a loud block is a whole utterance of the first live command."""

    def __init__(self, spec: Spec, working: Callable[[], None]) -> None:
        self.live: tuple[str, ...] = ()

    def listen(self, commands: tuple[str, ...]) -> None:
        self.live = commands

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        if heard.max() < 0.5:
            return []
        end = at + len(played)
        command = self.live[0] if self.live else None
        return [SpeechStarted(at), SpeechEnded(end), Heard(end, command=command, begin=at, end=end, engine="twin")]


class Echo(Twin):
    """Answers with what it was fed, to show that the samples arrive."""

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        phrase = f"{heard.shape} {heard[0, 0]:g} {heard[-1, -1]:g} {played.shape} {played[0]:g}"
        return [Heard(at, command=None, phrase=phrase)]


class Floors(Twin):
    """Answers with the floors that it was given."""

    floors: dict[str, float] = {}  # noqa: RUF012 nobody shares it: a child has one

    def set_floors(self, floors: dict[str, float]) -> None:
        self.floors = floors

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        return [Heard(at, command=None, phrase=str(self.floors))]


def faulty(act: Callable[[], object]) -> type[Twin]:
    class Faulty(Twin):
        def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
            if heard.max() >= 0.5:
                act()
            return []

    return Faulty


def pipe() -> Connection:
    return next(item for item in gc.get_objects() if isinstance(item, Connection))


def prints() -> None:
    print("chatter", flush=True)
    os.write(1, b"native chatter\n")
    os.write(2, b"native complaint\n")


def raises() -> None:
    raise ZeroDivisionError("a\nb")


def answers_too_often() -> None:
    for _ in range(9):
        pipe().send_bytes(b'{"events": [[]]}')


Hang = faulty(lambda: time.sleep(600))
Slow = faulty(lambda: time.sleep(0.05))
Abort = faulty(os.abort)
Leave = faulty(lambda: os._exit(3))
Raise = faulty(raises)
Text = faulty(lambda: pipe().send_bytes(b"Segmentation fault? no: just words"))
Half = faulty(lambda: os.write(pipe().fileno(), b"\x00\x00\x01\x00{"))
Long = faulty(lambda: os.write(pipe().fileno(), b"\x7f\xff\xff\xff" * 5))
Wrong = faulty(lambda: pipe().send_bytes(b'{"events": [[{"event": "heard", "at": "now", "command": "done"}]]}'))
More = faulty(answers_too_often)
Print = faulty(prints)


class Foreign(Twin):
    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        return [PromptEnded(at, prompt=1, played_s=1.0, complete=True)]


def refuses(spec: Spec, working: Callable[[], None]) -> Twin:
    raise InputError("'breach' is not in the model", where="en.yaml", expected="words that it knows")


def breaks(spec: Spec, working: Callable[[], None]) -> Twin:
    raise RuntimeError("two\nlines")


def sleeps(spec: Spec, working: Callable[[], None]) -> Twin:
    time.sleep(600)
    return Twin(spec, working)


def spec(name: str) -> Spec:
    return Spec("twin", "", "twin.yaml", factory=f"{__name__}:{name}")


class Clock:
    """A clock that the test sets forward (s)."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def __call__(self) -> float:
        return self.now_s


def block(number: int, level: float = 0.0) -> Block:
    heard = np.full((BLOCK_FRAMES, 1), level, dtype=np.float32)
    return Block(number * BLOCK_FRAMES, heard, np.zeros(BLOCK_FRAMES, dtype=np.float32))


@pytest.fixture
def ears() -> Iterator[list[RecogniserProcess]]:
    opened: list[RecogniserProcess] = []
    yield opened
    for ear in opened:
        ear.close()


def until_error(ear: RecogniserProcess, limit_s: float = 10.0) -> str:
    """Poll as a live loop does until the recogniser says what is wrong."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        try:
            ear.poll()
        except EngineError as error:
            return str(error)
        time.sleep(0.01)
    pytest.fail("the ear says nothing")


def test_in_lockstep_each_poll_answers_for_all_that_was_fed(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Twin"), lockstep=True))
    ear.listen(("done",))
    ear.feed(block(0))
    assert ear.poll() == []
    ear.feed(block(1, 0.9))
    ear.feed(block(2))
    assert [event.kind for event in ear.poll()] == ["speech-started", "speech-ended", "heard"]
    ear.listen(("confirm",))
    ear.feed(block(3, 0.9))
    heard = ear.poll()[-1]
    assert isinstance(heard, Heard)
    assert (heard.command, heard.begin, heard.end) == ("confirm", 960, 1280)


@pytest.mark.parametrize("behind", [1, 4])
def test_a_poll_answers_for_all_blocks_but_the_last_ones(behind: int, ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Twin"), lockstep=True, behind=behind))
    ear.listen(("done",))
    ear.feed(block(0, 0.9))
    for number in range(1, behind):
        assert ear.poll() == []
        ear.feed(block(number))
    time.sleep(0.2)  # however early the answer is there
    assert ear.poll() == []
    ear.feed(block(behind))
    assert [event.kind for event in ear.poll()] == ["speech-started", "speech-ended", "heard"]


def test_samples_of_two_channels_arrive_as_they_were(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Echo"), lockstep=True))
    heard = np.arange(8, dtype=np.float64).reshape(4, 2)
    ear.feed(Block(64, heard.astype(np.float32), np.full(4, 0.25, dtype=np.float32)))
    assert [event.phrase for event in ear.poll() if isinstance(event, Heard)] == ["(4, 2) 0 7 (4,) 0.25"]


def test_a_live_recogniser_never_waits_and_still_answers(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Twin")))
    ear.listen(("done",))
    ear.feed(block(0, 0.9))
    found: list[Event] = []
    end = time.monotonic() + 5
    while not found and time.monotonic() < end:
        found = ear.poll()
    assert [event.kind for event in found] == ["speech-started", "speech-ended", "heard"]


@pytest.mark.parametrize("lockstep", [True, False])
@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("Hang", "recogniser twin: has not answered for 0.3 s"),
        ("Abort", "recogniser twin: died (signal 6)"),
        ("Leave", "recogniser twin: ended (exit status 3)"),
        ("Raise", "recogniser twin: ZeroDivisionError: a b"),
        ("Text", "recogniser twin: sent an invalid answer"),
        ("Half", "recogniser twin: "),  # half an answer reads as nonsense or as silence, by what follows it
        ("Long", "recogniser twin: sent an invalid answer"),
        ("Wrong", "recogniser twin: sent an invalid answer"),
        ("More", "recogniser twin: sent an invalid answer"),
        ("Foreign", "recogniser twin: sent an invalid answer"),
    ],
)
def test_every_fault_of_the_child_is_one_line_and_a_restart_mends_it(
    ears: list[RecogniserProcess], name: str, message: str, lockstep: bool
) -> None:
    ears.append(ear := RecogniserProcess(spec(name), lockstep=lockstep, hang_s=0.3))
    old = ear.pid
    ear.feed(block(0, 0.9))
    if name == "Half":
        ear.feed(block(1))
    said = until_error(ear)
    assert said.startswith(message)
    ear.feed(block(2))  # a dead recogniser may still be fed
    assert until_error(ear) == said
    ear.restart()
    assert ear.pid != old
    if name != "Foreign":
        ear.feed(block(3))
        assert ear.poll() == []


def test_a_new_child_listens_for_what_the_old_one_did(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Twin"), lockstep=True))
    ear.listen(("breach",))
    assert ear.pid is not None
    os.kill(ear.pid, signal.SIGKILL)
    assert until_error(ear) == "recogniser twin: died (signal 9)"
    ear.restart()
    ear.feed(block(9, 0.9))
    heard = ear.poll()[-1]
    assert isinstance(heard, Heard)
    assert heard.command == "breach"


def test_floors_that_were_set_for_a_voice_reach_the_child_and_the_one_after_it(ears: list[RecogniserProcess]) -> None:
    ear = RecogniserProcess(spec("Floors"), lockstep=True)
    ears.append(ear)
    phrases = []
    for number in range(3):
        if number == 1:
            ear.set_floors((("breach", -1.5),))
        elif number == 2:
            ear.restart()
        ear.feed(block(number))
        phrases += [event.phrase for event in ear.poll() if isinstance(event, Heard)]
    assert phrases == ["{}", "{'breach': -1.5}", "{'breach': -1.5}"]


def test_what_was_found_before_the_death_still_comes_out(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Twin"), lockstep=True))
    ear.listen(("breach",))
    ear.feed(block(0, 0.9))
    ear._link.settle(10, 0)
    assert ear.pid is not None
    os.kill(ear.pid, signal.SIGKILL)
    ear._link.process.join()
    assert len(ear.poll()) == 3
    assert until_error(ear) == "recogniser twin: died (signal 9)"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("refuses", "recogniser twin: en.yaml: 'breach' is not in the model; expected words that it knows"),
        ("breaks", "recogniser twin: RuntimeError: two lines"),
        ("missing", "recogniser twin: AttributeError: module "),
        ("sleeps", "recogniser twin: was not ready within 2 s"),
    ],
)
def test_a_child_that_cannot_start_says_why_in_one_line(name: str, message: str) -> None:
    with pytest.raises(EngineError) as caught:
        RecogniserProcess(spec(name), ready_s=2 if name == "sleeps" else 30)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


def test_a_child_that_has_nothing_to_answer_is_not_taken_for_hung(ears: list[RecogniserProcess]) -> None:
    clock = Clock()
    ears.append(ear := RecogniserProcess(spec("Twin"), now_s=clock))
    clock.now_s += 3600
    assert ear.poll() == []


def test_a_child_that_sleeps_over_what_it_was_fed_is_taken_for_hung(ears: list[RecogniserProcess]) -> None:
    clock = Clock()
    ears.append(ear := RecogniserProcess(spec("Hang"), now_s=clock))
    ear.feed(block(0, 0.9))
    clock.now_s += 0.9 * HANG_S
    assert ear.poll() == []
    clock.now_s += LATE_S
    with pytest.raises(EngineError, match="has not answered"):
        ear.poll()


def test_a_child_that_lags_but_answers_is_not_taken_for_hung(ears: list[RecogniserProcess]) -> None:
    ears.append(ear := RecogniserProcess(spec("Slow"), hang_s=0.5))
    for number in range(30):
        ear.feed(block(number, 0.9))
    time.sleep(0.8)  # longer than hang_s, and the child needs 1.5 s for all
    ear.poll()
    assert ear.lag_s > 0.5


def test_a_hung_child_never_holds_the_feeding_loop_up(ears: list[RecogniserProcess]) -> None:
    # 20 s of sound are far more than a pipe holds; a blocked write would end this test at its limit of hang_s
    ears.append(ear := RecogniserProcess(spec("Hang"), hang_s=600))
    began = time.monotonic()
    for number in range(1000):
        ear.feed(block(number, 0.9))
        ear.poll()
    assert time.monotonic() - began < 60


def test_closing_twice_is_safe_and_leaves_no_process() -> None:
    ear = RecogniserProcess(spec("Twin"))
    ear.close()
    ear.close()
    assert not ear._link.process.is_alive()
    ear.feed(block(0))
    assert ear.poll() == []


def test_closing_waits_for_the_status_that_another_thread_is_just_taking() -> None:
    ear = RecogniserProcess(spec("Twin"))
    process = ear._link.process
    real, dead_s = process._popen.poll, []  # type: ignore[attr-defined]

    def late(flag: int = os.WNOHANG) -> int | None:
        if (code := real(flag)) is not None:
            dead_s.append(time.monotonic())
        return code if dead_s and time.monotonic() - dead_s[0] > 0.1 else None

    process._popen.poll = late  # type: ignore[attr-defined]
    ear.close()
    assert not process.is_alive()


SCRIPT = """
import sys, time
sys.path[:0] = [{here!r}]
import numpy as np
from voicecoach.audio.line import Block
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.worker import Spec

if __name__ == "__main__":
    ear = RecogniserProcess(Spec("twin", "", "", factory="test_listen_process:{name}"), hang_s=600)
    print(ear.pid, flush=True)
    ear.feed(Block(0, np.ones((320, 1), np.float32), np.zeros(320, np.float32)))
    time.sleep({sleep})
    ear.poll()
    ear.close()
"""


def gone(pid: int, limit_s: float = 5.0) -> bool:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        stat = Path(f"/proc/{pid}/stat")
        if stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z":
            return True  # ended; nobody here reaps orphans
        time.sleep(0.05)
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="asks after a process as POSIX does")
@pytest.mark.parametrize("name", ["Twin", "Hang"])
def test_nothing_is_left_when_the_parent_is_killed(tmp_path: Path, name: str) -> None:
    script = tmp_path / "parent.py"
    script.write_text(SCRIPT.format(here=str(HERE), name=name, sleep=600))
    with subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, cwd=HERE.parents[1], env=with_path()
    ) as run:
        assert run.stdout is not None
        pid = int(run.stdout.readline())
        time.sleep(0.2)
        assert not gone(pid, 0.1)
        run.kill()
    assert gone(pid)


def test_what_the_child_prints_reaches_neither_output(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(SCRIPT.format(here=str(HERE), name="Print", sleep=0.5))
    done = subprocess.run(
        [sys.executable, script],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        cwd=HERE.parents[1],
        env=with_path(),
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip().isdigit()


def with_path() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(HERE.parents[1])}
