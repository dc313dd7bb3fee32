"""Reading a scene and playing it: the typed recogniser, the true loop, a voice that takes its time, the sample clock.

A scene is a text that a practitioner can check:

    protocol: n95-gown                a list, with commas, is played with each of them (as is a list behind 'begins at')
    people: alone | with an observer | with an observer and an assistant | on one microphone
    begins at: rub-outer-1            the step that has just been read; or 'work'
    site: eyes at once                a site with an eyewash, a desk to call, and, with these words, eyes rinsed at once
    noise: 10 dB below the voices     with sound only; without this line the room is quiet
    through: respirator | shield      with sound only: what the wearer speaks through (a shield: over it)
    wearer, 25 s later: "done"        after the coach's last words, or after the words before
    observer, 1 s into the words: "stop"
    somebody, 1 s later: "bridge" (almost "breach")
    coach: "Not yet."                 said next, in this order; other words may come between
    coach, within 1 s: "Step away."   counted from the end of the last person's words
    coach at once: "Hands away..."    the very next words; "..." stands for the rest of a prompt
    coach never: "What happened?"     not once between here and the next person's words
    sound: early
    silence within 0.3 s              what sounded is cut off
    record: exposure place=neck
    record if heard: step-refused     only asked for when the last person's words were not refused by the recogniser
    step: shield-away                 the step it is about then
    on: gown, mask                    the list of what is worn then
    not said yet: "Report it now..."  not once since the scene began
    as written until: wash-skin       everybody answers as the protocol has it, up to that step ('the end': to the end)
    quiet for 95 s
    cut: killed | microphone pulled | microphone back | disk full
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple, get_args

import numpy as np
from session_driver import Session, copies, grammar, setup
from session_laws import SITE

from voicecoach.audio.line import Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.listen.scripted import ScriptedRecogniser, parse
from voicecoach.protocol.navigation.position import step_at
from voicecoach.protocol.site import NO_SITE, Site
from voicecoach.record.journal import UNHURRIED_S, Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.effects import Effect, Note, Say, StopSpeaking, Tone
from voicecoach.session.events import CLOCK_HZ, Event, Heard, Opened, PartBack, PartLost, Reopened
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.simulate.room import Mask
from voicecoach.speak.silent import SilentVoice

PEOPLE = {
    "alone": ("solo", False),
    "with an observer": ("pair", True),
    "with an observer and an assistant": ("pair", True),
    "on one microphone": ("pair", False),
}
CUTS = {
    "microphone pulled": ("ears", False),
    "microphone back": ("ears", True),
    "disk full": ("disk", False),
}
SITES = {
    "": NO_SITE,
    "eyes when out": SITE,
    "eyes at once": replace(SITE, eyes_at_once=True),
}
LONGEST_S = 900.0
"""A part of a scene that is not over then waits for something that never comes."""
TAIL_S = 4.0
"""How long the room goes on behind the last word of a part."""
SAID = re.compile(
    r'(?P<who>wearer|observer|assistant|somebody), (?P<time>[\d.]+) s (?P<when>later|into the words): "(?P<words>.*)"'
    r'(?: \(almost "(?P<near>.*)"\))?$'
)
COACH = re.compile(r'coach(?P<how>, within [\d.]+ s| at once| never)?: "(?P<words>.*)"$')


class Line(NamedTuple):
    """One line of a scene. kind: said, coach, sound, silence, record, step, on, unsaid, until, quiet or cut."""

    number: int
    kind: str
    text: str
    within_s: float | None = None
    how: str = ""
    script: str = ""


@dataclass
class Scene:
    """A scene as written."""

    name: str
    protocol: str
    people: str
    begins_at: str
    lines: list[Line]
    noise_db: float | None = None
    through: Mask = "none"
    site: Site = NO_SITE

    @property
    def setup(self) -> Setup:
        """What it is played with."""
        return setup(self.protocol, self.site)


@dataclass
class Moment:
    """One thing that happened. kind: heard, say, tone, cut, note or until."""

    at_s: float
    kind: str
    text: str
    state: SessionState
    details: dict[str, str] = field(default_factory=dict)


def moments_of(at: int, state: SessionState, event: Event, effects: Iterable[Effect]) -> Iterator[Moment]:
    """What a scene can speak of in one step of a session, at sample `at`."""
    at_s = at / CLOCK_HZ
    if isinstance(event, Heard):
        yield Moment(at_s, "heard", event.phrase, state, {"begin_s": str(event.begin / CLOCK_HZ)})
    for effect in effects:
        if isinstance(effect, Say):
            yield Moment(at_s, "say", effect.text, state)
        elif isinstance(effect, Tone):
            yield Moment(at_s, "tone", effect.tone, state)
        elif isinstance(effect, StopSpeaking):
            yield Moment(at_s, "cut", "", state)
        elif isinstance(effect, Note):
            yield Moment(at_s, "note", effect.what, state, dict(effect.details))


def load_scene(path: Path) -> Scene:
    """Read a scene of one protocol; an AssertionError names the line that cannot be read."""
    (scene,) = load_scenes(path)
    return scene


def load_scenes(path: Path) -> list[Scene]:
    """Read a scene, once for each of its protocols."""
    head: dict[str, str] = {}
    lines: list[Line] = []
    for number, raw in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        text = raw.partition("#")[0].strip()
        key, _, value = text.partition(":")
        if not text:
            continue
        if key in {"protocol", "people", "begins at", "site", "noise", "through"}:
            head[key] = value.strip()
        else:
            lines.append(_line(number, text))
    noise, through = head.get("noise"), head.get("through", "none")
    assert through in get_args(Mask), f"{path.name}: {through!r} is none of {get_args(Mask)}"
    found = re.fullmatch(r"([\d.]+) dB below the voices", noise) if noise else None
    assert noise is None or found, f"{path.name}: the noise {noise!r} cannot be read"
    noise_db = -float(found[1]) if found else None
    protocols = re.split(r", *", head["protocol"])
    begins = re.split(r", *", head["begins at"]) * (1 if "," in head["begins at"] else len(protocols))
    site = SITES[head.get("site", "")]
    return [
        Scene(path.stem, name, head["people"], begin, lines, noise_db, through, site)  # type: ignore[arg-type]
        for name, begin in zip(protocols, begins, strict=True)
    ]


def _line(number: int, text: str) -> Line:
    said, coach = SAID.match(text), COACH.match(text)
    if said:
        sign = "+" if said["when"] == "later" else "@"
        role = "unknown" if said["who"] == "somebody" else said["who"]
        near = f" ~{said['near']}" if said["near"] else ""
        return Line(number, "said", said["words"], script=f"{sign}{said['time']} {role}: {said['words']}{near}")
    if coach:
        how = (coach["how"] or "").strip(", ")
        call_with_timeout = re.search(r"[\d.]+", how)
        return Line(number, "coach", coach["words"], float(call_with_timeout[0]) if call_with_timeout else None, how)
    for kind, form in (("silence", r"silence within ([\d.]+) s"), ("quiet", r"quiet for ([\d.]+) s")):
        found = re.fullmatch(form, text)
        if found:
            return Line(number, kind, "", float(found[1]))
    key, _, value = text.partition(": ")
    if key == "record if heard":
        return Line(number, "record", value, how="if heard")
    more = {"not said yet": "unsaid", "as written until": "until"}
    assert key in {"sound", "record", "step", "on", "cut", *more}, f"line {number} cannot be read: {text}"
    return Line(number, more.get(key, key), value.strip('"'))


class Room(QuietLine):
    """A line that ends `tail_s` after the recogniser has no more to say."""

    def __init__(self, start: int = 0) -> None:
        super().__init__(start=start)
        self.ear: ScriptedRecogniser | None = None
        self.tail_s = TAIL_S
        self._ends_at: int | None = None

    def part(self, ear: ScriptedRecogniser, tail_s: float) -> None:
        """A new part of the scene begins."""
        self.ear, self.tail_s, self._ends_at, self._begun_at = ear, tail_s, None, self._at

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        if self.ear is not None and self.ear.finished and self._ends_at is None:
            self._ends_at = at + round(self.tail_s * CLOCK_HZ)
        assert at - self._begun_at < LONGEST_S * CLOCK_HZ, "what the scene waits for never came"
        last = self._ends_at is not None and at >= self._ends_at
        return np.zeros((len(played), self.channels), dtype=np.float32), last


class Stage:
    """Where a scene is played."""

    def __init__(self, scene: Scene, folder: Path) -> None:
        self.scene = scene
        self.setup: Setup = scene.setup
        mode, independent = PEOPLE[scene.people]
        self.moments: list[Moment] = []
        self.begun = 0
        opened = Opened(0, mode, "typed", "none", training_only=True, independent=independent)  # type: ignore[arg-type]
        self._journal = Journal.create(
            folder / "record", _manifest(mode), copies(scene.protocol), patience_s=UNHURRIED_S
        )
        self._room = Room()
        self._coach = self._new_coach(None)
        self._coach.begin(opened)
        self._play(lead_up(scene, self.setup), 0.3)
        self.begun = len(self.moments)

    def _new_coach(self, state: SessionState | None) -> Coach:
        ear = ScriptedRecogniser(grammar(), ())
        parts = Parts(Machine(self.setup), ear, self._room, SilentVoice(), self._journal, watch=self._watch)
        parts.exhausted = lambda: False
        return Coach(parts, state, self._coach.now if state else 0)

    def _watch(self, state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        self.moments += moments_of(state.at, state, event, effects)

    def _play(self, script: str, tail_s: float) -> None:
        ear = ScriptedRecogniser(grammar(), parse(script, f"{self.scene.name}.txt"))
        ear.listen(self._coach.state.listening)
        self._coach.parts.ear = ear
        self._room.part(ear, tail_s)
        self._coach.run()

    @property
    def state(self) -> SessionState:
        """Where the session stands."""
        return self._coach.state

    def play(self) -> list[Moment]:
        """Play all parts; what happened, from the scene's begin on."""
        script: list[str] = []
        tail_s = TAIL_S
        for line in self.scene.lines:
            if line.kind == "said":
                script.append(line.script)
                tail_s = TAIL_S
            elif line.kind == "quiet":
                tail_s = line.within_s or 0.0
            elif line.kind == "cut":
                self._play("\n".join(script), tail_s)
                script, tail_s = [], TAIL_S
                self._cut(line.text)
        self._play("\n".join(script), tail_s)
        self._journal.close()
        return self.moments[self.begun :]

    def _cut(self, what: str) -> None:
        now = self._coach.now
        if what != "killed":
            part, back = CUTS[what]
            self._coach.begin(PartBack(now, part) if back else PartLost(now, part, what))  # type: ignore[arg-type]
            return
        self._journal.close()
        machine = Machine(self.setup)
        state = machine.start()
        for event in read(self._journal.folder).events:
            state, _ = machine.step(state, event)
        self._journal = Journal.open_existing(self._journal.folder, patience_s=UNHURRIED_S)
        self._room = Room(start=now)
        self._coach = self._new_coach(state)
        self._coach.begin(Reopened(now, 2.0, "killed"))


