"""Rule 2: every rendered prompt is played through the recogniser; one that is taken for a live phrase is refused."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from platformdirs import user_cache_path

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples
from voicecoach.errors import InputError
from voicecoach.listen.child import Spec
from voicecoach.listen.port import Ear
from voicecoach.session.events import Heard
from voicecoach.session.prompts import over_prompt
from voicecoach.session.way import Rules, steps_named
from voicecoach.speak.port import Speaker

GAP_S = 0.8
"""Silence behind each prompt, so that its last word is decided before the next one begins (s)."""
FILE = "overheard.json"

Tell = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Taken:
    """A prompt that the ear takes for a command, without any echo cancelling."""

    prompt: str
    command: str


def find_taken(
    rules: Rules, voice: Speaker, spec: Spec, open_ear: Callable[[Spec], Ear], *, tell: Tell, cache: Path | None = None
) -> list[Taken]:
    """Play all prompts of a protocol through the ear; those that it takes for a command live at the time.

    Args:
        rules: protocol and grammar. voice: prepared. spec: of the ear. open_ear: makes it, in lockstep.
        tell: progress (done, total). cache: folder where verdicts are kept; None for the user's.
    """
    known = _Verdicts(cache, voice, spec)
    prompts = over_prompt(rules)
    todo = [(text, live) for text, live in prompts if known.get(text, live) is None]
    if todo:
        ear = open_ear(spec)
        try:
            at = 0
            for done, (text, live) in enumerate(todo, start=1):
                ear.listen(live)
                sound = np.concatenate([voice.sound(text), np.zeros(round(GAP_S * RATE_HZ), np.float32)])
                found, at = _play(ear, sound, at)
                known.put(text, live, next((heard.command for heard in found if heard.command), "") or "")
                tell(done, len(todo))
        finally:
            ear.close()
            known.save()
    return [Taken(text, taken) for text, live in prompts if (taken := known.get(text, live))]


def refuse(taken: Sequence[Taken], rules: Rules) -> None:
    """Refuse a protocol whose prompts the ear takes for commands.

    Raises:
        InputError: names the first such prompt and its line.
    """
    if not taken:
        return
    first = taken[0]
    protocol = rules.protocol
    steps = steps_named(protocol).values()
    line = next((step.line for step in steps if first.prompt in {step.say, step.warn}), 0)
    more = f"; {len(taken) - 1} more prompts are taken too" if len(taken) > 1 else ""
    raise InputError(
        f"the prompt {first.prompt!r} is taken for the live command {first.command!r}{more}",
        where=f"{protocol.file}:{line}" if line else rules.grammar.file,
        expected="a prompt that no part of sounds like a command live while it is spoken",
        mend="use other words",
    )


def _play(ear: Ear, sound: Samples, at: int) -> tuple[list[Heard], int]:
    found: list[Heard] = []
    for begin in range(0, len(sound), BLOCK_FRAMES):
        piece = sound[begin : begin + BLOCK_FRAMES]
        piece = np.pad(piece, (0, BLOCK_FRAMES - len(piece)))
        ear.feed(Block(at, piece[:, np.newaxis], np.zeros(BLOCK_FRAMES, np.float32)))
        at += BLOCK_FRAMES
    found += [event for event in ear.poll() if isinstance(event, Heard)]
    return found, at


class _Verdicts:
    """What was found before, by everything that can change it."""

    def __init__(self, cache: Path | None, voice: Speaker, spec: Spec) -> None:
        folder = cache if cache is not None else user_cache_path("voicecoach", appauthor=False)
        self._path = folder / FILE
        self._about = json.dumps([voice.name, spec.engine, spec.grammar, spec.model, _version()])
        try:
            data = json.loads(self._path.read_text())
            self._known: dict[str, str] = data if isinstance(data, dict) else {}
        except (OSError, ValueError):
            self._known = {}

    def _key(self, text: str, live: tuple[str, ...]) -> str:
        return hashlib.sha256("\n".join([self._about, text, *live]).encode()).hexdigest()[:24]

    def get(self, text: str, live: tuple[str, ...]) -> str | None:
        return self._known.get(self._key(text, live))

    def put(self, text: str, live: tuple[str, ...], command: str) -> None:
        self._known[self._key(text, live)] = command

    def save(self) -> None:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._path.with_suffix(".new")
            fresh.write_text(json.dumps(self._known))
            fresh.replace(self._path)
        except OSError:
            return  # a cache that cannot be kept costs time, nothing else


def _version() -> str:
    """Changes with the code that hears, so that old verdicts are not believed."""
    here = Path(__file__).parent / "listen"
    digest = hashlib.sha256()
    for file in sorted(here.glob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
