"""Rule 19: the keyboard and the foot-switch keep working whatever bytes come, or their loss is said and repaired."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest

from voicecoach import grammar as grammars
from voicecoach.audio.line import Block
from voicecoach.errors import EngineError
from voicecoach.listen import keyboard
from voicecoach.listen.keyboard import AT_ONCE, FLOOD, KeyboardRecogniser
from voicecoach.runtime import library
from voicecoach.session.events import Event, Heard

GRAMMAR = grammars.parse((library.folder("grammars") / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
EVERYTHING = tuple(command.name for command in GRAMMAR.commands)
ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(sys.platform == "win32", reason="is about POSIX terminals and pipes")


def block(at: int) -> Block:
    return Block(at, np.zeros((320, 1), np.float32), np.zeros(320, np.float32))


def wait(found: Callable[[], bool], limit_s: float = 5.0) -> None:
    end_s = time.monotonic() + limit_s
    while not found():
        assert time.monotonic() < end_s
        time.sleep(0.005)


class Keys:
    """A keyboard at the near end of a pipe or a terminal."""

    made: ClassVar[list[KeyboardRecogniser]] = []

    def __init__(self, near: int, *, alone: bool = False, live: tuple[str, ...] = EVERYTHING) -> None:
        self.ear = KeyboardRecogniser(GRAMMAR, Numbered(near), alone=alone)  # type: ignore[arg-type]
        self.ear.listen(live)
        Keys.made.append(self.ear)
        self.heard: list[Event] = []
        self._at = 0

    def words(self, count: int = 1) -> list[str | None]:
        """The commands heard, as soon as there are so many."""
        wait(lambda: len(self.feed()) >= count)
        return [event.command for event in self.heard if isinstance(event, Heard)]

    def feed(self) -> list[Event]:
        self._at += 320
        self.ear.feed(block(self._at))
        self.heard += self.ear.poll()
        return self.heard


class Numbered:
    """A stream as far as the keyboard asks for one."""

    def __init__(self, number: int) -> None:
        self._number = number

    def fileno(self) -> int:
        return self._number


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    yield
    while Keys.made:
        Keys.made.pop().close()


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    near, far = os.pipe()
    yield near, far
    for end in (near, far):
        try:
            os.close(end)
        except OSError:
            continue


def typed_keys(text: str, live: tuple[str, ...]) -> list[tuple[str | None, str, str]]:
    ear = KeyboardRecogniser(GRAMMAR, io.StringIO(text))
    ear.listen(live)
    found: list[Event] = []
    at = 0

    def finished() -> bool:
        nonlocal at, found
        ear.feed(block(at))
        found += ear.poll()
        at += 320
        return ear.finished

    wait(finished)
    heard = [event for event in found if isinstance(event, Heard)]
    assert all(event.source == "key" and event.at % 320 == 0 for event in heard)
    return [(event.command, event.role, event.phrase) for event in heard]


def test_keys_say_who_presses_them() -> None:
    assert typed_keys("done\no: confirm\nA: gown off\nw:breach\nnonsense\n", EVERYTHING) == [
        ("done", "wearer", "done"),
        ("confirm", "observer", "confirm"),
        ("gown-off", "assistant", "gown off"),
        ("breach", "wearer", "breach"),
        (None, "wearer", "nonsense"),
    ]


def test_the_foot_switch_gives_the_one_routine_answer_that_is_live() -> None:
    assert typed_keys("\n", ("dry", "breach", "confirm")) == [("dry", "wearer", "foot-switch")]
    # at a timed step "done" is heard as well, in order to be refused with a hint
    assert typed_keys("\n", ("done", "rubbing")) == [("rubbing", "wearer", "foot-switch")]


@pytest.mark.parametrize("live", [("clear", "breach"), ("gown-off",), (), ("rubbing", "dry")])
def test_the_foot_switch_never_gives_an_inspection_or_what_matters_or_a_guess(live: tuple[str, ...]) -> None:
    assert typed_keys("\n", live) == [(None, "wearer", "foot-switch")]


def test_a_closed_keyboard_gives_nothing_more() -> None:
    ear = KeyboardRecogniser(GRAMMAR, io.StringIO("done\n"))
    ear.close()
    ear.close()
    ear.feed(block(0))
    assert ear.poll() == []


@posix
def test_bytes_that_are_no_text_are_one_word_that_is_not_understood(pipe: tuple[int, int]) -> None:
    keys = Keys(pipe[0])
    os.write(pipe[1], b"done\n\xff\xfe\xe9done\n\x00\nbreach\n")
    assert keys.words(4) == ["done", None, None, "breach"]
    assert keys.ear.trouble is None


@posix
def test_a_line_may_come_in_pieces_and_end_as_any_system_ends_it(pipe: tuple[int, int]) -> None:
    keys = Keys(pipe[0])
    for piece in (b"br", b"each\r", b"done\r\n", b"", b"stop"):
        os.write(pipe[1], piece)
        time.sleep(0.02)
    os.write(pipe[1], b"\n")
    assert [word for word in keys.words(3) if word][:3] == ["breach", "done", "stop"]


@posix
@pytest.mark.parametrize("paste", [b"done\n" * 2_000_000, b"x" * 10_000_000 + b"\n", b"\n" * 10_000_000])
def test_a_paste_of_ten_megabytes_is_reported_and_the_keys_keep_working(
    paste: bytes, pipe: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keyboard, "AGAIN_S", 0.3)
    keys = Keys(pipe[0])
    begin = time.monotonic()
    left = memoryview(paste)
    while left:
        left = left[os.write(pipe[1], left) :]
    wait(lambda: keys.ear.trouble == FLOOD)
    took_s = time.monotonic() - begin
    keys.feed()
    assert len(keys.heard) <= AT_ONCE + keyboard.A_SECOND * took_s + 1
    wait(lambda: keys.ear.trouble is None)
    before = len(keys.feed())
    os.write(pipe[1], b"breach\n")
    assert keys.words(before + 1)[-1] == "breach"


@posix
def test_a_pipe_that_ends_is_reported_and_read_again_when_somebody_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keyboard, "AGAIN_S", 0.05)
    path = tmp_path / "pedal"
    os.mkfifo(path)
    near = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    far = os.open(path, os.O_WRONLY)
    os.set_blocking(near, True)
    keys = Keys(near)
    os.write(far, b"done\n")
    assert keys.words() == ["done"]
    os.close(far)
    wait(lambda: keys.ear.trouble == "the keyboard's input has ended")
    far = os.open(path, os.O_WRONLY)
    os.write(far, b"breach\n")
    assert keys.words(2) == ["done", "breach"]
    assert keys.ear.trouble is None
    os.close(far)
    keys.ear.close()


@posix
def test_a_keyboard_that_was_never_there_is_not_a_loss() -> None:
    null = os.open(os.devnull, os.O_RDONLY)
    keys = Keys(null)
    wait(lambda: bool(keys.feed()) or keys.ear.finished)
    assert keys.ear.trouble is None
    os.close(null)


@posix
def test_with_no_other_recogniser_a_keyboard_that_is_gone_is_a_recogniser_that_failed(
    pipe: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keyboard, "AGAIN_S", 0.05)
    keys = Keys(pipe[0], alone=True)
    os.write(pipe[1], b"done\n")
    assert keys.words() == ["done"]
    os.close(pipe[1])
    wait(lambda: keys.ear.trouble is not None)
    with pytest.raises(EngineError, match="input has ended"):
        keys.feed()
    with pytest.raises(EngineError, match="input has ended"):
        keys.ear.restart()


@posix
def test_ctrl_d_at_a_terminal_is_not_its_end() -> None:
    import pty  # noqa: PLC0415 POSIX only

    far, near = pty.openpty()
    keys = Keys(near)
    time.sleep(keyboard.QUICK_S + 0.1)
    for text in (b"done\n", b"\x04", b"breach\n"):
        os.write(far, text)
        time.sleep(keyboard.QUICK_S + 0.1)
    assert keys.words(2) == ["done", "breach"]
    assert keys.ear.trouble is None
    os.close(far)
    wait(lambda: keys.ear.trouble is not None)  # a terminal that is closed is
    os.close(near)


@posix
def test_a_terminal_read_from_the_background_stops_nothing(tmp_path: Path) -> None:
    # as after its supervisor was killed: the shell has taken the terminal back
    text = (
        "import os, pty, sys, time\n"
        "from test_listen_keyboard import Keys, wait\n"
        "keys = Keys(0)\n"
        "wait(lambda: keys.ear.trouble is not None, 10)\n"
        "open(sys.argv[1], 'w').write(keys.ear.trouble)\n"
    )
    import pty  # noqa: PLC0415 POSIX only

    said = tmp_path / "said"
    pid, far = pty.fork()
    if pid == 0:  # the shell: its job runs in the background of its terminal
        subprocess.Popen(
            [sys.executable, "-c", text, str(said)], process_group=0, stdout=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{Path(__file__).parent}"},
        )  # fmt: skip
        time.sleep(30)
        os._exit(0)
    try:
        wait(lambda: said.exists() and bool(said.read_text()), 20)
        assert "cannot be read" in said.read_text()
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(far)


def test_a_keyboard_alone_gives_words_that_are_not_live_yet_for_the_session_to_judge(pipe: tuple[int, int]) -> None:
    """On a screen a question is read before it has been "said"; beside another recogniser only live words count."""
    near, far = pipe
    alone = Keys(near, alone=True, live=("breach",))
    os.write(far, b"right\n")
    assert alone.words() == ["right"]
    assert typed_keys("right\n", ("breach",)) == [(None, "wearer", "right")]