def _manifest(mode: str) -> Manifest:
    return Manifest(engine="typed", mode=mode, audio="none", protocol="", grammar="en")


def lead_up(scene: Scene, the_setup: Setup) -> str:
    """What is said, as written in the protocol, until the scene begins."""
    mode, independent = PEOPLE[scene.people]
    session = Session(the_setup, mode, independent=independent)  # type: ignore[arg-type]
    session.said_out()
    if scene.begins_at == "work":
        session.go_to_work()
    else:
        session.go_to(scene.begins_at)
    return "\n".join(_lines_of(session))


def _lines_of(session: Session) -> Iterator[str]:
    wait_s = 0.0
    for number, event in enumerate(session.events):
        wait_s += session.waited_s.get(number, 0.0)
        if isinstance(event, Heard):
            command = grammar().command(event.command or "")
            assert command is not None
            yield f"+{wait_s + 0.7:.1f} {event.role}: {command.phrases[0]}"
            wait_s = 0.0


def _resumes(moments: list[Moment], at: int) -> bool:
    """Whether this sentence is only finished, after a voice that meant nothing had cut it (rule 7)."""
    before = next((i for i in range(at - 1, -1, -1) if moments[i].kind == "say"), -1)
    return before >= 0 and moments[before].text == moments[at].text and any(m.kind == "cut" for m in moments[before:at])


