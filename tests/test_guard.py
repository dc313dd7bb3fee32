"""The program's outer edge: whatever it is given, one line, an exit status of 2, and nothing left behind."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from voicecoach import grammar
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block
from voicecoach.audio.wav import Recording, WavLine, read_wav
from voicecoach.cli import guard
from voicecoach.cli.main import main
from voicecoach.errors import InputError
from voicecoach.listen import scripted
from voicecoach.listen.worker import Spec
from voicecoach.record import disk, journal
from voicecoach.runtime import app, hear, library, prompt_check, supervisor
from voicecoach.session.events import Event, Heard
from voicecoach.speak.cache import Cache
from voicecoach.speak.silent import SilentVoice
from voicecoach.system import files

posix = pytest.mark.skipif(sys.platform == "win32", reason="is about POSIX")
ROOT = Path(__file__).parents[1]
SCRIPT = "+1 wearer: practice run\n"


@pytest.fixture
def script(tmp_path: Path) -> Path:
    path = tmp_path / "script.txt"
    path.write_text(SCRIPT)
    return path


def program(*arguments: object, ending: str = "", **variables: str) -> subprocess.CompletedProcess[str]:
    """The program as a shell starts it; `ending` is what the command line ends with."""
    places = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"}
    places.pop(supervisor.SUPERVISED, None)
    quoted = " ".join(f"'{word}'" for word in (sys.executable, "-m", "voicecoach", *arguments))
    return subprocess.run(
        ["sh", "-c", f"{quoted} {ending}"], env=places | variables, stdin=subprocess.DEVNULL, capture_output=True,
        text=True, check=False, timeout=60,
    )  # fmt: skip


def refused(done: subprocess.CompletedProcess[str]) -> str:
    """Its one line."""
    (line,) = done.stderr.splitlines()
    assert done.returncode == 2, done
    assert "Traceback" not in done.stdout
    assert "unexpected error" not in line
    return line


def called(*arguments: object) -> str:
    """The one line of the program called in this process."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    assert "unexpected error" not in line
    return line


