"""A rendering child that hangs, crashes or talks nonsense costs its prompt and nothing else."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from voicecoach.errors import EngineError
from voicecoach.speak import child
from voicecoach.speak.child import Renderer

Fake = Callable[..., Renderer]


def render(renderer: Renderer, text: str, out: Path) -> None:
    renderer.render(text, out, voice="en-us", rate_wpm=140)


def test_a_machine_without_a_speech_engine_says_so_in_one_line() -> None:
    renderer = Renderer([sys.executable, "-c", 'print(\'{"error": "no eSpeak here"}\')'])
    with pytest.raises(EngineError, match="cannot be started: no eSpeak here") as caught:
        renderer.start()
    assert "\n" not in caught.value.line()


def test_a_child_that_cannot_be_run_at_all_is_an_engine_error() -> None:
    with pytest.raises(EngineError, match="cannot be started"):
        Renderer(["/nowhere/python"]).start()


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("os._exit(3)", "died"),
        ("os.abort()", "died"),
        ("print('what?', flush=True)", "invalid answer"),
        ("print('[]', flush=True)", "invalid answer"),
        ("tell(error='no such voice')", "no such voice"),
    ],
)
def test_a_child_that_fails_is_distinguished_from_one_that_works(
    fake: Fake, tmp_path: Path, body: str, message: str
) -> None:
    renderer = fake(body)
    with pytest.raises(EngineError, match=message):
        render(renderer, "Gown off.", tmp_path / "a.wav")
    renderer.close()


def test_a_child_that_hangs_is_ended_and_started_again(
    fake: Fake, starts: Callable[[], int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(child, "GRACE_S", 0.1)
    renderer = fake("time.sleep(60) if text == 'hang' else (write(path), tell(error=''))", limit_s=0.3)
    begin_s = time.monotonic()
    with pytest.raises(EngineError, match="did not answer"):
        render(renderer, "hang", tmp_path / "a.wav")
    assert time.monotonic() - begin_s < 30  # not the sixty seconds of the hang
    render(renderer, "Gown off.", tmp_path / "b.wav")
    renderer.close()
    renderer.close()
    assert starts() == 2
    assert (tmp_path / "b.wav").is_file()


@pytest.mark.skipif(sys.platform != "linux", reason="only on Linux has each prompt a process of its own")
def test_the_real_child_ends_a_prompt_that_hangs_in_native_code_and_lives_on(tmp_path: Path) -> None:
    # the engine is replaced by one that sleeps in C with Python's signals out of reach, then by one that crashes
    script = tmp_path / "render.py"
    body = Path(child.COMMAND[-1]).read_text()
    body = body.replace(
        "def answer(request",
        "def answer(request: Any) -> Any:\n"
        "    if request['text'] == 'hang':\n"
        "        ctypes.CDLL(None).pause()\n"
        "    if request['text'] == 'crash':\n"
        "        ctypes.CDLL(None).abort()\n"
        "    return real_answer(request)\n\n\n"
        "def real_answer(request",
    )
    script.write_text(body)
    renderer = Renderer([sys.executable, "-P", str(script)], limit_s=0.5)
    renderer.start()
    pid = renderer._child.pid if renderer._child else 0
    with pytest.raises(EngineError, match=f"ended with -{signal.SIGALRM.value}"):
        render(renderer, "hang", tmp_path / "a.wav")
    with pytest.raises(EngineError, match=f"ended with -{signal.SIGABRT.value}"):
        render(renderer, "crash", tmp_path / "b.wav")
    renderer.limit_s = 5.0
    render(renderer, "Gown off.", tmp_path / "c.wav")
    assert renderer._child is not None
    assert renderer._child.pid == pid
    renderer.close()


def test_the_real_child_prints_nothing_but_answers_on_stdout(tmp_path: Path) -> None:
    # pyttsx3 2.99 prints "Audio saved to ..." for each file
    request = (
        '{"text": "Gown off.", "voice": "", "rate_wpm": 140, "pitch": null, "limit_s": 5, '
        f'"out": "{(tmp_path / "a.wav").as_posix()}"}}\n'
    )
    done = subprocess.run(child.COMMAND, input=request, capture_output=True, text=True, timeout=60, check=True)
    lines = done.stdout.splitlines()
    assert len(lines) == 2
    assert lines[1] == '{"error": ""}'


def test_the_child_works_from_a_folder_with_modules_of_misleading_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "json.py").write_text("raise SystemExit('the wrong json')\n")
    monkeypatch.chdir(tmp_path)
    renderer = Renderer()
    render(renderer, "Gown off.", tmp_path / "a.wav")
    renderer.close()
    assert (tmp_path / "a.wav").stat().st_size > 1000


def test_renderers_that_crowd_the_machine_agree_on_every_sample(tmp_path: Path) -> None:
    # pyttsx3 2.99's runAndWait races with eSpeak's thread: the rate was lost, or the end of the prompt
    def work(number: int) -> set[bytes]:
        renderer, found = Renderer(), set()
        for turn in range(15):
            out = tmp_path / f"{number}-{turn}.wav"
            render(renderer, "Look at your outer gloves, front and back, for tears or soil.", out)
            found.add(out.read_bytes())
        renderer.close()
        return found

    with ThreadPoolExecutor(4) as pool:
        assert len(set.union(*pool.map(work, range(4)))) == 1


@pytest.mark.parametrize("voice", ["atlantean", "en-us+nonsense"])
def test_an_unknown_voice_is_refused_and_not_replaced(tmp_path: Path, voice: str) -> None:
    # pyttsx3 2.99 swallows the engine's error and keeps the voice before
    renderer = Renderer()
    with pytest.raises(EngineError, match="voice"):
        renderer.render("Gown off.", tmp_path / "a.wav", voice=voice, rate_wpm=140)
    renderer.close()


def test_a_path_that_cannot_be_written_fails_and_does_not_hang(tmp_path: Path) -> None:
    # pyttsx3 2.99 hangs for ever there when asked in its usual way
    renderer = Renderer(limit_s=1.0)
    with pytest.raises(EngineError):
        render(renderer, "Gown off.", tmp_path / "no" / "a.wav")
    renderer.close()
