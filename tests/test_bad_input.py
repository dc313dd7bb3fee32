"""What people hand in that cannot be used: one clear line, exit status 2, nothing lost, before the first item is on."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from voicecoach.audio.wav import write_wav
from voicecoach.cli.main import main
from voicecoach.errors import InputError
from voicecoach.runtime import library, options, prompt_check, supervisor
from voicecoach.speak.voice import render_text

PRACTICE = (library.folder("protocols") / "short-practice.yaml").read_text(encoding="utf-8")
WORDS = (library.folder("grammars") / "en.yaml").read_text(encoding="utf-8")


def typed(*arguments: object) -> Result:
    """The program as it is called, in this process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def complaint(result: Result) -> str:
    """The one line that it says, having refused."""
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    assert "Traceback" not in line
    return line.removeprefix("error: ")


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """A live session is not put under the care of a second process, whose words could not be read here."""
    monkeypatch.setenv(supervisor.SUPERVISED, "first")


@pytest.fixture
def protocol(tmp_path: Path) -> Callable[..., Path]:
    """A copy of the practice protocol in which some text was put in place of other text."""

    def make(*changes: tuple[str, str]) -> Path:
        text = PRACTICE
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / "changed.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return make


def line_of(path: Path, text: str, nth: int = 1) -> int:
    """1-based number of the nth line that contains `text`."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [number for number, line in enumerate(lines, start=1) if text in line][nth - 1]


def recorded(folder: Path) -> list[Path]:
    """What is in the folder of records; it may not even have been made."""
    return list(folder.iterdir()) if folder.exists() else []


@pytest.fixture
def records(tmp_path: Path) -> Path:
    return tmp_path / "records"


def speech(path: Path, *, bits: int = 16, rate_hz: int = 16_000, channels: int = 1) -> Path:
    """A recording of "step complete", stored as asked."""
    import soxr  # noqa: PLC0415 beside its one use

    samples = np.concatenate([np.zeros(8000, np.float32), render_text("step complete"), np.zeros(12000, np.float32)])
    samples = soxr.resample(samples, 16_000, rate_hz)
    values = np.repeat(samples[:, np.newaxis], channels, axis=1)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(bits // 8)
        out.setframerate(rate_hz)
        whole = np.rint(values * 127 + 128).astype(np.uint8) if bits == 8 else np.rint(values * 32767).astype("<i2")
        out.writeframes(whole.tobytes())
    return path


def zero_length(path: Path) -> Path:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(16_000)
    return path


def broken(kind: str, folder: Path) -> Path:
    """A file of this kind that is not a recording."""
    path = folder / f"{kind}.wav"
    if kind == "zero-length":
        return zero_length(path)
    if kind == "truncated":
        write_wav(path, np.zeros(16_000, np.float32))
        path.write_bytes(path.read_bytes()[:-1000])
    elif kind == "empty":
        path.touch()
    elif kind == "text":
        path.write_text("This is a letter, not a recording. " * 20)
    elif kind == "folder":
        path.mkdir()
    elif kind == "8-bit":
        speech(path, bits=8)
    elif kind == "44.1-khz-stereo":
        speech(path, rate_hz=44_100, channels=2)
    elif kind == "header-only":
        path.write_bytes(b"RIFF\x24\x00\x00\x00WAVE")
    return path  # and one that is not there at all


BROKEN = ("empty", "truncated", "zero-length", "text", "folder", "header-only", "missing", "8-bit", "44.1-khz-stereo")


@pytest.mark.parametrize("kind", BROKEN)
def test_a_session_over_a_file_that_is_not_a_recording_does_not_begin(kind: str, tmp_path: Path, records: Path) -> None:
    path = broken(kind, tmp_path)
    said = complaint(typed("run", "short-practice", "--input", path, "--out", records))
    assert said.startswith(str(path))
    assert recorded(records) == []


def test_hear_names_every_unreadable_file_and_does_the_others(tmp_path: Path) -> None:
    good = speech(tmp_path / "good.wav")
    stereo = speech(tmp_path / "stereo.wav", rate_hz=48_000, channels=2)
    bad = [broken(kind, tmp_path) for kind in BROKEN]
    result = typed("hear", bad[0], good, *bad[1:], stereo, "--engine", "phonemes")
    assert result.exit_code == 2
    lines = result.stderr.splitlines()
    assert len(lines) == len(bad)
    assert all(str(path) in line for path, line in zip(bad, lines, strict=True))
    assert [line.split()[0] for line in result.stdout.splitlines()] == [str(good), str(stereo)]
    assert all("  done  " in line for line in result.stdout.splitlines())


def test_a_refused_recording_is_reported_with_what_it_is_what_was_expected_and_how_to_mend_it(
    tmp_path: Path, records: Path
) -> None:
    for kind, what in (("8-bit", "has 8-bit samples"), ("44.1-khz-stereo", "is recorded at 44.1 kHz")):
        path = broken(kind, tmp_path)
        said = complaint(typed("run", "short-practice", "--input", path, "--out", records))
        assert what in said
        assert "expected a WAV recording of 16-bit PCM, one channel, at 16, 32 or 48 kHz" in said
        assert "convert it to 16 kHz, 16 bit, one channel" in said


def test_a_recording_has_a_channel_for_each_person_that_the_session_listens_to(tmp_path: Path, records: Path) -> None:
    one, two = speech(tmp_path / "one.wav"), speech(tmp_path / "two.wav", channels=2)
    said = complaint(typed("run", "short-practice", "--input", two, "--out", records))
    assert "has two channels" in said
    assert "--channels 2" in said
    said = complaint(typed("run", "short-practice", "--pair", "--channels", 2, "--input", one, "--out", records))
    assert "has one channel; expected a WAV recording of 16-bit PCM, two channels" in said
    assert recorded(records) == []


def test_a_recording_at_48_khz_can_be_played_to_a_session(tmp_path: Path, records: Path) -> None:
    recording = speech(tmp_path / "words.wav", rate_hz=48_000)
    result = typed("run", "short-practice", "--input", recording, "--out", records, "--engine", "phonemes")
    assert result.exit_code == 0, result.output
    assert "The input ended before the session did." in result.output
    (record,) = (path for path in records.iterdir() if not path.name.startswith("."))
    assert '"heard"' in (record / "events.jsonl").read_text()


@pytest.mark.parametrize(
    ("old", "new", "at", "saying"),
    [
        ("{don: gown, grip", "{don: cape, grip", "don: cape", ["acts", "cape"]),
        ("step: practice-gown-on", "step: practice-mirror", "step: practice-mirror", ["practice-mirror"]),
        (
            "      say: Wear the gown and fasten it.\n",
            "      say: Wear the gown and fasten it.\n      say: Wear it.\n",
            "say: Wear it.",
            ["say"],
        ),
        (
            "room: {dispenser: hands-free, bin: hands-free}",
            "room: &room {dispenser: hands-free, bin: hands-free}\nroom2: *room",
            "room",
            ["alias"],
        ),
        ("{torn: practice-torn, soiled", "{torn: practice-nowhere, soiled", "practice-nowhere", ["practice-nowhere"]),
        ("answer: gown-off", "answer: cape-off", "practice-gown-away", ["cape-off"]),
        (
            "say: Wear the gown and fasten it.",
            "say: Wear the gown until it is done.",
            "practice-gown-on",
            ["'done'", "practice-gown-on.say"],
        ),
        ("say: Wear the gown and fasten it.", "say: Wear the gown and stop.", "practice-gown-on", ["stop"]),
        ("title: Practice only, a", "title: [Practice only, a", "title", []),
        ('version: "1"', "version: [one, two]", "version: [", ["version"]),
    ],
    ids=[
        "unknown-item", "step-named-twice", "key-named-twice", "alias", "branch-to-nowhere", "unknown-answer",
        "prompt-with-its-answer", "prompt-with-a-word-always-heard", "broken-yaml", "another-shape",
    ],
)  # fmt: skip
def test_a_protocol_with_a_fault_is_refused_by_file_and_line(
    old: str, new: str, at: str, saying: list[str], protocol: Callable[..., Path], tmp_path: Path, records: Path
) -> None:
    path = protocol((old, new))
    script = tmp_path / "script.txt"
    script.write_text("+1 wearer: step done\n")
    for command in (["run", path, "--typed", script, "--out", records], ["run", path, "--out", records]):
        said = complaint(typed(*command))
        place = re.match(r"changed\.yaml:(\d+)", said)
        assert place is not None, said
        lines = path.read_text(encoding="utf-8").splitlines()
        here = lines[max(0, int(place[1]) - 2) : int(place[1]) + 2]
        assert any(at in line for line in here), said
        assert all(word in said for word in saying), said
    assert recorded(records) == []


def test_a_prompt_that_the_recogniser_takes_for_a_live_phrase_is_refused_with_its_line(
    protocol: Callable[..., Path],
) -> None:
    # rule 2; that the recogniser takes this one is held in test_prompt_check.py
    path = protocol(("say: Wear the gown and fasten it.", "say: Wear the gown. Breech. Breech."))
    setup, _ = options.load_setup(str(path), "en")
    with pytest.raises(InputError) as caught:
        prompt_check.refuse([prompt_check.MistakenPrompt("Wear the gown. Breech. Breech.", "breach")], setup)
    said = caught.value.line()
    assert said.startswith(f"changed.yaml:{line_of(path, 'step: practice-gown-on')}: "), said
    assert "'Wear the gown. Breech. Breech.' is taken for the command 'breach'" in said


def test_two_commands_that_share_a_phrase_are_refused(tmp_path: Path, records: Path) -> None:
    path = tmp_path / "shared.yaml"
    match = re.search(r"(?m)^\s+(?:repeat):.*\n", WORDS)
    assert match is not None
    path.write_text(WORDS.replace("repeat that", "step complete"), encoding="utf-8")
    assert path.read_text() != WORDS
    script = tmp_path / "script.txt"
    script.write_text("+1 wearer: step done\n")
    said = complaint(typed("run", "short-practice", "--grammar", path, "--typed", script, "--out", records))
    assert re.match(r"shared\.yaml:\d+", said), said
    assert "step complete" in said
    assert recorded(records) == []


@pytest.mark.parametrize("name", ["no-such-protocol", "../protocols/short-practice", ""])
def test_a_protocol_that_is_not_there_is_answered_with_those_that_are(name: str, tmp_path: Path) -> None:
    said = complaint(typed("run", name, "--typed", "--out", tmp_path))
    assert "short-practice" in said
    assert "n95-gown" in said


@pytest.mark.parametrize("command", [["run", "short-practice"], ["demo"], ["hear", "x.wav"], ["engines"]])
def test_a_folder_that_is_not_a_model_is_refused(command: list[str], tmp_path: Path) -> None:
    (tmp_path / "README").write_text("nothing here")
    for folder in (tmp_path, tmp_path / "README", tmp_path / "not-there"):
        assert "is not a Vosk model" in (said := complaint(typed(*command, "--model", folder)))
        assert str(folder) in said


def test_an_output_folder_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("already here")
    script = tmp_path / "script.txt"
    script.write_text("+1 wearer: step done\n")
    for out in (tmp_path / "file", tmp_path / "file" / "below", Path("/proc/voicecoach")):
        said = complaint(typed("run", "short-practice", "--typed", script, "--out", out))
        assert str(out) in said
    assert (tmp_path / "file").read_text() == "already here"


def test_an_output_folder_that_cannot_be_written_is_found_before_anything_slow_is_done(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("already here")
    recording = speech(tmp_path / "words.wav")
    for command in (["run", "short-practice", "--input", recording], ["demo"]):
        result = typed(*command, "--out", tmp_path / "file")
        assert str(tmp_path / "file") in complaint(result)
        assert "ear" not in result.stdout


@pytest.mark.parametrize(
    ("script", "place"),
    [
        ("soon wearer: step done\n", "script.txt:1"),
        ("+1 wearer: step done\n+1 nurse: done\n", "script.txt:2"),
        ("+1 wearer:\n", "script.txt:1"),
        ("+1 wearer: bridge ~ford\n", "script.txt:1"),
        ("20 wearer: done\n10 wearer: done\n", "script.txt:2"),
    ],
)
def test_a_script_with_a_fault_is_refused_by_line(script: str, place: str, tmp_path: Path, records: Path) -> None:
    path = tmp_path / "script.txt"
    path.write_text(script)
    assert complaint(typed("run", "short-practice", "--typed", path, "--out", records)).startswith(place)
    assert recorded(records) == []


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"\x00" * 10, b"x" * 3_000_000], ids=["utf-16", "zeros", "huge"])
def test_a_file_that_is_not_text_is_refused(content: bytes, tmp_path: Path, records: Path) -> None:
    path = tmp_path / "file.yaml"
    path.write_bytes(content)
    for command in (
        ["run", path, "--typed"],
        ["run", "short-practice", "--grammar", path, "--typed"],
        ["run", "short-practice", "--site", path, "--typed"],
        ["run", "short-practice", "--typed", path],
        ["check", path],
        ["card", path],
    ):
        out = ["--out", records] if command[0] == "run" else []
        assert "file.yaml" in complaint(typed(*command, *out))
    assert recorded(records) == []


def test_options_that_exclude_each_other_are_refused(tmp_path: Path) -> None:
    recording = tmp_path / "words.wav"
    recording.touch()
    assert "cannot be used together" in complaint(typed("run", "short-practice", "--typed", "--input", recording))
    assert "--typed" in complaint(typed("run", "short-practice", "script.txt"))


@pytest.mark.parametrize("command", ["timeline", "replay", "report"])
def test_a_folder_that_is_not_a_record_is_refused(command: str, tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "not-there"):
        assert str(folder) in complaint(typed(command, folder))


def test_a_folder_in_place_of_a_protocol_is_called_a_folder(tmp_path: Path) -> None:
    assert complaint(typed("check", tmp_path)) == f"{tmp_path}: is a folder; expected the file of a protocol"


def test_a_misspelt_field_is_answered_with_the_one_that_was_meant(protocol: Callable[..., Path]) -> None:
    assert complaint(typed("check", protocol(("title:", "titel:")))).endswith("(did you mean 'title'?)")


def test_a_folder_of_records_is_answered_with_a_record_in_it(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "manifest.json").touch()
    assert complaint(typed("timeline", tmp_path)).endswith("(it holds records: name one of them, such as one)")


def test_a_script_and_an_answer_that_name_no_command_are_answered_with_the_nearest(
    tmp_path: Path, protocol: Callable[..., Path], records: Path
) -> None:
    (tmp_path / "script.txt").write_text("+1 wearer: bridge ~breech\n")
    said = complaint(typed("run", "short-practice", "--typed", tmp_path / "script.txt", "--out", records))
    assert said.endswith("(did you mean 'breach'?)")
    assert "did you mean 'gown-off'?" in complaint(typed("check", protocol(("answer: gown-off", "answer: gown-of"))))


def test_a_contact_time_below_the_protocols_is_said_not_to_count(tmp_path: Path, records: Path) -> None:
    (tmp_path / "site.yaml").write_text("name: Ward 3\ncontact-times: {hand-rub: 1}\n")
    (tmp_path / "script.txt").write_text("+1 wearer: practice run\n")
    result = typed(
        "run", "short-practice", "--site", tmp_path / "site.yaml", "--typed", tmp_path / "script.txt", "--out", records
    )
    assert "The site's 1 s for hand-rub do not count: the protocol has" in " ".join(result.stdout.split())


def test_a_folder_that_is_no_session_cannot_be_ended(tmp_path: Path) -> None:
    assert "is not a record of a session" in complaint(typed("end", tmp_path, "--nothing-worn"))
    assert not (tmp_path.parent / ".beside").exists()


def test_packing_what_is_not_a_record_is_refused(tmp_path: Path) -> None:
    assert str(tmp_path) in complaint(typed("pack", tmp_path, tmp_path / "out.zip"))
    assert not (tmp_path / "out.zip").exists()


def test_as_a_program_too_it_ends_with_one_line_and_status_2(tmp_path: Path, protocol: Callable[..., Path]) -> None:
    path = protocol(("answer: gown-off", "answer: cape-off"))
    done = subprocess.run(
        [sys.executable, "-m", "voicecoach", "run", str(path), "--typed"],
        cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "cape-off" in done.stderr


def test_without_any_driver_a_live_session_says_what_to_install_and_the_rest_still_works(tmp_path: Path) -> None:
    # every process of the program looks for the libraries and does not find them: as on a machine without them
    (tmp_path / "sitecustomize.py").write_text(
        "import ctypes.util, sys\n"
        "sys.modules['miniaudio'] = None\n"
        "find = ctypes.util.find_library\n"
        "ctypes.util.find_library = lambda name: None if 'portaudio' in name.lower() else find(name)\n"
    )
    if sys.platform != "linux":
        pytest.skip(reason="PortAudio comes with the sounddevice package here")
    surroundings = {name: value for name, value in os.environ.items() if name != supervisor.SUPERVISED}

    def program(*arguments: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "voicecoach", *map(str, arguments)],
            env={**surroundings, "PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])},
            cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip

    for arguments in (["run", "short-practice"], ["devices"]):
        done = program(*arguments)
        assert done.returncode == 2, done.stdout + done.stderr
        (line,) = done.stderr.splitlines()
        assert "PortAudio" in line
    good = speech(tmp_path / "good.wav")
    done = program("hear", good, "--engine", "phonemes")
    assert done.returncode == 0, done.stderr
    assert "  done  " in done.stdout
