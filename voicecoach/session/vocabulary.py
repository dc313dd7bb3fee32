"""The command ids that the session knows by name, and which belong together. Pure."""

from __future__ import annotations

from voicecoach.protocol.model import DANGERS

PLACES = ("face", "eyes", "mouth", "neck", "hair", "hand", "arm", "body", "leg", "foot")
OUTSIDE = ("glove", "suit")
"""Places on the equipment, where what is worn was touched and not the skin."""
FAULTS = ("loose", "open", "torn", "soiled", "skin-showing", "missing")
REASONS = ("nobody-here", "partner-busy", "practice-run")
NATURAL = ("yes", "no", "unsure", "not-finished", "is-off", "cannot")
"""What people may say at a step that waits for another word; each leads somewhere (rule 32)."""
INFORMATION = ("help", "where-am-i", "time")

REPLIES: dict[str, tuple[str, ...]] = {
    "reason": REASONS,
    "mirror": ("yes", "no"),
    "near-breach": ("yes", "no", "false-alarm"),
    "right": ("right", "wrong", "yes", "no"),
    "item": ("yes", "no"),
    "still-on": ("yes", "no"),
    "back": ("not-finished", "went-wrong", "go-on"),
    "where": (*PLACES, *OUTSIDE, "no", "unsure"),
    "touched": (*PLACES, *OUTSIDE, "no", "unsure"),
    "torn-piece": ("unsure",),
    "skin": ("yes", "no", *PLACES, "unsure"),
    "piece": (*FAULTS, *PLACES, "confirm", "unsure", "is-on", "not-finished"),
    "fault": (*FAULTS, *PLACES, "confirm", "unsure"),
    "removal-area": ("yes", "no"),
    "all-clear": ("confirm", "not-clear"),
    "missing": ("confirm", "not-clear"),
    "return": ("yes", "no"),
    "end": ("yes", "no"),
    "end-both": ("yes", "no"),
    "all-right": ("yes", "no", "help"),
    "down": ("yes", "no"),
    "go-alone": ("yes", "no"),
}
"""Question -> its replies. 'piece' takes the protocol's items with their state too, and 'torn-piece' its items."""

_NO = ("unsure", "not-finished", "cannot")
ALIKE: dict[str, dict[str, str]] = {
    "mirror": dict.fromkeys(_NO, "no"),
    "near-breach": {"unsure": "yes"},
    "right": dict.fromkeys((*_NO, "is-on", "is-off"), "no"),
    "item": {"is-on": "yes", "is-off": "no", "unsure": "yes", "not-finished": "yes"},
    "still-on": {"is-on": "yes", "is-off": "no", "unsure": "yes", "not-finished": "yes"},
    "back": {"no": "go-on", "unsure": "not-finished", "cannot": "went-wrong"},
    "removal-area": dict.fromkeys(_NO, "no"),
    "all-clear": {"yes": "confirm", "clear": "confirm", **dict.fromkeys(("no", *_NO), "not-clear")},
    "missing": {"yes": "confirm", "clear": "confirm", "done": "confirm", **dict.fromkeys(("no", *_NO), "not-clear")},
    **{key: {"clear": "confirm", "yes": "confirm", "no": "confirm", "cannot": "unsure"} for key in ("piece", "fault")},
    "return": dict.fromkeys(_NO, "no"),
    "end": dict.fromkeys(_NO, "no"),
    "end-both": dict.fromkeys(_NO, "no"),
    "all-right": dict.fromkeys(_NO, "no"),
    "down": dict.fromkeys(("unsure", "cannot"), "yes"),
    "go-alone": dict.fromkeys(_NO, "no"),
}
"""Question -> what people may say instead, and the reply it counts as: doubt takes the careful branch (rule 32)."""

SAYS_ITSELF: dict[str, tuple[str, ...]] = {
    "ask-near-breach": (*DANGERS, "false-alarm"),
    "ask-down": ("collapse",),
    "stopped": ("stop",),
    "alone-now": ("observer-here",),
    "intro-words": ("breach", "stop"),
}
"""The coach's own sentence -> commands that are not live while it sounds, because it contains them. A voice over it
opens the window, in which all are live."""

ASKED_OF_OBSERVER = ("all-clear", "missing", "return", "piece", "fault")
"""Questions that only the observer answers, if there is one."""

WELL = ("all-right", "down")
"""The questions of the last rung of the silence ladder."""
WHILE_AWAITED = (*WELL, "go-alone")
"""Questions during which the answer awaited before them still counts (rule 33)."""
