"""The coach's voice: a child process renders prompts ahead; they are cached on disk and in memory."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import json
import platform
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from voicecoach.audio.line import Samples
from voicecoach.errors import EngineError
from voicecoach.speak import tones
from voicecoach.speak.cache import Cache, Pcm, default_folder
from voicecoach.speak.child import Renderer
from voicecoach.speak.decode import decode
from voicecoach.speak.port import RenderProgress
from voicecoach.speak.silent import WORDS_A_MINUTE

DEFAULT_VOICE = "en-us" if sys.platform == "linux" else ""
"""eSpeak's American English; on other systems the voice chosen in the system's settings."""
RECIPE = 3
"""Increased whenever the same text would be rendered or processed differently, so that old cache files are not used."""
TRIES = 2
GIVE_UP_AFTER = 3
"""After this many failures in a row the engine counts as broken, and the rest is not tried."""


class Voice:
    """Speaks with pyttsx3.

    Args:
        voice: an engine's voice id, name or language, such as 'en-gb-scotland' or 'en-us+f3'; '' for the system's own.
        rate_wpm: words a minute. pitch: 0 to 100, eSpeak only (50 is usual).
        folder: the cache's folder; by default the user's. renderer: the rendering child, for tests.
    """

    def __init__(
        self,
        voice: str = DEFAULT_VOICE,
        *,
        rate_wpm: int = WORDS_A_MINUTE,
        pitch: int | None = None,
        folder: Path | None = None,
        renderer: Renderer | None = None,
    ) -> None:
        self.ok = True
        self.why = ""
        self._voice, self._rate_wpm, self._pitch = voice, rate_wpm, pitch
        self._engine = engine_version()
        self.name = f"{self._engine}, {voice or 'system voice'}, {rate_wpm} words a minute"
        self._cache = Cache(default_folder() if folder is None else folder)
        self._renderer = Renderer() if renderer is None else renderer
        self._prompts: dict[str, Pcm | None] = {}  # None: it could not be rendered
        self._one = threading.RLock()
        """Held while rendering: there is one child, and one prompt at a time."""

    def prepare(self, texts: Sequence[str], progress: RenderProgress | None = None) -> list[str]:
        """Render what is not in the cache; returns the texts that could not be rendered."""
        wanted = list(dict.fromkeys(texts))
        failed: list[str] = []
        in_a_row = 0
        try:
            for done, text in enumerate(wanted, start=1):
                with self._one:  # released between prompts, so that one needed now can go first
                    known = self._prompts.get(text)
                    if known is None:
                        known = self._cache.get(self._key(text))
                    if known is None and in_a_row < GIVE_UP_AFTER:
                        known = self._render(text, TRIES)
                        in_a_row = in_a_row + 1 if known is None else 0
                    self._prompts[text] = known
                if known is None:
                    failed.append(text)
                if progress is not None:
                    progress(done, len(wanted))
        finally:
            with self._one:
                self._renderer.close()
        return failed

    def sound(self, text: str) -> Samples:
        """The prompt's samples, or a tone pattern if it cannot be rendered.

        A text that was not prepared is rendered now, which takes about 0.2 s.
        """
        if text not in self._prompts:
            with self._one:
                if text not in self._prompts:
                    prompt = self._cache.get(self._key(text))
                    self._prompts[text] = self._render(text, 1) if prompt is None else prompt
        prompt = self._prompts[text]
        return tones.sound("unspoken") if prompt is None else prompt.astype(np.float32) * np.float32(1 / 32767)

    def _render(self, text: str, tries: int) -> Pcm | None:
        for _ in range(tries):
            try:
                # a folder of its own: what a hung or killed engine still writes cannot be mistaken for the next prompt
                with tempfile.TemporaryDirectory(prefix="voicecoach-", ignore_cleanup_errors=True) as folder:
                    out = Path(folder) / "prompt.wav"
                    self._renderer.render(text, out, voice=self._voice, rate_wpm=self._rate_wpm, pitch=self._pitch)
                    samples = decode(out, text, self._rate_wpm)
            except (EngineError, OSError) as error:
                self.why = error.what if isinstance(error, EngineError) else str(error)
                continue
            prompt = np.rint(samples * 32767).astype(np.int16)
            self._cache.put(self._key(text), prompt)
            return prompt
        self.ok = False
        return None

    def _key(self, text: str) -> str:
        recipe = [RECIPE, self._engine, self._voice, self._rate_wpm, self._pitch, text]
        return hashlib.sha256(json.dumps(recipe).encode()).hexdigest()[:32]


@functools.cache
def engine_version() -> str:
    """The engine and its version, for the cache's key and the record."""
    parts = []
    for package in ("pyttsx3", "espeakng-loader"):
        try:
            parts.append(f"{package} {importlib.metadata.version(package)}")
        except importlib.metadata.PackageNotFoundError:
            parts.append(f"{platform.system()} {platform.release()}")
    return ", ".join(parts)


@functools.cache
def _voice(voice: str, rate_wpm: int, pitch: int | None) -> Voice:
    return Voice(voice, rate_wpm=rate_wpm, pitch=pitch)


def render_text(
    text: str, *, voice: str = DEFAULT_VOICE, rate_wpm: int = WORDS_A_MINUTE, pitch: int | None = None
) -> Samples:
    """`text` in any voice, from the cache if it was rendered before: for the simulated wearer, tests and benches.

    Raises:
        EngineError: it cannot be rendered.
    """
    return render_texts([text], voice=voice, rate_wpm=rate_wpm, pitch=pitch)[0]


def render_texts(
    texts: Sequence[str], *, voice: str = DEFAULT_VOICE, rate_wpm: int = WORDS_A_MINUTE, pitch: int | None = None
) -> list[Samples]:
    """Several texts in one voice; one child renders them all.

    Raises:
        EngineError: one of them cannot be rendered.
    """
    speaker = _voice(voice, rate_wpm, pitch)
    if speaker.prepare(texts):
        raise EngineError(speaker.why, where="speech")
    return [speaker.sound(text) for text in texts]