def test_brackets_in_a_path_are_a_path(tmp_path: Path, script: Path) -> None:
    out = tmp_path / "x" / "[/]"
    result = CliRunner().invoke(main, ["run", "short-practice", "--typed", str(script), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "[/]" in result.output
    assert list(out.iterdir())


@pytest.mark.parametrize(
    "command",
    [
        ["run", "{}", "--typed", "{script}"], ["run", "short-practice", "--typed", "{script}", "--out", "{}"],
        ["run", "short-practice", "--typed", "{}"], ["run", "short-practice", "--input", "{}"],
        ["run", "short-practice", "--grammar", "{}", "--typed", "{script}"], ["hear", "{}"], ["check", "{}"],
        ["card", "{}"], ["timeline", "{}"], ["report", "{}"], ["replay", "{}"],
    ],
)  # fmt: skip
def test_a_path_of_300_characters_is_reported_in_one_line(command: list[str], script: Path, tmp_path: Path) -> None:
    long = "a" * 300
    before = sorted(tmp_path.iterdir())
    assert long[:200] in called(*(word.format(long, script=script) for word in command))
    assert sorted(tmp_path.iterdir()) == before


@posix
@pytest.mark.parametrize(
    "command",
    [
        ["run", "{}", "--typed", "{script}"], ["run", "short-practice", "--typed", "{}"],
        ["run", "short-practice", "--input", "{}"], ["hear", "{}"], ["check", "{}"], ["card", "{}"],
        ["run", "short-practice", "--site", "{}", "--typed", "{script}"],
        ["run", "short-practice", "--grammar", "{}", "--typed", "{script}"],
    ],
)  # fmt: skip
def test_what_never_ends_is_not_waited_for(command: list[str], script: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero")):
        begin = time.monotonic()
        said = called(*(word.format(path, script=script) for word in command), *_out(command, tmp_path))
        assert f"{path}: cannot be read" in said
        assert time.monotonic() - begin < 10
    assert sorted(file.name for file in tmp_path.iterdir()) == ["pipe", "script.txt"]


def _out(command: list[str], folder: Path) -> list[str]:
    return ["--out", str(folder / "records")] if command[0] == "run" else []


@posix
def test_a_closed_input_is_not_a_keyboard(tmp_path: Path) -> None:
    said = refused(program("run", "short-practice", "--typed", "--out", tmp_path / "records", ending="<&-"))
    assert "there is no keyboard" in said
    assert not (tmp_path / "records").exists()


@posix
def test_a_terminal_that_knows_only_ascii_is_written_to(tmp_path: Path, script: Path) -> None:
    done = program(
        "run", "short-practice", "--typed", script, "--out", tmp_path / "records", PYTHONIOENCODING="ascii:strict"
    )
    assert done.returncode == 0, done.stderr
    assert "?practice run?" in done.stdout  # the marks around it


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
@pytest.mark.parametrize("command", [["card", "short-practice"], ["--version"]])
def test_an_output_that_is_full_is_reported_in_one_line(command: list[str]) -> None:
    assert "the output cannot be written" in refused(program(*command, ending=">/dev/full"))


@posix
def test_closed_outputs_are_no_reason_to_fail_or_to_write_into_a_record(tmp_path: Path, script: Path) -> None:
    done = program("run", "short-practice", "--typed", script, "--out", tmp_path / "records", ending=">&- 2>&-")
    assert done.returncode == 0
    (folder,) = (tmp_path / "records").glob("2*")
    assert b"coach   " not in (folder / "events.jsonl").read_bytes()


@pytest.mark.parametrize("escape", [r"\ud800", r"\e[2J", r"\0", r"\x9b"])
def test_half_characters_and_commands_to_the_terminal_are_refused_in_a_protocol(escape: str, tmp_path: Path) -> None:
    text = (library.folder("protocols") / "short-practice.yaml").read_text(encoding="utf-8")
    path = tmp_path / "changed.yaml"
    path.write_text(text.replace("say: Wear the gown and fasten it.", f'say: "Wear the gown{escape}."'))
    said = called("check", path)
    assert said.startswith("error: changed.yaml:")
    assert "which cannot be shown" in said or "is not YAML" in said
    assert said.isprintable()


@pytest.mark.skipif(sys.platform != "linux", reason="reads Linux's table of users")
@pytest.mark.skipif(getattr(os, "getuid", lambda: 1)() != 0, reason="only root can become a user that is not there")
def test_without_a_home_and_a_user_a_folder_is_asked_for() -> None:
    text = (
        "import os, sys; from voicecoach.cli.main import main; import voicecoach.runtime.options as options;"
        "import voicecoach.system.files as files; os.environ.pop('HOME', None); os.setuid(54321);"
        "[os.environ.pop(name, None) for name in list(os.environ) if name.startswith('XDG')];"
        "print(files.cache_folder(), files.data_folder()); options.sessions_folder(None)"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.stdout.split() == [str(files.NOWHERE)] * 2, done.stderr
    assert "InputError: there is no home folder" in done.stderr


@pytest.mark.parametrize("content", [b"[" * 200_000, b"\xff\xfe", b'{"a": 1}', b"[1, 2]\n[", b'["a", "breach"]\n\0'])
def test_a_damaged_line_of_the_cache_costs_nothing(content: bytes, tmp_path: Path) -> None:
    (tmp_path / prompt_check.FILE).write_bytes(content)

    text = (library.folder("grammars") / "en.yaml").read_text(encoding="utf-8")
    voice, spec = SilentVoice(), Spec("phonemes", text, "en.yaml")
    known = prompt_check.Facts(voice, spec, cache=tmp_path, shipped=())
    assert known.get("prompt", ()) is None
    known.put("prompt", (), "breach")
    assert prompt_check.Facts(voice, spec, cache=tmp_path, shipped=()).get("prompt", ()) == "breach"


@posix
def test_a_pipe_in_the_cache_of_speech_is_skipped(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "key.wav")
    assert Cache(tmp_path).get("key") is None


@posix
@pytest.mark.parametrize("kilobytes", [50_000, 150_000])
def test_with_too_little_memory_it_says_so(kilobytes: int) -> None:
    text = f"ulimit -v {kilobytes}; exec '{sys.executable}' -m voicecoach protocols"
    done = subprocess.run(["sh", "-c", text], capture_output=True, text=True, check=False, cwd=ROOT)
    assert "memory" in refused(done)


@posix
@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.2, 0.4])
def test_ctrl_c_while_it_starts_is_one_line(after_s: float, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "voicecoach", "run", "short-practice", "--typed", "--out", str(tmp_path / "out")]
    places = {name: value for name, value in os.environ.items() if name != supervisor.SUPERVISED}
    # before this, the interpreter itself is not ready to be interrupted
    (tmp_path / "sitecustomize.py").write_text(
        "import os, signal\n"
        "first = signal.signal\n"
        "def tell(number, handler):\n"
        "    signal.signal = first\n"
        "    first(number, handler)\n"
        "    os.write(1, b'up')\n"
        "signal.signal = tell\n"
    )
    places["PYTHONPATH"] = f"{tmp_path}{os.pathsep}{ROOT}"
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT,
        env=places, start_new_session=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        process.stdout.read(2)
        time.sleep(after_s)
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does
        _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert err.decode().splitlines() == ["error: interrupted; nothing recorded is lost"]
    assert not list((tmp_path / "out").glob("*"))


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (MemoryError(), "not enough memory"),
        (RecursionError("deep"), "unexpected error: RecursionError: deep (test_guard.py:"),
        (OSError(28, "No space left on device"), "the output cannot be written: No space left on device"),
        (FileNotFoundError(2, "No such file", "a[/]b"), "a[/]b: No such file"),
        (InputError("is wrong", where="here"), "here: is wrong"),
    ],
)
def test_whatever_is_raised_is_one_line(error: Exception, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: str) -> Any:
        raise error

    monkeypatch.setattr(library, "names", fail)
    result = CliRunner().invoke(main, ["protocols"])
    assert result.exit_code == guard.UNUSABLE
    (line,) = result.stderr.splitlines()
    assert words in line


