"""The protocol, grammar and site file of a session, from the copies in its record."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from voicecoach import grammar as grammars
from voicecoach.debrief.replay import read_copy
from voicecoach.errors import VoicecoachError
from voicecoach.protocol import load as protocols
from voicecoach.protocol import site as sites
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import ROLES, Protocol
from voicecoach.protocol.site import Site
from voicecoach.record.read import Session
from voicecoach.session.setup import Setup

STAGE_LABELS = {
    "prepare": "Getting ready",
    "dress": "Putting on",
    "work": "At work",
    "undress": "Taking off",
    "close": "Afterwards",
}
_SELF_EVIDENT = frozenset({"step", "why", "cause", "kind", "what", "stage"})
_ABOUT_PLACES = frozenset({"where", "touched", "skin"})
"""Questions answered with a place; as the cause of a note they only mean that the place was asked for."""
_NAME = re.compile(r"[a-z]+(-[a-z0-9]+)+")
_STATE = re.compile(r"(\S+) is ([\w ]+)")


@dataclass(frozen=True, slots=True)
class Texts:
    """The files of a session, as copied into its record."""

    protocol: str
    grammar: str
    site: str = ""

    def copies(self) -> dict[str, bytes]:
        """File name -> bytes."""
        named = {"protocol.yaml": self.protocol, "grammar.yaml": self.grammar, "site.yaml": self.site}
        return {name: text.encode() for name, text in named.items() if text}

    def setup(self) -> Setup:
        """The setup from these texts."""
        return Setup(
            protocols.load(self.protocol, "protocol.yaml"),
            grammars.parse(self.grammar, "grammar.yaml"),
            sites.load(self.site, "site.yaml") if self.site else sites.NO_SITE,
        )


def recorded_texts(session: Session) -> Texts:
    """The files that a session ran on, from the copies in its record.

    Raises:
        RecordError: a copy is not what the manifest says.
    """
    return Texts(*(read_copy(session, name) or "" for name in ("protocol.yaml", "grammar.yaml", "site.yaml")))


@dataclass(frozen=True, slots=True)
class Wording:
    """What people call the steps and items of a record.

    protocol: None if its copy in the record is missing, changed, or in a form this version cannot read; steps and items
    are then called by their names in the record, and `trouble` says why. The grammar is not needed here.
    """

    protocol: Protocol | None
    site: Site
    steps: dict[str, str]
    items: dict[str, str]
    title: str
    trouble: str = ""

    def step(self, name: str) -> str:
        """The prompt of a step without its full stop, or its name with spaces if that is not known."""
        return self.steps.get(name, name.replace("-", " ").capitalize()) if name else ""

    def stage(self, name: str) -> str:
        """What people call a stage."""
        return STAGE_LABELS.get(name, name.replace("-", " ").capitalize())

    def particulars(self, details: Mapping[str, str]) -> str:
        """The particulars of a note on one line, in plain words."""
        parts = []
        for key, value in details.items():
            plain = self.plain(value)
            if key == "cause" and value in _ABOUT_PLACES:
                parts.append("asked for")
            elif key in _SELF_EVIDENT:
                parts.append(plain)
            elif key in {"by", "role"}:
                parts.append(f"by the {plain}" if plain in ROLES else f"by {plain}")
            else:
                parts.append(f"{key.replace('-', ' ')}: {plain}")
        return "; ".join(parts)

    def plain(self, value: str) -> str:
        """A value with internal names replaced by words."""
        state = _STATE.fullmatch(value)
        if state is not None and state[1] in self.items:
            return f"{self.items[state[1]]} {state[2]}"
        parts = [part.strip() for part in value.split(",")]
        return ", ".join(self.steps.get(part) or self.items.get(part) or _without_hyphens(part) for part in parts)

    def contact_s(self, name: str) -> float:
        """How long a timed step must last (s); 0 if it is not timed, or not known."""
        steps = all_steps(self.protocol) if self.protocol is not None else ()
        timing = next((step.timing for _, step in steps if step.name == name), None)
        return self.site.contact_s(timing.agent, timing.seconds) if timing is not None else 0.0

    def item(self, name: str) -> str:
        """What the coach calls an item."""
        return self.items.get(name, name.replace("-", " "))


def wording(session: Session) -> Wording:
    """The words for a record. Never raises."""
    try:
        return _wording(*(read_copy(session, name) or "" for name in ("protocol.yaml", "site.yaml")))
    except VoicecoachError as error:
        return Wording(None, sites.NO_SITE, {}, {}, session.manifest.protocol, error.line())


def _without_hyphens(part: str) -> str:
    if part in STAGE_LABELS:
        return STAGE_LABELS[part].lower()
    return part.replace("-", " ") if _NAME.fullmatch(part) else part


@lru_cache(maxsize=32)
def _wording(protocol_text: str, site_text: str) -> Wording:
    protocol = protocols.load(protocol_text, "protocol.yaml")
    site = sites.load(site_text, "site.yaml") if site_text else sites.NO_SITE
    return wording_of(protocol, site)


def wording_of(protocol: Protocol, site: Site) -> Wording:
    """The words for sessions of a protocol."""
    steps = {step.name: step.say.rstrip(".") for _, step in all_steps(protocol)}
    items = {item.name: item.label for item in protocol.items}
    return Wording(protocol, site, steps, items, protocol.title)
