"""The one table of transitions. Pure data: trigger, states it holds in, where to, guards that must all hold, what is done.

A target of '=' leaves the state as it is. The guards' and the deeds' names are those of functions in `guards.py` and
`deeds.py`; tests resolve each and show that at most one row fits.
"""

from __future__ import annotations

from dataclasses import dataclass

STATES = (
    "opening", "prompting", "ducked", "acknowledging", "awaiting", "timing", "drying", "confirming", "asking", "frozen",
    "paused", "breached", "working", "closed", "abandoned",
)  # fmt: skip
OVER = ("closed", "abandoned")
OPEN = tuple(state for state in STATES if state not in OVER)
ON_A_STEP = ("prompting", "ducked", "acknowledging", "awaiting", "timing", "drying", "confirming")
ANSWERING = ("acknowledging", "awaiting", "drying")
WAITING = (*ANSWERING, "confirming", "asking", "frozen", "paused")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    trigger: str
    sources: tuple[str, ...]
    target: str
    guards: tuple[str, ...]
    deeds: tuple[str, ...]


def _leads(
    trigger: str, sources: tuple[str, ...], deeds: tuple[str, ...], guards: tuple[str, ...] = ()
) -> tuple[Row, ...]:
    """The rows of a trigger that goes to wherever its arrival says."""
    kinds = (("to_step", "prompting"), ("to_work", "working"), ("to_question", "asking"), ("to_confirm", "confirming"))
    return tuple(Row(trigger, sources, target, (guard, *guards), ("hush", *deeds, "arrive")) for guard, target in kinds)


