"""Rule 21: a session whose process is killed continues in another one, and so does its terminal."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from faults_driver import cut_off
from program import Program
from rich.console import Console

from voicecoach.runtime import supervisor
from voicecoach.session.events import Heard, Reopened

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="is about POSIX signals")


def script(text: str) -> tuple[str, ...]:
    return (sys.executable, "-c", text)


def keep(text: str, console: Console | None = None) -> int:
    return supervisor.supervise(script(text), console or Console(quiet=True), slowly_s=0.1)


DIES_TWICE = """
import os, pathlib, sys
with open({file!r}, "a") as file:
    file.write(os.environ["VOICECOACH_SUPERVISED"] + "\\n")
tries = pathlib.Path({file!r}).read_text().splitlines()
if len(tries) < 3:
    os.kill(os.getpid(), 9) if len(tries) == 1 else sys.exit(1)
sys.exit(0)
"""


def test_a_process_that_dies_is_restarted_and_reported(tmp_path: Path) -> None:
    file = tmp_path / "tries"
    assert keep(DIES_TWICE.format(file=str(file))) == 0
    assert file.read_text().split() == ["first", "again", "again"]


@pytest.mark.parametrize("status", [2, 130])
def test_with_nothing_to_continue_the_first_status_is_passed_on(status: int) -> None:
    text = f"import os, sys; sys.exit({status} if os.environ['VOICECOACH_SUPERVISED'] == 'first' else 75)"
    assert keep(text) == status


def test_a_kill_with_nothing_to_continue_is_passed_on_as_a_shell_does() -> None:
    text = "import os, sys; os.kill(os.getpid(), 9) if os.environ['VOICECOACH_SUPERVISED'] == 'first' else sys.exit(75)"
    assert keep(text) == 137


def test_a_crash_loop_says_what_to_do_on_paper_and_keeps_trying(tmp_path: Path) -> None:
    file = tmp_path / "tries"
    text = f"""
import pathlib, sys
with open({str(file)!r}, "a") as out: out.write("x")
sys.exit(0 if len(pathlib.Path({str(file)!r}).read_text()) == 5 else 1)
"""
    shown = tmp_path / "shown"
    with shown.open("w") as out:
        assert keep(text, Console(file=out)) == 0
    assert shown.read_text().count("paper card") == 2  # after the third and the fourth death
    assert len(file.read_text()) == 5


def test_a_signal_to_the_supervisor_reaches_the_session_and_ends_neither_by_itself(tmp_path: Path) -> None:
    noted = tmp_path / "noted"
    child_program = f"""
import pathlib, signal, sys, time
def note(number, frame):
    pathlib.Path({str(noted)!r}).write_text(str(number)); sys.exit(0)
signal.signal(signal.SIGTERM, note)
print("ready", flush=True)
time.sleep(20)
"""
    supervisor_program = f"""
