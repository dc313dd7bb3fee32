"""Anything may happen in any order: faults, voices, words of any role, time. The laws are in session_laws.py."""

from __future__ import annotations

import random
from typing import Literal

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from session_driver import grammar
from session_laws import CLOSED, Walk, listening_words_mean_something

from voicecoach.session.events import (
    Heard,
    Opened,
    PartBack,
    PartLost,
    Reopened,
    SpeechEnded,
    SpeechStarted,
    SpeechUnending,
    TimerFired,
)
from voicecoach.session.interpret.live_commands import words_to_try

WORDS = sorted(command.name for command in grammar().commands)
ROLES = ("wearer", "observer", "assistant", "unknown")
PARTS = ("ears", "voice", "line", "disk")
TIMERS = ("rub", "window", "near", "quiet", "hold", "silence", "check", "pace", "wear", "unheard-of")
PROTOCOLS = ("short-practice", "n95-gown", "papr-gown")


class Anything(RuleBasedStateMachine):
    @initialize(
        name=st.sampled_from(PROTOCOLS), mode=st.sampled_from(("solo", "pair")), independent=st.booleans(),
        start=st.integers(0, 60),
    )  # fmt: skip
    def opens(self, name: str, mode: Literal["solo", "pair"], independent: bool, start: int) -> None:
        self.walk = Walk(name, mode, independent=independent)
        for _ in range(start):
            forwards(self.walk)

    @rule(steps=st.integers(1, 4))
    def goes_forwards(self, steps: int) -> None:
        for _ in range(steps):
            forwards(self.walk)

    @rule(word=st.sampled_from(WORDS), role=st.sampled_from(ROLES))
    def hears_any_word(self, word: str, role: str) -> None:
        self.walk.say(word, role)

    @rule(data=st.data(), role=st.sampled_from(ROLES))
    def hears_a_word_it_listens_for(self, data: st.DataObject, role: str) -> None:
        if self.walk.state.listening:
            self.walk.say(data.draw(st.sampled_from(self.walk.state.listening)), role)

    @rule(near=st.sampled_from((None, "breach", "torn", "splash", "stop")), role=st.sampled_from(ROLES))
    def hears_nothing_clear(self, near: str | None, role: str) -> None:
        self.walk.say(None, role, near)

    @rule(word=st.sampled_from(("breach", "stop", "pause", "back", "repeat", "touched", "not-clear", "end-session")))
    def hears_a_word_that_turns_things(self, word: str) -> None:
        self.walk.say(word, "observer" if word == "not-clear" else "wearer")

    @rule(kind=st.sampled_from((SpeechStarted, SpeechEnded, SpeechUnending)))
    def a_voice_begins_or_ends(self, kind: type) -> None:
        self.walk.happens(kind(self.walk.at))

    @rule(complete=st.booleans(), played_s=st.floats(0, 5))
    def a_prompt_is_reported_over(self, complete: bool, played_s: float) -> None:
        self.walk.end_prompt(complete=complete, played_s=played_s)

    @rule()
    def a_timer_runs_out(self) -> None:
        self.walk.fire_next()

    @rule(timer=st.sampled_from(TIMERS))
    def a_timer_fires_that_does_not_run(self, timer: str) -> None:
        if timer not in self.walk.due:
            self.walk.happens(TimerFired(self.walk.at, timer))

    @rule(part=st.sampled_from(PARTS), back=st.booleans())
    def a_part_fails_or_comes_back(self, part: str, back: bool) -> None:
        event = PartBack(self.walk.at, part) if back else PartLost(self.walk.at, part, "pulled")  # type: ignore[arg-type]
        self.walk.happens(event)

    @precondition(lambda self: self.walk.state.ledger.on())
    @rule()
    def it_is_told_to_end(self) -> None:
        self.walk.happens(PartLost(self.walk.at, "signal", "SIGTERM"))
        assert self.walk.state.status not in CLOSED

    @rule(gap_s=st.floats(0, 100))
    def it_is_cut_off(self, gap_s: float) -> None:
        self.walk.sounding, self.walk.dropped = [], []
        self.walk.due.clear()
        self.walk.happens(Reopened(self.walk.at, gap_s, "killed"))

    @rule()
    def it_is_opened_again(self) -> None:
        self.walk.happens(Opened(self.walk.at, "solo", "typed", "none", training_only=True, independent=False))

    @invariant()
    def a_breach_would_be_acted_on(self) -> None:
        """Rule 7: from wherever it stands, whatever is listened for."""
        walk = self.walk
        if walk.state.status in CLOSED or "breach" in words_to_try(walk.setup, walk.state):
            return
        after, _ = walk.machine.step(walk.state, Heard(walk.at, "breach", "breach", walk.at, walk.at))
        assert after.status == "breached"

    @invariant()
    def each_word_listened_for_means_something(self) -> None:
        listening_words_mean_something(self.walk)


def forwards(walk: Walk) -> None:
    """The next thing as written."""
    walk.at += 4000
    if walk.dropped or walk.sounding:
        walk.end_prompt()
        return
    right = walk.right_word()
    if right is not None:
        walk.say(*right, begin_s=0.1)
    else:
        walk.fire_next()


TestAnything = Anything.TestCase
TestAnything.settings = settings(
    derandomize=True,  # the same walks each time
    max_examples=35,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("seed", range(6))
def test_the_laws_hold_through_long_disturbed_sessions(protocol: str, seed: int) -> None:
    """Rare events on the way, so that every stage is reached; random, but the same each time."""
    chance = random.Random(f"{protocol} {seed}")  # noqa: S311 - nothing secret
    walk = Walk(protocol, chance.choice(("solo", "pair")), independent=chance.random() < 0.7)
    for _ in range(300):
        disturb(walk, chance) if chance.random() < 0.12 else forwards(walk)
        listening_words_mean_something(walk)


def disturb(walk: Walk, chance: random.Random) -> None:
    """Something that is not as written."""
    at, role = walk.at, chance.choice(ROLES)
    walk.at += chance.randrange(16_000)
    kind = chance.randrange(8)
    if kind == 0 and walk.state.listening:
        walk.say(chance.choice([word for word in walk.state.listening if word != "end-session"]), role)
    elif kind == 1:
        walk.say(None, role, chance.choice((None, None, "breach", "stop")))
    elif kind == 2:
        walk.happens(SpeechStarted(at))
    elif kind == 3:
        walk.happens(SpeechUnending(at))
    elif kind == 4:
        walk.happens(PartLost(at, chance.choice(PARTS), "pulled"))  # type: ignore[arg-type]
    elif kind == 5:
        walk.happens(PartBack(at, chance.choice(PARTS)))  # type: ignore[arg-type]
    elif kind == 6:
        walk.fire_next()
    else:
        walk.say(chance.choice(("pause", "back", "repeat", "stop", "not-clear")), role)