TABLE: tuple[Row, ...] = (
    # the beginning
    Row("opened", ("opening",), "opening", (), ("introduce",)),
    Row("introduced", ("opening",), "asking", ("alone",), ("ask",)),
    *_leads("introduced", ("opening",), (), ("in_pair",)),
    # prompts run out, or somebody talks over them
    Row("read_out", ("prompting",), "acknowledging", ("loop_due",), ("wait",)),
    Row("read_out", ("prompting",), "awaiting", ("no_loop_due",), ("wait",)),
    Row("read_out", (*WAITING, "timing", "working"), "=", (), ("wait",)),
    *_leads("first_words_over", ("breached",), ()),
    Row("voice_over", ("prompting", "asking"), "ducked", ("may_duck",), ("duck",)),
    Row(
        "voice_over",
        ("awaiting", "acknowledging", "timing", "drying", "confirming", "working"),
        "=",
        ("may_duck",),
        ("hush",),
    ),
    Row("window_over", ("ducked",), "prompting", ("over_step",), ("speak_on",)),
    Row("window_over", ("ducked",), "asking", ("over_question",), ("speak_on",)),
    Row("unclear", ("ducked",), "prompting", ("over_step",), ("speak_on",)),
    Row("unclear", ("ducked",), "asking", ("over_question",), ("speak_on",)),
    Row("unclear", WAITING, "=", ("not_hinted",), ("say_again",)),
    Row("babble", ("ducked",), "prompting", ("over_step",), ("note_babble", "speak_through")),
    Row("babble", ("ducked",), "asking", ("over_question",), ("note_babble", "speak_through")),
    Row("babble", tuple(s for s in OPEN if s not in {"ducked", "breached"}), "=", ("not_babbled",), ("note_babble",)),
    # a step and its answer
    Row("early", ("prompting",), "=", (), ("early",)),
    Row("early", ("ducked",), "prompting", (), ("early", "speak_on")),
    Row("early", ("timing",), "=", (), ("early",)),
    Row("acknowledged", ("acknowledging",), "awaiting", (), ("take",)),
    Row("started", ("awaiting", "acknowledging"), "timing", (), ("start_time",)),
    Row("rub_over", ("timing",), "drying", (), ("call_time",)),
    Row("half_answered", ANSWERING, "=", (), ("take_half",)),
    Row("answered", ANSWERING, "confirming", ("observer_due",), ("take", "ask_observer")),
    *_leads("answered", ANSWERING, ("confirm_step",), ("no_observer_due",)),
    *_leads("confirmed", ("confirming",), ("confirm_step",)),
    *_leads("branched", (*ANSWERING, "confirming"), ("note_branch",)),
    Row("not_clear", ("confirming",), "asking", (), ("note_not_clear", "ask")),
    Row("misplaced", ANSWERING, "=", (), ("hint",)),
    Row("wrong_role", (*ON_A_STEP, "asking"), "=", (), ("refuse",)),
    *_leads("quiet_over", ("awaiting",), ("note_unasked",)),
    *_leads("paced", (*ANSWERING, "confirming"), ("note_unconfirmed",)),
    # danger
    Row("breach", OPEN, "breached", (), ("sound_breach",)),
    Row("near_breach", tuple(s for s in OPEN if s not in {"opening", "breached"}), "asking", (), ("hold", "ask")),
    Row("return_asked", OPEN, "asking", (), ("ask",)),
    *_leads("false_alarm", OPEN, ("note_false_alarm",)),
    Row("stopped", OPEN, "frozen", (), ("freeze",)),
    Row("hold_asked", ("frozen",), "=", (), ("ask_what_happened",)),
    *_leads("went_on", ("frozen",), ("note_went_on",)),
    Row("touched", ("frozen",), "asking", (), ("hands_still", "ask")),
    # ways
    Row("paused", (*ON_A_STEP, "asking", "frozen", "working"), "paused", (), ("pause",)),
    Row("resumed", ("paused",), "asking", (), ("tell_worn", "ask")),
    Row("repeated", ("prompting", "ducked", "acknowledging", "awaiting"), "prompting", ("over_step",), ("read_again",)),
    Row("repeated", ("ducked",), "asking", ("over_question",), ("read_again",)),
    Row("repeated", ("timing", "drying", "confirming", "asking", "frozen", "working"), "=", (), ("read_again",)),
    Row("told", (*ANSWERING, "timing", "confirming", "frozen", "paused", "working"), "=", (), ("tell",)),
    Row("back_asked", ON_A_STEP, "asking", ("has_trail",), ("read_before", "ask")),
    Row("back_asked", ON_A_STEP, "=", ("no_trail",), ("tell_no_trail",)),
    Row("sound_refused", OPEN, "=", (), ("refuse_sound",)),
    Row("removal_asked", ("working",), "asking", (), ("ask",)),
    Row("end_asked", OPEN, "asking", (), ("hold", "ask")),
    # replies to questions
    *_leads("replied", ("asking", "ducked"), ("note_reply",)),
    Row("asked_on", ("asking", "ducked"), "asking", (), ("note_reply", "ask")),
    Row("held_on", ("asking", "ducked"), "frozen", ("held_frozen",), ("note_reply", "hold_on")),
    Row("held_on", ("asking", "ducked"), "paused", ("held_paused",), ("note_reply", "hold_on")),
    Row("ended", ("asking", "ducked"), "closed", ("nothing_on",), ("close",)),
    Row("ended", ("asking", "ducked"), "abandoned", ("something_on",), ("close",)),
    # silence, wear, and parts that fail
    Row("silent", WAITING, "=", ("first_silence",), ("read_again",)),
    Row("silent", WAITING, "=", ("helper_silent",), ("tell_observer",)),
    Row("silent", WAITING, "asking", ("second_silence",), ("hold", "ask")),
    Row("silent", WAITING, "=", ("third_silence",), ("alarm",)),
    Row("check_due", ("working",), "asking", (), ("ask",)),
    Row("wear_due", OPEN, "=", (), ("tell_wear",)),
    Row("part_lost", OPEN, "=", (), ("lose",)),
    Row("part_back", OPEN, "=", (), ("find",)),
    Row("reopened", tuple(s for s in OPEN if s != "opening"), "asking", (), ("note_gap", "tell_worn", "ask")),
)