import sys
from rich.console import Console
from voicecoach.runtime import supervisor
sys.exit(supervisor.supervise((sys.executable, "-c", {child_program!r}), Console(quiet=True)))
"""
    with subprocess.Popen(script(supervisor_program), stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGHUP)
        time.sleep(0.2)
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    assert noted.read_text() == str(int(signal.SIGTERM))


def test_a_killed_session_continues_by_itself_with_what_is_worn(program: Program) -> None:
    program.until("I stopped.")  # started by hand it finds the open session too
    before = program.pid
    killed = time.monotonic()
    program.kill()
    program.until("I stopped.", limit_s=15)
    took_s = time.monotonic() - killed
    print(f"first words back on the screen {took_s:.2f} s after the kill")
    assert took_s < 10  # rule 21's own bound
    assert program.pid != before
    program.until("Right?")
    time.sleep(8)  # it takes so long to be said
    program.type("right")
    program.until("Spread gel over both gloves.")
    # the terminal's own end does not end the session either, nor is a polite request
    os.kill(program.pid, signal.SIGHUP)
    program.until("signal: SIGHUP")
    program.process.send_signal(signal.SIGTERM)
    program.until("signal: SIGTERM")
    time.sleep(0.3)
    events = program.session.events
    assert [event.kind for event in events].count("opened") == 1
    assert len([event for event in events if isinstance(event, Reopened)]) == 2
    assert any(isinstance(event, Heard) and event.command == "right" for event in events)


@pytest.mark.long
def test_a_session_is_taken_up_again_without_a_sound_card_and_without_its_recogniser(tmp_path: Path) -> None:
    cut_off(tmp_path / "records" / "session", ear="vosk")
    # a folder that is not a model, and a card that nobody has
    options = ("--engine", "vosk", "--model", str(tmp_path), "--device", "not-there", "--speaker", "not-there")
    program = Program(tmp_path / "records", *options)
    try:
        program.until("I stopped.")
        program.until("ears:")
        program.until("I cannot hear.")
        program.until("Spread gel over both gloves.", limit_s=60)
        program.type("stop")  # a key still counts
        program.until("stopped:")
    finally:
        program.end()


@pytest.fixture
def aborting(tmp_path: Path) -> Path:
    """A folder whose sound library ends whoever imports it; for PYTHONPATH."""
    folder = tmp_path / "aborting"
    folder.mkdir()
    (folder / "sounddevice.py").write_text("import os\nos.abort()\n")
    return folder


@pytest.mark.long
def test_a_sound_library_that_aborts_does_not_keep_a_session_from_being_taken_up(
    tmp_path: Path, aborting: Path
) -> None:
    cut_off(tmp_path / "records" / "session", ear="vosk")
    options = ("--engine", "vosk", "--model", str(tmp_path))  # a folder that is no model: quicker than a real one
    began = time.monotonic()
    program = Program(tmp_path / "records", *options, PYTHONPATH=str(aborting))
    try:
        program.until("I stopped.")
        print(f"first words on the screen {time.monotonic() - began:.2f} s after the start")
        program.until("sound library dies")
        program.until("I cannot hear.")
        before = program.pid
        program.until("Spread gel over both gloves.", limit_s=60)  # it has been tried again and again by then
        program.type("stop")
        program.until("stopped:")
        assert program.pid == before
        assert len([event for event in program.session.events if isinstance(event, Reopened)]) == 1
    finally:
        program.end()


def test_a_sound_library_that_aborts_before_the_session_begins_is_one_line(tmp_path: Path, aborting: Path) -> None:
    program = Program(tmp_path / "records", "--engine", "phonemes", PYTHONPATH=str(aborting))
    program.until("error: sound card: the system's sound library dies")
    assert program.process.wait(20) == 2
    assert not list((tmp_path / "records").glob("*"))


def test_a_terminal_that_goes_does_not_keep_a_session_from_being_taken_up(tmp_path: Path) -> None:
    cut_off(tmp_path / "records" / "session")
    program = Program(tmp_path / "records")
    try:
        program.until("I stopped.")
        before = program.pid
        program.stop_reading()
        program.kill()
        end = time.monotonic() + 15
        while len([e for e in program.session.events if isinstance(e, Reopened)]) < 2 and time.monotonic() < end:
            time.sleep(0.1)
        assert program.pid != before
        assert program.process.poll() is None
    finally:
        program.end()


def test_a_signal_before_anything_is_worn_ends_it(tmp_path: Path) -> None:
    program = Program(tmp_path / "records")
    try:
        program.until("Training only, an")
        program.process.send_signal(signal.SIGTERM)
        assert program.process.wait(20) == 130
    finally:
        program.process.kill()
        program.process.wait(10)


def test_a_crash_loop_can_be_ended_by_hand_and_says_how(tmp_path: Path) -> None:
    noted: list[float] = []
    shown = tmp_path / "shown"
    with shown.open("w") as out:
        command = script("import sys; sys.exit(1)")
        console = Console(file=out)
        status = supervisor.supervise(
            command, console, slowly_s=0.1, end_requested=lambda after_s: not noted.append(after_s)
        )
    assert status == 1
    assert noted == [0.1]
    assert "type nothing worn here and press Enter" in shown.read_text()


def test_only_the_whole_word_ends_a_crash_loop() -> None:
    text = "from voicecoach.runtime import supervisor; print(supervisor.typed_word(1.0))"
    for typed, ends in (("nothing worn\n", True), ("Nothing WORN \n", True), ("nothing\n", False), ("", False)):
        done = subprocess.run(script(text), input=typed, capture_output=True, text=True, check=True)
        assert done.stdout.strip() == str(ends)
