"""For a session that is damaged or too old to continue: what is announced, and what the new session starts from."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from voicecoach.debrief.texts import Texts
from voicecoach.errors import InputError, VoicecoachError
from voicecoach.listen import registry
from voicecoach.record import ended
from voicecoach.record.journal import Journal, new_folder
from voicecoach.record.manifest import Manifest
from voicecoach.runtime import library
from voicecoach.runtime.open_sessions import DoubtfulSession, texts_for
from voicecoach.runtime.options import (
    Options,
    load_setup,
)
from voicecoach.session.setup import Setup
from voicecoach.system import files


def announcement(found: DoubtfulSession) -> tuple[tuple[str, str], ...]:
    """(line, style) pairs for the console: which session was found, and what is worn by its last good lines."""
    worn = ", ".join(found.on) or "not known"
    return (
        (f"An open session was found that is {found.why}: {found.folder} ({found.detail})", "bold red"),
        (f"By its last good lines you wear: {worn}. Every piece will be asked about.", ""),
    )


def prepare(found: DoubtfulSession, options: Options) -> tuple[Options, Setup, Texts, str]:
    """The options, setup, texts and engine of the session that leads out.

    They come from the damaged record as far as it can be read, otherwise from `options`.
    """
    try:
        asked_for = load_setup(options.protocol, options.grammar, options.site)[1]
    except InputError:
        asked_for = Texts("", library.load_grammar("en")[1])
    texts = texts_for(found, asked_for)
    setup = library.completed(texts.setup())
    was = found.made_with
    if was is None:
        typed = options.script == "-"
        engine = "typed" if typed else registry.choose(options.engine, options.model).name
    else:
        typed, engine = was.engine == "typed", was.engine
        channels = was.channels or options.channels
        options = replace(options, pair=was.mode == "pair", channels=channels, model=was.model or options.model)
    return replace(options, script="-" if typed else ""), setup, texts, engine


def new_journal(root: Path, made_with: Manifest, texts: Texts, key: bytes | None) -> Journal:
    """A new record in `root`; if that cannot be written, in the user's data folder, or else in the temporary folder."""
    fallback = Path(tempfile.gettempdir()) / "voicecoach-sessions"
    for place in (root, files.data_folder() / "sessions"):
        with suppress(InputError):
            return Journal.create(new_folder(place), made_with, texts.copies(), key=key)
    return Journal.create(new_folder(fallback), made_with, texts.copies(), key=key)


def mark_taken_over(found: DoubtfulSession, journal: Journal) -> None:
    """Mark the damaged session as over, since `journal` continues it."""
    with suppress(VoicecoachError):
        ended.end(found.folder, f"continued in {journal.folder}")