def check(scene: Scene, moments: list[Moment]) -> None:
    """Go through the scene's lines and find each, in order, in what happened.

    Raises:
        AssertionError: the line that does not hold, with what happened instead.
    """
    at = 0
    spoken_s = moments[0].at_s if moments else 0.0
    refused = False
    for line in scene.lines:
        where = f"{scene.name}.txt:{line.number}: {line.kind} {line.text!r}"
        if line.kind in {"quiet", "cut"}:
            continue
        if line.kind == "until":
            marked = _find_mark(moments, at, line.text)
            at = max((i + 1 for i in range(at, marked) if moments[i].kind == "heard"), default=at)
            continue
        if line.kind == "unsaid":
            early = [m for m in moments[:at] if m.kind == "say" and _same(m, line.text)]
            assert not early, f"{where}: said at {early[0].at_s} s"
            continue
        if line.kind == "said":
            at = _find(moments, at, "heard", line.text, where)
            spoken_s = moments[at - 1].at_s
            refused = "refused" in moments[at - 1].details
        elif line.kind in {"step", "on"}:
            _check_state(scene, line, moments[at - 1].state, where)
        elif line.how == "if heard" and refused:
            continue
        elif line.how == "never":
            ahead = next((i for i in range(at, len(moments)) if moments[i].kind == "heard"), len(moments))
            said = [i for i in range(at, ahead) if moments[i].kind == "say" and moments[i].text == line.text]
            assert all(_resumes(moments, i) for i in said), where
        elif line.kind == "silence":
            begun_s = next(float(m.details["begin_s"]) for m in moments[:at][::-1] if m.kind == "heard")
            cut_s = [m.at_s for m in moments if m.kind == "cut" and m.at_s >= begun_s]
            assert cut_s, where
            assert cut_s[0] - begun_s <= (line.within_s or 0.0), f"{where}: {cut_s[0] - begun_s} s"
        else:
            kind = {"coach": "say", "sound": "tone", "record": "note"}[line.kind]
            at = _found(moments, at, kind, line, where)
            if line.within_s is not None:
                assert moments[at - 1].at_s - spoken_s <= line.within_s, f"{where}: {moments[at - 1].at_s - spoken_s} s"


