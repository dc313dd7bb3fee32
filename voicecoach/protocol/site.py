"""The site file: what a site decides for itself. Without one, every session is training only. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from voicecoach import yamltext
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol


@dataclass(frozen=True, slots=True)
class Site:
    """A site's own figures and sentences."""

    name: str = ""
    contact_times: tuple[tuple[str, float], ...] = ()
    """(agent, seconds)."""
    wear_limit_s: float = 0.0
    """How long equipment may be worn (s); 0 for no limit."""
    check_s: float = 600.0
    """Interval of the checks at work (s)."""
    alarm: str = ""
    """Sentence that names the room when help is called; this and the following ones may be ''."""
    eyewash: str = ""
    tell: str = ""
    waste: str = ""
    reusable: str = ""
    follow_up: str = ""
    """Sentence that says who contacts an exposed person."""
    owner: str = ""
    approved: str = ""
    """The date on which protocol and site file were approved; '' if they were not."""
    follow_up_days: tuple[int, ...] = ()
    """Days after an exposure on which somebody follows up."""
    refresher_days: int = 0
    """For how many days a session counts as recent training; 0 for ever."""
    voice_check: bool = False
    """Whether everybody who is dressed says the words that matter before going in."""
    voice_check_removal: bool = False
    """Whether they say them once more before a removal that nothing hurries."""
    eyes_at_once: bool = False
    """Whether a second person rinses exposed eyes at once, or as soon as nothing covers them; by default, the cautious
    one, they are rinsed when out."""
    fewer_rubs: bool = False
    """Whether the shortened removal of somebody unwell leaves out rubs between two pieces (published sequences have one
    between every two); by default none is left out."""

    def fitted(self, protocol: Protocol) -> Protocol:
        """The protocol without what this site leaves out."""
        if protocol.eyes_at_once and not self.eyes_at_once:
            protocol = replace(protocol, eyes_at_once="")
        if not self.fewer_rubs:
            return protocol
        branches = (replace(one, steps=tuple(s for s in one.steps if not s.between)) for one in protocol.branches)
        return replace(protocol, branches=tuple(branches))

    def contact_s(self, agent: str, protocol_s: float) -> float:
        """Seconds that `agent` must act: the site's own figure, but never less than the protocol's."""
        return max(dict(self.contact_times).get(agent, protocol_s), protocol_s)

    def overruled(self, protocol: Protocol) -> Iterator[str]:
        """A sentence for each contact time that is shorter than the protocol's, which therefore does not count."""
        timings = [step.timing for _, step in all_steps(protocol) if step.timing is not None]
        for agent, own_s in self.contact_times:
            longest_s = max((one.seconds for one in timings if one.agent == agent), default=0.0)
            if own_s < longest_s:
                yield f"The site's {own_s:g} s for {agent} do not count: the protocol has {longest_s:g} s."


NO_SITE = Site()

SPOKEN = ("alarm", "eyewash", "tell", "waste", "reusable", "follow-up")
"""Fields with text that the coach says, as named in a site file."""
_TEXTS = ("name", *SPOKEN, "owner", "approved")
_VOICE = ("voice-check", "voice-check-removal")
_DAYS = ("follow-up-days", "refresher-days")
MAX_SPOKEN_WORDS = 12


def load(text: str, file: str) -> Site:
    """Read a site file.

    Raises:
        InputError: file, line and field, for anything unknown or out of range.
    """
    root = yamltext.read(text, file).only(
        *_TEXTS, "contact-times", "wear-limit-min", "check-every-min", "flush-eyes", "unwell-rubs", *_VOICE, *_DAYS
    )
    values = {key.replace("-", "_"): node.scalar() for key in _TEXTS if (node := root.get(key)) is not None}
    for key in SPOKEN:
        node = root.get(key)
        if node is not None and len(node.scalar().split()) > MAX_SPOKEN_WORDS:
            raise node.wrong(f"is {len(node.scalar().split())} words long", f"at most {MAX_SPOKEN_WORDS}: it is spoken")
    root.need("name")
    approved = root.get("approved")
    if approved is not None and not _is_date(approved.scalar()):
        raise approved.wrong(f"{approved.scalar()[:40]!r} is not a date", "a date such as 2026-05-04")
    times = root.get("contact-times")
    limit = root.get("wear-limit-min")
    check = root.get("check-every-min")
    follow, refresher = (root.get(key) for key in _DAYS)
    flush, rubs = root.get("flush-eyes"), root.get("unwell-rubs")
    voice, again = (root.get(key) for key in _VOICE)
    checked, checked_again = (node is not None and node.flag() for node in (voice, again))
    if again is not None and checked_again and not checked:
        raise again.wrong("is wanted, but no voice check before work", "'voice-check: yes' too")
    return Site(
        **values,
        eyes_at_once=flush is not None and flush.choice(("at-once", "at-exit")) == "at-once",
        fewer_rubs=rubs is not None and rubs.choice(("between-all", "fewer")) == "fewer",
        voice_check=checked,
        voice_check_removal=checked_again,
        contact_times=tuple((agent, node.number(1, 3600)) for agent, node in times.items()) if times else (),
        wear_limit_s=60 * limit.number(1, 600) if limit else 0.0,
        check_s=60 * check.number(1, 120) if check else NO_SITE.check_s,
        follow_up_days=tuple(sorted({int(day.number(1, 365)) for day in follow.list()})) if follow else (),
        refresher_days=int(refresher.number(1, 3660)) if refresher else 0,
    )


def _is_date(text: str) -> bool:
    """Whether it is a calendar date in the form of ISO 8601."""
    found = re.fullmatch(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", text)
    if found is None:
        return False
    year, month, day = map(int, found.groups())
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    longest = (31, 29 if leap else 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
    return 1 <= month <= 12 and 1 <= day <= longest[month - 1]
