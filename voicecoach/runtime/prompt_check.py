"""Rule 2: every rendered prompt is played through the recogniser; one that is taken for a live phrase is refused."""

from __future__ import annotations

import hashlib
import json
import os
import queue
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from platformdirs import user_cache_path

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples
from voicecoach.errors import InputError
from voicecoach.listen.port import Recogniser
from voicecoach.listen.worker import Spec
from voicecoach.protocol.navigation import steps_named
from voicecoach.session.events import Heard
from voicecoach.session.prompts import over_prompt
from voicecoach.session.setup import Setup
from voicecoach.speak.port import Speaker

LEAD_S = 0.3
"""Silence before each prompt: more than the pad that an ear keeps before a voice (s)."""
GAP_S = 0.8
"""Silence behind each prompt, so that its last word is decided before the next one begins (s)."""
APART = RATE_HZ
"""Samples of an ear's clock left out between prompts: it starts anew, and no prompt's verdict depends on another's."""
EARS = 4
"""Side by side at most; each takes about 100 MB."""
A_SHARE = 8
"""Prompts that are worth another ear, which takes about a second to start."""
FILE = "overheard.jsonl"

Tell = Callable[[int, int], None]
Prompt = tuple[str, tuple[str, ...]]
"""Its words, and the commands live while it sounds."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A prompt that the ear takes for a command, without any echo cancelling."""

    prompt: str
    command: str


def find_taken(
    setup: Setup,
    voice: Speaker,
    spec: Spec,
    open_ear: Callable[[Spec], Recogniser],
    *,
    tell: Tell,
    cache: Path | None = None,
) -> list[Taken]:
    """Play all prompts of a protocol through the ear; those that it takes for a command live at the time.

    Args:
        setup: protocol and grammar. voice: prepared. spec: of the ear. open_ear: makes it, in lockstep.
        tell: progress (done, total). cache: folder where verdicts are kept; None for the user's.
    """
    known = _Verdicts(cache, voice, spec)
    prompts = over_prompt(setup)
    todo = [(text, live) for text, live in prompts if known.get(text, live) is None]
    ears: list[Recogniser] = []
    try:
        while len(ears) < min(os.cpu_count() or 1, EARS, -(-len(todo) // A_SHARE)):
            ears.append(open_ear(spec))
        for done, (text, live, command) in enumerate(commands_in(todo, voice, ears), start=1):
            known.put(text, live, command)
            tell(done, len(todo))
    finally:
        for ear in ears:
            ear.close()
    return [Taken(text, taken) for text, live in prompts if (taken := known.get(text, live))]


def commands_in(
    prompts: Sequence[Prompt], voice: Speaker, ears: Sequence[Recogniser]
) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """What prompts are taken for: words, live commands and the command, '' for none; in the order they are done.

    Args:
        prompts: in any order. voice: prepared. ears: in lockstep; they hear side by side.
    """
    free: queue.SimpleQueue[tuple[Recogniser, int]] = queue.SimpleQueue()
    for ear in ears:
        free.put((ear, 0))

    def hear(text: str, live: tuple[str, ...]) -> tuple[str, tuple[str, ...], str]:
        ear, at = free.get()
        try:
            ear.listen(live)
            at = _play(ear, voice.sound(text), at)
            heard = (event.command for event in ear.poll() if isinstance(event, Heard))
            return text, live, next((command for command in heard if command), "")
        finally:
            free.put((ear, at + APART))

    pool = ThreadPoolExecutor(max(1, len(ears)))
    try:
        for done in as_completed([pool.submit(hear, text, live) for text, live in prompts]):
            yield done.result()
    finally:
        pool.shutdown(cancel_futures=True)


def refuse(taken: Sequence[Taken], setup: Setup) -> None:
    """Refuse a protocol whose prompts the ear takes for commands.

    Raises:
        InputError: names the first such prompt and its line.
    """
    if not taken:
        return
    first = taken[0]
    protocol = setup.protocol
    steps = steps_named(protocol).values()
    line = next((step.line for step in steps if first.prompt in {step.say, step.warn}), 0)
    more = f"; {len(taken) - 1} more prompts are taken too" if len(taken) > 1 else ""
    raise InputError(
        f"the prompt {first.prompt!r} is taken for the live command {first.command!r}{more}",
        where=f"{protocol.file}:{line}" if line else setup.grammar.file,
        expected="a prompt that no part of sounds like a command live while it is spoken",
        mend="use other words",
    )


def _play(ear: Recogniser, prompt: Samples, at: int) -> int:
    """Feed a prompt with the silence around it from sample `at` of the ear's clock; where that ends."""
    lead, gap = (np.zeros(round(silence_s * RATE_HZ), np.float32) for silence_s in (LEAD_S, GAP_S))
    sound = np.concatenate([lead, prompt, gap])
    sound = np.pad(sound, (0, -len(sound) % BLOCK_FRAMES))
    for begin in range(0, len(sound), BLOCK_FRAMES):
        piece = sound[begin : begin + BLOCK_FRAMES]
        ear.feed(Block(at + begin, piece[:, np.newaxis], np.zeros(BLOCK_FRAMES, np.float32)))
    return at + len(sound)


class _Verdicts:
    """What was found before, by everything that can change it: a line each, kept at once, so that an interrupted check
    goes on where it stopped.
    """

    def __init__(self, cache: Path | None, voice: Speaker, spec: Spec) -> None:
        folder = cache if cache is not None else user_cache_path("voicecoach", appauthor=False)
        self._path = folder / FILE
        self._about = json.dumps([voice.name, spec.engine, spec.grammar, spec.model, _version()])
        self._known: dict[str, str] = {}
        try:
            lines = self._path.read_text(encoding="utf-8").splitlines()
        except (OSError, ValueError):
            return
        for line in lines:
            try:
                key, command = json.loads(line)
            except (ValueError, TypeError):
                continue  # cut off while it was written
            if isinstance(key, str) and isinstance(command, str):
                self._known[key] = command

    def _key(self, text: str, live: tuple[str, ...]) -> str:
        return hashlib.sha256("\n".join([self._about, text, *live]).encode()).hexdigest()[:24]

    def get(self, text: str, live: tuple[str, ...]) -> str | None:
        return self._known.get(self._key(text, live))

    def put(self, text: str, live: tuple[str, ...], command: str) -> None:
        key = self._key(text, live)
        self._known[key] = command
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as file:
                # the break comes first: what a kill left of the line before spoils no other
                file.write("\n" + json.dumps([key, command]))
        except OSError:
            return  # a cache that cannot be kept costs time, nothing else


def _version() -> str:
    """Changes with the code that hears and speaks, so that old verdicts are not believed."""
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for file in [
        Path(__file__),
        *(file for room in ("listen", "speak") for file in sorted((here.parent / room).rglob("*.py"))),
    ]:
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