def _found(moments: list[Moment], at: int, kind: str, line: Line, where: str) -> int:
    text, _, rest = line.text.partition(" ") if kind == "note" else (line.text, "", "")
    wanted = dict(part.split("=", 1) for part in re.findall(r"[\w-]+=\S+", rest))
    found = _find(moments, at, kind, text, where, wanted)
    if line.how == "at once":
        others = [m.text for m in moments[at : found - 1] if m.kind == kind]
        assert others == [], f"{where}: before it came {others}"
    return found


def _find(
    moments: list[Moment], at: int, kind: str, text: str, where: str, wanted: dict[str, str] | None = None
) -> int:
    for index in range(at, len(moments)):
        moment = moments[index]
        if moment.kind == "heard" and kind != "heard":
            break
        if moment.kind == kind and _same(moment, text) and (wanted or {}).items() <= moment.details.items():
            return index + 1
    near = moments[max(0, at - 3) : at + 25]
    listed = "\n".join(f"  {m.at_s:8.2f} {m.kind:6} {m.text} {m.details or ''}" for m in near)
    raise AssertionError(f"{where} did not happen; instead:\n{listed}")


def _same(moment: Moment, text: str) -> bool:
    return moment.text.startswith(text[:-3]) if text.endswith("...") else moment.text == text


def _find_mark(moments: list[Moment], at: int, text: str) -> int:
    return next(i for i in range(at, len(moments)) if (moments[i].kind, moments[i].text) == ("until", text))


def _check_state(scene: Scene, line: Line, state: SessionState, where: str) -> None:
    if line.kind == "on":
        assert (", ".join(state.ledger.on()) or "nothing") == line.text, f"{where}: {state.ledger.on()}"
        return
    step = step_at(scene.setup.protocol, state.place)
    assert (step.name if step else state.status) == line.text, f"{where}: {step.name if step else state.status}"
