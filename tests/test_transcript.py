"""What the program shows on a terminal: plain words, in lines that fit."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from voicecoach.cli.common import print_text
from voicecoach.debrief.texts import wording_of
from voicecoach.protocol.site import NO_SITE
from voicecoach.runtime.library import load_grammar, load_protocol
from voicecoach.runtime.screen import Transcript
from voicecoach.session.effects import Effect, Note, Say
from voicecoach.session.events import TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.notes import NoteKind
from voicecoach.session.setup import Setup

PRACTICE = load_protocol("short-practice")[0]
START = Machine(Setup(PRACTICE, load_grammar("en")[0])).start()
LONG = Say(1, "Keep the gown's outside away from your clothes, and then the gloves with it.")


def shown(effect: Effect, *, terminal: bool) -> list[str]:
    """The lines that one effect adds to a screen of 60 columns."""
    out = io.StringIO()
    console = Console(file=out, width=60, force_terminal=terminal, color_system=None)
    Transcript(console, wording_of(PRACTICE, NO_SITE))(START, TimerFired(0, "silence"), (effect,))
    return out.getvalue().splitlines()


def test_a_terminal_gets_lines_that_fit_and_a_file_gets_one() -> None:
    lines = shown(LONG, terminal=True)
    assert len(lines) == 2
    assert all(len(line.rstrip()) <= 60 for line in lines)
    assert len(lines[1]) - len(lines[1].lstrip()) == len("00:00.0  coach     ")
    assert shown(LONG, terminal=False) == [f"00:00.0  coach     {LONG.text}"]


def test_notes_are_shown_in_the_words_of_the_protocol() -> None:
    owed = Note(NoteKind.OWED, (("what", "wash, report"),))
    assert shown(owed, terminal=False) == ["00:00.0  record    owed for exposures: wash, report"]
    breach = Note(NoteKind.BREACH, (("kind", "breach"), ("step", "practice-gown-away"), ("by", "wearer")))
    (line,) = shown(breach, terminal=False)
    assert line.endswith("breach: breach; Roll the gown away from you, with the gloves in it; by the wearer")


def test_long_lines_of_a_listing_are_broken_between_words_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = '  wearer: "clear"   (or "torn" leads to fresh-piece, "soiled" leads to fresh-piece)'
    print_text(line)
    assert capsys.readouterr().out == line + "\n"
    monkeypatch.setenv("COLUMNS", "50")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    print_text(line)
    broken = capsys.readouterr().out.splitlines()
    assert all(len(part) <= 50 for part in broken)
    assert [part[:7] for part in broken[1:]] == ["      " + part[6] for part in broken[1:]]
    assert " ".join(" ".join(broken).split()) == " ".join(line.split())
