"""From blocks of sound to events, in one process: cancel the echo, cut utterances, score them, decide.

The same blocks give the same events. The watched process runs this for every engine that listens to sound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import LOWEST, Decision, Grammar, decide
from voicecoach.listen.echo import DELAY, EchoCanceller
from voicecoach.listen.engines.scorer import Scorer
from voicecoach.listen.levels import LevelWatch
from voicecoach.listen.segmenter import Segment, Segmenter, SegmentEvent
from voicecoach.session.events import Event, Heard, Role, SoundTrouble, SpeechEnded, SpeechStarted, SpeechUnending

AFTERSOUND = int(0.15 * RATE_HZ)
"""The coach counts as sounding for this long after its last sample (frames), because rooms ring."""

APART_DB = 6.0
"""A voice this much louder on one channel than on another belongs to the louder one; otherwise its role is unknown."""

DOUBT_DB = 4.0
"""A doubtful danger word is asked about only if the voice is this far above the noise before it. Voice and noise are
measured together, so that 4 dB is a voice a little louder than the noise."""

CLEAR = 3.0
"""An answer of two words or more that is this far above its floor (log-odds), and is not the beginning of another
phrase, ends before the hang-over. A single word may begin a sentence ("no, ..."). Scores of phonemes alone never reach
it."""


class Pipeline:
    """A recogniser of sound, without a process around it.

    Args:
        recogniser: scores one utterance; prepared here with `grammar`.
        grammar: all commands.
        roles: who speaks on which channel; a channel without an entry is 'unknown'.
        hangover_s: silence that ends an utterance (s).
        working: called between pieces of work within one block, each a fraction of a second long.
    """

    def __init__(
        self,
        recogniser: Scorer,
        grammar: Grammar,
        roles: Mapping[int, Role],
        *,
        hangover_s: float = 0.30,
        working: Callable[[], None] = lambda: None,
    ) -> None:
        self.engine = recogniser.engine
        self._recogniser = recogniser
        self._grammar = self._rules = recogniser.prepare(grammar)
        self._roles = dict(roles)
        self._hangover_s = hangover_s
        self._working = working
        self._live: frozenset[str] = frozenset()
        self._urgent = frozenset(command.name for command in grammar.urgent)
        self._openings = openings(grammar)
        self._channels: list[_Channel] = []
        self._next = 0
        self._sounding_until = 0

    def listen(self, commands: Collection[str]) -> None:
        """Set the live commands; a draft decided for other ones will be decided again."""
        live = frozenset(commands)
        if live != self._live:
            self._live = live
            for channel in self._channels:
                channel.drafts = []

    def set_floors(self, floors: Mapping[str, float]) -> None:
        """Set the floors of these commands, but never below the score at which they are asked about."""
        commands = tuple(
            replace(one, floor=max(floors[one.name], self._lowest(one.name))) if one.name in floors else one
            for one in self._grammar.commands
        )
        self._grammar = replace(self._grammar, commands=commands)

    def _lowest(self, name: str) -> float:
        return self._rules.floor(name) - self._rules.margin(name).near

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        """Take frames that begin at sample `at`; returns the events found, by time.

        Args:
            at: sample of the first frame. heard: shape (frames, channels), or (frames,) for one channel. played: shape
                (frames,), what the speaker played meanwhile.

        Raises:
            EngineError: the shapes do not fit, or the recogniser gave an invalid score.
        """
        sound = np.asarray(heard, np.float32).reshape(len(played), -1) if len(played) else np.zeros((0, 1), np.float32)
        if not len(sound):
            return []
        if len(self._channels) != sound.shape[1]:
            if self._channels:
                raise EngineError(
                    f"got {sound.shape[1]} channels", where="recogniser", expected=str(len(self._channels))
                )
            self._channels = [_Channel(self._hangover_s, self._draft, self._clear) for _ in range(sound.shape[1])]
        events: list[Event] = []
        if at != self._next:
            # frames were lost: as far as is known, the utterance has ended
            for number, channel in enumerate(self._channels):
                if channel.segmenter.speaking:
                    events.append(SpeechEnded(at, channel=number))
                channel.start_anew(at)
        self._next = at + len(sound)
        loud = np.flatnonzero(np.abs(played) > 1e-4)
        playing = bool(len(loud)) or at < self._sounding_until
        if len(loud):
            self._sounding_until = at + int(loud[-1]) + AFTERSOUND
        events += [
            SoundTrouble(self._next, what, channel=number)
            for number, channel in enumerate(self._channels)
            for what in channel.levels.feed(at, sound[:, number])
        ]
        found = [
            (thing.at, number, thing)
            for number, channel in enumerate(self._channels)
            for thing in channel.feed(sound[:, number], np.asarray(played, np.float32), playing=playing)
        ]
        found.sort(key=lambda entry: entry[:2])
        return [*events, *(event for _, number, thing in found for event in self._events(number, thing))]

    def _events(self, number: int, found: SegmentEvent) -> list[Event]:
        channel = self._channels[number]
        at = found.at + DELAY
        if found.what == "onset":
            channel.reported = set()
            return [SpeechStarted(at, channel=number)]
        if found.what == "unending":
            return [SpeechUnending(at, channel=number)]
        if found.what == "draft":
            return []  # decided when the segmenter asked whether it is finished
        if found.what == "whole":
            heard = self._urgent_in(number, found) if found.segment.part else self._whole(number, found)
            return [SpeechEnded(at, channel=number), *heard, *self._trouble(number, found.segment, at)]
        return list(self._urgent_in(number, found))

    def _trouble(self, number: int, segment: Segment, at: int) -> list[Event]:
        """What is wrong with the sound of an utterance; one over a prompt is not judged."""
        if segment.played or segment.part:
            return []
        found = self._channels[number].levels.utterance(segment.begin, segment.end, segment.over_noise_db, at)
        return [SoundTrouble(at, what, channel=number) for what in found]

    def _draft(self, channel: _Channel, segment: Segment) -> Decision:
        """The decision on an utterance if it ends here; made once."""
        for draft in channel.drafts:
            if (draft.begin, draft.end) == (segment.begin, segment.end):
                return draft.decision
        decision = self._decide(segment, self._live)
        channel.drafts.append(_Draft(segment.begin, segment.end, decision))
        return decision

    def _clear(self, decision: Decision) -> bool:
        """Whether an answer needs no more silence."""
        phrase = decision.phrase
        sure = decision.command is not None and decision.score >= decision.floor + CLEAR
        return sure and " " in phrase and phrase not in self._openings

    def _whole(self, number: int, found: SegmentEvent) -> list[Event]:
        """The events of a finished utterance."""
        channel, segment = self._channels[number], found.segment
        decision = self._draft(channel, segment)
        if decision.command is None and segment.resumed > segment.begin:
            after = self._decide(segment.after_pause(), self._live)
            doubts = [one for one in (decision, after, channel.doubt) if one is not None and one.near is not None]
            decision = after if after.command is not None or not doubts else doubts[0]
        channel.drafts, channel.doubt = [], None
        if channel.reported and (decision.command is None or decision.command in channel.reported):
            return []  # its danger word was reported while it was being spoken
        return self._events_of(number, found, decision)

    def _urgent_in(self, number: int, found: SegmentEvent) -> list[Event]:
        """A danger word, or 'stop', in speech that continues."""
        channel = self._channels[number]
        decision = self._decide(found.segment, self._live & self._urgent)
        if decision.command is None or decision.command in channel.reported:
            return []
        channel.reported.add(decision.command)
        return self._events_of(number, found, decision)

    def _decide(self, segment: Segment, live: frozenset[str]) -> Decision:
        decision = self._either(segment, live)
        # talk buried in noise sounds like anything; a danger word in it counts only if it is clear
        return decision if segment.over_noise_db >= DOUBT_DB else replace(decision, near=None)

    def _either(self, segment: Segment, live: frozenset[str]) -> Decision:
        """The decision. Over a prompt, danger is looked for in both sounds: one may have kept a word that the other
        lost.

        Of 60 danger words over a prompt 6 dB below the voice (10 voices), 54 were heard instead of 46; none falsely.
        """
        decision = self._decide_on(segment.samples, live)
        if not segment.played or decision.command in self._urgent:
            return decision
        other = self._decide_on(segment.noticed, live)
        if other.command in self._urgent:
            return other
        return other if decision.command is None and decision.near is None and other.near is not None else decision

    def _decide_on(self, samples: Samples, live: frozenset[str]) -> Decision:
        self._working()
        ranked, decoy = self._recogniser.score(samples, live)
        if any(math.isnan(scored.score) for scored in ranked):
            raise EngineError("gave an invalid score (NaN)", where=f"engine {self.engine}")
        return decide(self._grammar, ranked, live, decoy)

    def _events_of(self, number: int, found: SegmentEvent, decision: Decision) -> list[Event]:
        segment = found.segment
        role = self._role(number, segment, decision)
        if role is None:
            return []
        self._channels[number].last = _Draft(segment.begin, segment.end, decision)
        return [
            Heard(
                found.at + DELAY,
                decision.command,
                phrase=decision.phrase,
                begin=segment.begin,
                end=segment.end,
                channel=number,
                role=role,
                engine=self.engine,
                score=round(max(decision.score, LOWEST), 3),
                floor=decision.floor,
                near=decision.near,
                runner_up=decision.runner_up,
            )
        ]

    def _role(self, number: int, segment: Segment, decision: Decision) -> Role | None:
        """Whose voice it was; None if it belongs to another channel, or was reported there."""
        own = self._channels[number].segmenter.power(segment.begin, segment.end)
        role: Role = self._roles.get(number, "unknown")
        for other, channel in enumerate(self._channels):
            if other == number or not channel.segmenter.spoke(segment.begin, segment.end):
                continue
            apart_db = 10 * math.log10((own + 1e-12) / (channel.segmenter.power(segment.begin, segment.end) + 1e-12))
            if apart_db >= APART_DB:
                continue
            urgent = decision.command in self._urgent
            reported = channel.last is not None and (
                channel.last.same(segment, decision)
                or (urgent and channel.last.decision.command in self._urgent and channel.last.overlaps(segment))
            )
            if reported or (apart_db <= -APART_DB and not urgent):
                return None
            role = "unknown"
        return role


def openings(grammar: Grammar) -> frozenset[str]:
    """Phrases that are the beginning of another one: 'no' if there is 'no air'."""
    phrases = [phrase for command in grammar.commands for phrase in command.phrases]
    return frozenset(one for one in phrases if any(other.startswith(f"{one} ") for other in phrases))


@dataclass(frozen=True, slots=True)
class _Draft:
    """A decision on the speech between two samples."""

    begin: int
    end: int
    decision: Decision

    def overlaps(self, segment: Segment) -> bool:
        """Whether it covers the same time: a cry of danger counts once, whatever a distant microphone made of it."""
        return self.begin < segment.end and segment.begin < self.end

    def same(self, segment: Segment, decision: Decision) -> bool:
        """Whether it is the same decision about largely the same time."""
        shared = min(self.end, segment.end) - max(self.begin, segment.begin)
        return decision.command == self.decision.command and shared > (segment.end - segment.begin) // 2


class _Channel:
    """One microphone: its echo canceller, its segmenter, and what was recognised so far."""

    def __init__(
        self, hangover_s: float, draft: Callable[[_Channel, Segment], Decision], clear: Callable[[Decision], bool]
    ) -> None:
        self._hangover_s = hangover_s
        self._draft, self._clear = draft, clear
        self.levels = LevelWatch()
        self.start_anew(0)

    def start_anew(self, at: int) -> None:
        """Forget everything before sample `at`."""
        self._canceller = EchoCanceller()
        self.segmenter = Segmenter(hangover_s=self._hangover_s, unfinished=self._unfinished, finished=self._finished)
        self._clean_at = at - DELAY
        self.drafts: list[_Draft] = []
        self.doubt: Decision | None = None
        self.last: _Draft | None = None
        self.reported: set[str] = set()

    def _finished(self, segment: Segment) -> bool:
        return self._clear(self._draft(self, segment))

    def _unfinished(self, segment: Segment) -> bool:
        decision = self._draft(self, segment)
        if decision.near is not None:
            self.doubt = decision  # danger may have been said before the pause
        return decision.command is None

    def feed(self, heard: Samples, played: Samples, *, playing: bool) -> list[SegmentEvent]:
        """What the segmenter finds after echo cancelling; sample numbers are those of the line."""
        clean, natural = self._canceller.feed(heard, played)
        found = self.segmenter.feed(self._clean_at, clean, playing=playing, natural=natural)
        self._clean_at += len(clean)
        return found