def test_a_reader_that_has_gone_is_not_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(library, "names", lambda _: (_ for _ in ()).throw(BrokenPipeError(32, "Broken pipe")))
    monkeypatch.setattr(guard, "silence_stdout", lambda: None)
    assert CliRunner().invoke(main, ["protocols"]).exit_code == 0


def test_a_grammar_without_a_danger_word_is_refused_when_it_is_read() -> None:
    words = (library.folder("grammars") / "ko.yaml").read_text(encoding="utf-8")
    with pytest.raises(InputError, match=r"ko\.yaml:\d+: commands: has no danger word"):
        grammar.parse(words.replace("  danger:\n    breach:", "  stop:\n    stop:", 1), "ko.yaml")


def test_a_script_line_that_can_never_come_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scripted, "WAITS_S", 60.0)  # all the same, and sooner
    # nothing is answered: the question comes again, and again, sooner than the script's quiet
    path = tmp_path / "script.txt"
    path.write_text("+1 wearer: practice run\n+1 wearer: yes\n+310 wearer: step complete\n")
    result = CliRunner().invoke(
        main, ["run", "short-practice", "--typed", str(path), "--out", str(tmp_path / "records")]
    )
    assert result.exit_code == 2, result.output
    assert f"{path}:3: this line can never be said" in result.stderr


def test_a_scripted_session_that_lost_lines_of_its_record_does_not_end_as_if_all_were_well(
    tmp_path: Path, script: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, count = disk.OwnFile.write, itertools.count()

    def full(self: disk.OwnFile, data: bytes) -> None:
        if next(count) > 2:
            raise OSError(28, "No space left on device")
        write(self, data)

    monkeypatch.setattr(disk.OwnFile, "write", full)
    monkeypatch.setattr(journal, "UNHURRIED_S", 0.05)
    done = CliRunner().invoke(
        main, ["run", "short-practice", "--typed", str(script), "--out", str(tmp_path / "records")]
    )
    assert done.exit_code == app.LINES_LOST
    assert "lines of the record could not be written" in done.stdout


def long_recording(path: Path, minutes: int, channels: int = 1) -> Path:
    """A file as long as that which takes no room on the disk."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(2)
        out.setframerate(3 * RATE_HZ)
        out.writeframes(b"")
    size = minutes * 60 * 3 * RATE_HZ * 2 * channels
    head = bytearray(path.read_bytes())
    head[40:44] = size.to_bytes(4, "little")
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + size)
    return path


@pytest.mark.skipif(sys.platform != "linux", reason="reads Linux's own figures")
def test_a_recording_of_hours_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    path = long_recording(tmp_path / "long.wav", 120)
    text = (
        "import resource, sys; from pathlib import Path; from voicecoach.audio.wav import Recording, WavLine\n"
        "line = WavLine(Recording(Path(sys.argv[1])), tail_s=0.1)\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "for _ in range(int(sys.argv[2])): line.read(0.0)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)"
    )
    done = subprocess.run(
        [sys.executable, "-c", text, str(path), "60000"], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert int(done.stdout) < 20_000  # KiB; in one piece it would be 600 MB


def test_what_was_heard_in_a_long_recording_is_taken_as_it_goes(tmp_path: Path) -> None:
    class Ear:
        fed = most = polls = 0

        def feed(self, block: Block) -> None:
            self.fed += len(block.heard)

        def poll(self) -> list[Event]:
            self.most, self.fed, self.polls = max(self.most, self.fed), 0, self.polls + 1
            return [Heard(self.polls, "done")]

    ear = Ear()
    path = long_recording(tmp_path / "long.wav", 2)
    found = hear.Recordings(ear).hear(path)  # type: ignore[arg-type]
    assert next(found).heard.at == 1
    assert ear.fed == 0
    assert len(list(found)) > 20
    assert ear.most <= 6 * RATE_HZ


def test_a_recording_read_in_pieces_is_the_same_as_in_one(tmp_path: Path, sine: Callable[[Path, int], Path]) -> None:
    for rate_hz in (RATE_HZ, 3 * RATE_HZ):
        path = sine(tmp_path / f"{rate_hz}.wav", rate_hz)
        whole = read_wav(path)
        line = WavLine(Recording(path), tail_s=0.0)
        pieces = []
        last = False
        while not last:
            block = line.read(0.0)
            assert block is not None
            pieces.append(block.heard)
            last = block.last
        got = np.concatenate(pieces)
        assert len(whole) <= len(got) < len(whole) + BLOCK_FRAMES
        assert np.array_equal(got[: len(whole)], whole)
        assert np.abs(whole[1000:-1000]).max() == pytest.approx(9000 / 32768, rel=0.01)


@pytest.fixture
def sine() -> Callable[[Path, int], Path]:
    def make(path: Path, rate_hz: int) -> Path:
        values = (np.sin(np.arange(rate_hz * 3) * 2 * np.pi * 440 / rate_hz) * 9000).astype("<i2")
        with wave.open(str(path), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(rate_hz)
            out.writeframes(values.tobytes())
        return path

    return make
