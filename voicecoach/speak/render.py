"""The child process that renders prompts with pyttsx3: JSON lines in, one JSON line out for each.

It is a process of its own because the engine prints on stdout, hangs for ever at a path it cannot write to, and can
crash. On Linux each prompt is rendered in a fork: a hang or crash costs that prompt only, and the bundled eSpeak, whose
output depends on what it spoke before, gives the same samples for the same text every time.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any, TextIO

from voicecoach.system import signals

FORKS = sys.platform == "linux"
ESPEAK_PACE = 0.92
"""eSpeak's rate setting per spoken word a minute, measured over prompts without the silence around them."""


def prepare_espeak() -> None:
    """Make pyttsx3 use the eSpeak from pip instead of the system's, if it is installed."""
    try:
        loader = importlib.import_module("espeakng_loader")
    except ImportError:
        return
    ctypes.CDLL(loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)
    os.environ["ESPEAK_DATA_PATH"] = loader.get_data_path()


def find_voice(engine: Any, wanted: str) -> str:
    """The engine's id of the voice `wanted`: an id, the end of one, a name or a language; 'en-us+f3' has a variant.

    Raises:
        ValueError: there is no such voice.
    """
    base, plus, variant = wanted.lower().partition("+")
    voices = engine.getProperty("voices")
    for voice in voices:
        ids = {str(voice.id).lower(), str(voice.id).lower().rpartition("/")[2], str(voice.name).lower()}
        if base in ids | {str(language).lower() for language in voice.languages or ()}:
            return str(voice.id) + plus + variant
    raise ValueError(f"there is no voice {wanted!r} among the {len(voices)} installed")


def render(request: dict[str, Any]) -> None:
    """Render one prompt to the file that the request names.

    Raises:
        ValueError: the voice is unknown, or the engine ignored it or wrote nothing.
    """
    engine = importlib.import_module("pyttsx3").init()
    espeak = str(engine) == "espeak"
    wanted = str(request["voice"])
    if wanted:
        engine.setProperty("voice", wanted if espeak else find_voice(engine, wanted))
    rate = round(request["rate_wpm"] * (ESPEAK_PACE if espeak else 1))
    engine.setProperty("rate", rate)
    if request["pitch"] is not None:
        engine.setProperty("pitch", request["pitch"])
    engine.save_to_file(request["text"], request["out"])
    if espeak:
        run_espeak(engine, rate)
        # given an unknown voice or variant, eSpeak keeps the previous one without an error
        took = str(engine.getProperty("voice"))
        if wanted and not f"/{took}".endswith(f"/{wanted.lower()}") and took != find_voice(engine, wanted):
            raise ValueError(f"the engine used the voice {took!r} instead of {wanted!r}")
    else:
        engine.runAndWait()
    if not Path(request["out"]).is_file():
        raise ValueError("the engine wrote nothing")


def run_espeak(engine: Any, rate: int) -> None:
    """Run the engine until the queued work is done.

    pyttsx3's own runAndWait cancels whatever eSpeak's thread has not started, be it the rate or the speech, and returns
    10 ms later whether or not the file is written: on a busy machine a few prompts in a thousand came out wrong.

    Raises:
        ValueError: the speech was cut off, or has another rate.
    """
    completed: list[bool] = []
    engine.connect("finished-utterance", lambda **details: completed.append(details["completed"]))
    library = importlib.import_module("pyttsx3.drivers._espeak")
    while library.IsPlaying():  # still busy with the settings that pyttsx3 starts with
        time.sleep(0.001)
    seed = getattr(library.dll, "espeak_ng_SetRandSeed", None)  # older ones lack it
    if seed is not None:  # eSpeak draws the breath of some voices, such as en-us+f3, and seeds that with the time
        seed(ctypes.c_long(1))
    engine.startLoop()  # ends with the utterance
    if completed != [True]:
        raise ValueError("the engine stopped early")
    if library.dll.espeak_GetParameter(library.RATE, 1) != rate:  # pyttsx3 binds it without its second argument
        raise ValueError("the engine ignored the rate")


def answer(request: dict[str, Any]) -> dict[str, Any]:
    """Render, and report the result."""
    try:
        render(request)
    except Exception as error:  # noqa: BLE001 whatever an engine raises is reported
        return {"error": f"{type(error).__name__}: {error}"}
    return {"error": ""}


def answer_forked(request: dict[str, Any], out: TextIO) -> None:
    """The same in a fork, which the kernel kills when its time is up, even in native code."""
    pid = os.fork()
    if pid == 0:
        signal.setitimer(signal.ITIMER_REAL, request["limit_s"])
        reply(out, answer(request))
        os._exit(0)
    _, status = os.waitpid(pid, 0)
    if status:
        reply(out, {"error": f"the engine ended with {os.waitstatus_to_exitcode(status)}"})


def reply(out: TextIO, data: dict[str, Any]) -> None:
    """Write one line and flush it."""
    out.write(json.dumps(data) + "\n")
    out.flush()


def main() -> None:
    """Answer requests until stdin ends."""
    signals.leave_terminal_to_parent()
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what the engine prints must not get mixed with the answers
    try:
        if FORKS:
            prepare_espeak()
            importlib.import_module("pyttsx3.drivers.espeak")  # once, before the forks
        engine = importlib.import_module("pyttsx3.engine").default_engine_by_sys_platform()
    except Exception as error:  # noqa: BLE001 that a machine cannot speak is reported too
        reply(out, {"error": f"{type(error).__name__}: {error}"})
        return
    reply(out, {"error": "", "engine": engine})
    for line in sys.stdin:
        if FORKS:
            answer_forked(json.loads(line), out)
        else:
            reply(out, answer(json.loads(line)))


if __name__ == "__main__":
    main()
