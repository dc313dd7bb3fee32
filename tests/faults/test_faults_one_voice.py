"""Rule 21: one machine speaks with one voice, whoever starts what and whichever process is killed."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import pytest
from faults_driver import cut_off
from program import Program

from voicecoach.record import lock
from voicecoach.record.journal import now_utc
from voicecoach.record.lock import VOICE, Lock, holder
from voicecoach.runtime import one_voice, supervisor
from voicecoach.runtime.one_voice import InUseError, OneVoice
from voicecoach.session.events import PartLost, Reopened

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="is about POSIX processes")


def wait(found: Callable[[], bool], limit_s: float = 20.0) -> None:
    end_s = time.monotonic() + limit_s
    while not found():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def test_the_lock_holds_whatever_the_name_leads_to(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("not to be touched")
    for make in (
        lambda path: path.symlink_to(precious),
        lambda path: path.symlink_to(tmp_path / "nowhere"),
        lambda path: path.hardlink_to(precious),
        os.mkfifo,
    ):
        folder = tmp_path / "folder"
        folder.mkdir()
        make(folder / lock.NAME)
        one, other = Lock(folder), Lock(folder)
        assert one.take(now_utc())
        assert not other.take(now_utc(), 0.0)
        assert f"process {os.getpid()}" in (holder(folder) or "")
        one.release()
        assert holder(folder) is None
        assert other.take(now_utc())
        other.release()
        (folder / lock.NAME).unlink()
        folder.rmdir()
    assert precious.read_text() == "not to be touched"
    assert not (tmp_path / "nowhere").exists()


def test_a_lock_whose_file_is_taken_away_while_it_is_asked_for_is_asked_for_again(tmp_path: Path) -> None:
    first = Lock(tmp_path)
    assert first.take(now_utc())
    (tmp_path / lock.NAME).unlink()
    second, third = Lock(tmp_path), Lock(tmp_path)
    assert second.take(now_utc())
    assert not third.take(now_utc(), 0.0)


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.ENOSPC])
def test_a_place_without_locks_is_no_reason_to_be_silent(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(lock.os, "open", fail)
    OneVoice(tmp_path).take()


def test_a_second_voice_is_refused_by_name_and_the_first_is_heard_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(one_voice, "WAIT_S", 0.1)
    first, second = OneVoice(tmp_path), OneVoice(tmp_path)
    first.take()
    first.about(Path("/records/one"))
    with pytest.raises(InUseError, match=f"process {os.getpid()} since .*, record /records/one"):
        second.take()
    first.release()
    second.take()


def test_a_voice_that_is_just_falling_silent_is_waited_for(tmp_path: Path) -> None:
    first, second = OneVoice(tmp_path), OneVoice(tmp_path)
    first.take()
    threading.Timer(0.2, first.release).start()
    second.take()


def test_the_right_to_speak_dies_with_its_holder(tmp_path: Path) -> None:
    text = (
        "import sys, time; from pathlib import Path; from voicecoach.runtime.one_voice import OneVoice\n"
        "voice = OneVoice(Path(sys.argv[1])); voice.take(); print('up', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", text, str(tmp_path)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert holder(tmp_path, VOICE) is not None
        process.kill()
        process.wait()
        assert holder(tmp_path, VOICE) is None


class Stopped:
    """In place of a supervisor's process."""

    def __init__(self) -> None:
        self.status: int | None = None

    def poll(self) -> int | None:
        return self.status


def test_a_session_notices_that_its_supervisor_is_gone_and_starts_another() -> None:
    started: list[Stopped] = []
    clock = [0.0]

    def start() -> Any:
        started.append(Stopped())
        return started[-1]

    assert supervisor.SupervisorWatch(None, start).trouble is None
    assert supervisor.SupervisorWatch(os.getppid(), start).trouble is None
    watch = supervisor.SupervisorWatch(os.getppid() + 1, start, lambda: clock[0])
    assert "has ended" in (watch.trouble or "")
    assert len(started) == 1
    assert watch.trouble is None
    started[0].status = -9
    assert watch.trouble is not None  # reported at once, and not started again every moment
    assert len(started) == 1
    clock[0] += supervisor.AGAIN_S
    assert watch.trouble is not None
    assert watch.trouble is None
    assert len(started) == 2


def voices(folder: Path) -> list[int]:
    """The processes that run a session over these records."""
    found = []
    for process in psutil.process_iter(["cmdline", "environ"]):
        with contextlib.suppress(psutil.Error):
            started = process.info["environ"] or {}
            if str(folder) in (process.info["cmdline"] or []) and started.get(supervisor.SUPERVISED) in {
                "first",
                "again",
            }:
                found.append(process.pid)
    return found


def end_all(folder: Path) -> None:
    """End what was started over these records, and by nobody who could end it."""
    for _ in range(3):
        for process in psutil.process_iter(["cmdline"]):
            with contextlib.suppress(psutil.Error):
                if str(folder) in (process.info["cmdline"] or []):
                    process.kill()
        time.sleep(0.2)


def test_with_its_supervisor_killed_a_session_continues_and_a_new_start_is_refused_by_name(tmp_path: Path) -> None:
    out = tmp_path / "records"
    cut_off(out / "session")
    program = Program(out)
    try:
        program.until("I stopped.")
        speaks = program.pid
        program.process.kill()
        program.process.wait(10)
        second = Program(out)
        second.until(f"a session is already running: process {speaks} since")
        assert second.process.wait(20) == 2
        third = Program(tmp_path / "elsewhere", XDG_RUNTIME_DIR=str(tmp_path))
        third.until("a session is already running")
        assert third.process.wait(20) == 2
        program.until("My watcher was ended.")
        assert voices(out) == [speaks]
        lost = [event for event in program.session.events if isinstance(event, PartLost)]
        assert [event.part for event in lost if event.part != "screen"][:1] == ["supervisor"]
        # and what it started does what the first one would have done
        os.kill(speaks, signal.SIGKILL)
        program.until("I stopped.", limit_s=30)
        assert program.pid != speaks
        assert voices(out) == [program.pid]
        assert len([event for event in program.session.events if isinstance(event, Reopened)]) == 2
    finally:
        end_all(out)


def test_no_signal_ends_or_stops_a_session_while_something_is_worn(program: Program) -> None:
    program.until("Right?")
    before = program.pid
    for name in ("SIGQUIT", "SIGTSTP", "SIGTTIN", "SIGUSR1", "SIGALRM", "SIGXCPU", "SIGTERM"):
        os.kill(before, getattr(signal, name))
        program.until(f"signal: {name}")
    for name in ("SIGUSR2", "SIGVTALRM"):  # by way of its supervisor
        os.kill(program.process.pid, getattr(signal, name))
        program.until(f"signal: {name}")
    for name in ("SIGTTIN", "SIGTTOU", "SIGTSTP"):  # a terminal sends these to both
        os.kill(program.process.pid, getattr(signal, name))
    time.sleep(0.3)
    assert program.process.poll() is None
    for pid in (program.process.pid, before):
        assert psutil.Process(pid).status() != psutil.STATUS_STOPPED
    program.type("right")
    program.until("right  [right]", "“right”")
    assert program.pid == before


def test_before_anything_is_worn_a_signal_ends_it(tmp_path: Path) -> None:
    program = Program(tmp_path / "records")
    try:
        program.until("Training only, an")
        program.process.send_signal(signal.SIGQUIT)
        assert program.process.wait(20) == 130
    finally:
        end_all(tmp_path / "records")
