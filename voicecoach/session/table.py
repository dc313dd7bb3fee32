"""The table of transitions. Pure data: trigger, source states, target state, guards, actions.

Theory of operation
===================

A session is a value (`state.SessionState`), and `machine.step(state, event)` returns the next one. It first turns the
event into an *intent* (`interpret/`): the trigger of a row below, and usually an *arrival*, which says where the
session goes (`protocol/navigation/` alone decides that). It then looks through the rows of that trigger in order and
takes the first one whose sources include the present state and whose guards all hold. The state becomes the row's
target, and the row's actions run in order. An action changes a turn, which holds the new state and the effects so far.
If no row fits, nothing changes.

The states:

    opening        the introduction is being said
    prompting      the prompt of a step sounds
    interrupted    somebody spoke over a prompt or a question, which stopped to listen
    acknowledging  a step that matters waits for "understood"
    awaiting       a step waits for its answer
    timing         a rub or wipe runs
    drying         its time is over, and "dry" is awaited
    confirming     the step's role has answered, and the observer has not
    asking         one of the coach's own questions is open; `SessionState.question` says which
    frozen         somebody said "stop"
    paused         somebody asked for a pause
    breached       the first words of an incident sound
    working        the wearer is with the patient
    closed         over, with nothing on
    abandoned      over, with something on

Tests hold the table to three properties. At most one row fits. Every open state has a row for danger, so that an
incident is acted on wherever it strikes: its first words are an act, a branch of the protocol follows, and after the
branch the session is where `then` says. No row leads out of `closed` or `abandoned`.

What a question interrupts is not in the table but in the state: `pending` holds the question that was open, `held` a
stop or pause, and `waiting_in` the state in which an answer was awaited; `machine.step` returns to that state when the
awaited word comes after all. An incident is a detour whose cause begins with "breach: " or "touched "
(`SessionState.handling`). What it leaves owed is in `exposures`, apart from all states, so that no transition loses it.

The target '=' keeps the state. Guards and actions are named after the functions in `guards.py` and `actions/`; a test
resolves each name.
"""

from __future__ import annotations

from dataclasses import dataclass

STATES = (
    "opening", "prompting", "interrupted", "acknowledging", "awaiting", "timing", "drying", "confirming", "asking",
    "frozen", "paused", "breached", "working", "closed", "abandoned",
)  # fmt: skip
OVER = ("closed", "abandoned")
OPEN = tuple(state for state in STATES if state not in OVER)
ANSWERING = ("acknowledging", "awaiting", "drying")
ON_A_STEP = ("prompting", "interrupted", *ANSWERING, "timing", "confirming")
WAITING = (*ANSWERING, "confirming", "asking", "frozen", "paused")
UNINTERRUPTED = tuple(state for state in OPEN if state not in {"interrupted", "breached"})
AT_LEISURE = (*ANSWERING, "timing", "confirming", "working")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table."""

    trigger: str
    sources: tuple[str, ...]
    target: str
    guards: tuple[str, ...]
    actions: tuple[str, ...]


def _leads(trigger: str, sources: tuple[str, ...], actions: tuple[str, ...] = ()) -> tuple[Row, ...]:
    """The rows of a trigger that goes where its arrival says."""
    kinds = (("to_step", "prompting"), ("to_work", "working"), ("to_question", "asking"), ("to_confirm", "confirming"))
    return tuple(Row(trigger, sources, target, (guard,), ("hush", *actions, "arrive")) for guard, target in kinds)


def _from_interruption(trigger: str, *actions: str) -> tuple[Row, ...]:
    """The rows of a trigger after which an interrupted prompt or question is resumed."""
    return (
        Row(trigger, ("interrupted",), "prompting", ("over_step",), actions),
        Row(trigger, ("interrupted",), "asking", ("over_question",), actions),
    )


TABLE: tuple[Row, ...] = (
    # the beginning
    Row("opened", ("opening",), "opening", (), ("introduce",)),
    *_leads("introduced", ("opening",)),
    Row("salvaged", ("opening",), "asking", (), ("take_over", "ask_on")),
    # prompts end, or somebody speaks over them
    Row("read_out", ("prompting", "interrupted"), "acknowledging", ("over_step", "loop_due"), ("take_answers",)),
    Row("read_out", ("prompting", "interrupted"), "awaiting", ("over_step", "no_loop_due"), ("take_answers",)),
    Row("read_out", ("interrupted",), "asking", ("over_question",), ("take_answers",)),
    Row("read_out", WAITING, "=", (), ("wait",)),
    *_leads("first_words_over", ("breached",), ("say_owed",)),
    Row("voice_over", ("prompting", "asking"), "interrupted", ("may_interrupt",), ("interrupt",)),
    Row(
        "voice_over",
        tuple(s for s in UNINTERRUPTED if s not in {"prompting", "asking"}),
        "=",
        ("may_interrupt",),
        ("interrupt",),
    ),
    *_from_interruption("window_over", "speak_on"),
    Row("window_over", UNINTERRUPTED, "=", (), ("speak_on",)),
    *_from_interruption("unclear", "speak_on"),
    Row("unclear", UNINTERRUPTED, "=", ("window_open",), ("speak_on",)),
    Row("unclear", WAITING, "=", ("may_say_again",), ("say_again",)),
    *_from_interruption("babble", "note_babble", "speak_through"),
    Row("babble", UNINTERRUPTED, "=", ("not_babbled",), ("note_babble", "speak_through")),
    # a step and its answer
    Row("early", ("prompting", *ANSWERING, "timing", "confirming"), "=", (), ("early",)),
    Row("early", ("interrupted",), "prompting", (), ("early", "speak_on")),
    Row("acknowledged", ("acknowledging",), "awaiting", (), ("acknowledge",)),
    Row("started", ("awaiting", "acknowledging"), "timing", (), ("start_time",)),
    Row("rub_over", ("timing",), "drying", (), ("call_time",)),
    Row("half_answered", ANSWERING, "=", (), ("note_half_answer",)),
    Row("observer_due", ANSWERING, "confirming", (), ("hush", "note_acted", "arrive")),
    *_leads("answered", ANSWERING, ("confirm_step",)),
    *_leads("confirmed", ("confirming",), ("confirm_step",)),
    *_leads("skipped", ("awaiting",), ("note_skipped",)),
    *_leads("branched", ("prompting", "interrupted", *ANSWERING, "timing"), ("note_branch",)),
    Row("not_clear", ("confirming",), "asking", (), ("note_not_clear", "ask")),
    Row("misplaced", (*ANSWERING, "confirming", "frozen", "paused"), "=", (), ("hint",)),
    Row("wrong_role", (*ANSWERING, "timing", "confirming", "asking"), "=", (), ("note_refused", "refuse")),
    Row("wrong_role", ("prompting",), "=", (), ("note_refused",)),
    *_from_interruption("wrong_role", "note_refused", "speak_on"),
    Row("quiet_over", ("awaiting",), "=", (), ("remind",)),
    *_leads("signed", ("awaiting",), ("note_unasked",)),
    Row("signed_on", ("awaiting",), "timing", (), ("hush", "note_unasked", "move_on", "start_time")),
    *_leads("not_off", (*ANSWERING, "confirming", "asking"), ("note_not_off",)),
    *_leads("pace_over", (*ANSWERING, "confirming"), ("note_unconfirmed",)),
    Row("hold_over", ("frozen", "paused"), "asking", (), ("note_paced_on", "note_worn", "ask")),
    # danger
    Row("breach", OPEN, "breached", (), ("say_first_words",)),
    Row("near_breach", tuple(s for s in OPEN if s != "breached"), "asking", (), ("hold", "ask")),
    Row("return_asked", OPEN, "asking", (), ("hold", "ask")),
    *_from_interruption("no_return", "note_no_return", "speak_on"),
    Row("no_return", tuple(s for s in OPEN if s != "interrupted"), "=", (), ("note_no_return",)),
    *_leads("false_alarm", OPEN, ("note_false_alarm",)),
    Row("stopped", OPEN, "frozen", (), ("freeze",)),
    Row("hold_quiet", ("frozen",), "=", (), ("ask_what_happened",)),
    *_leads("went_on", ("frozen",), ("note_went_on",)),
    Row("went_back_to", ("frozen",), "asking", (), ("note_went_on", "ask")),
    Row("touched", (*AT_LEISURE, "interrupted", "frozen", "paused"), "asking", (), ("note_touched", "ask")),
    Row("placed", OPEN, "=", (), ("note_place",)),
    # navigation by voice
    Row("paused", (*ON_A_STEP, "asking", "frozen", "working"), "paused", (), ("pause",)),
    Row("resumed", ("paused",), "asking", (), ("note_worn", "ask")),
    Row(
        "repeated",
        ("prompting", "interrupted", "acknowledging", "awaiting"),
        "prompting",
        ("over_step",),
        ("read_again",),
    ),
    Row("repeated", ("interrupted",), "asking", ("over_question",), ("read_again",)),
    Row("repeated", ("timing", "drying", "confirming", "asking", "frozen", "working"), "=", (), ("read_again",)),
    Row("information_asked", (*AT_LEISURE, "paused"), "=", (), ("give_information",)),
    Row("back_asked", ON_A_STEP, "asking", ("has_step_behind",), ("note_back", "ask")),
    Row("back_asked", ("prompting", "interrupted"), "prompting", ("no_step_behind",), ("say_nothing_before",)),
    Row("back_asked", (*ANSWERING, "timing"), "=", ("no_step_behind",), ("say_nothing_before",)),
    Row("sound_refused", AT_LEISURE, "=", (), ("refuse_sound",)),
    Row("removal_asked", ("working", "asking", "interrupted"), "asking", (), ("ask",)),
    *_leads("called_out", ("working", "asking", "interrupted"), ("note_called_out",)),
    Row("end_asked", (*AT_LEISURE, "frozen", "paused"), "asking", (), ("hold", "ask")),
    *_leads("led_out", (*AT_LEISURE, "frozen", "paused"), ("note_led_out",)),
    # replies to questions
    *_leads("replied", ("asking", "interrupted"), ("note_reply",)),
    Row("tried_word", ("asking", "interrupted"), "asking", (), ("note_try", "ask")),
    *_leads("voice_checked", ("asking", "interrupted"), ("note_voice",)),
    Row("asked_on", ("asking", "interrupted"), "asking", (), ("note_reply", "ask")),
    Row("went_back_to_hold", ("asking", "interrupted"), "frozen", ("held_frozen",), ("note_reply", "return_to_hold")),
    Row("went_back_to_hold", ("asking", "interrupted"), "paused", ("held_paused",), ("note_reply", "return_to_hold")),
    Row("not_all_right", ("asking", "interrupted"), "asking", (), ("note_reply", "call_out", "ask_on")),
    *_leads("went_alone", ("asking", "interrupted"), ("note_reply", "note_alone")),
    Row("asked_alone", ("asking", "interrupted"), "asking", (), ("note_reply", "note_alone", "ask_on")),
    Row("finished", ANSWERING, "closed", (), ("hush", "confirm_step", "finish")),
    Row("ended", ("asking", "interrupted"), "closed", ("nothing_on",), ("close",)),
    Row("ended", ("asking", "interrupted"), "abandoned", ("something_on",), ("close",)),
    Row("shutdown_asked", OPEN, "closed", (), ("close",)),
    # silence, wear, and parts that fail
    Row("silent", WAITING, "=", ("first_silence",), ("read_again",)),
    Row("silent", WAITING, "=", ("helper_silent",), ("ask_observer_to_look",)),
    Row("silent", WAITING, "asking", ("second_silence",), ("hold", "ask")),
    Row("silent", WAITING, "=", ("observer_first",), ("warn_observer",)),
    Row("silent", WAITING, "=", ("third_silence",), ("alarm",)),
    Row("check_due", ("working",), "asking", ("hearing",), ("ask",)),
    Row("check_due", ("working",), "=", ("deaf",), ("say_key_begins_removal",)),
    Row("wear_due", OPEN, "=", (), ("say_wear_limit",)),
    Row("sound_trouble", OPEN, "=", ("sound_trouble_is_new",), ("say_sound_trouble",)),
    Row("part_lost", OPEN, "=", (), ("note_part_lost",)),
    Row("part_back", OPEN, "=", (), ("note_part_back",)),
    Row("ears_back", WAITING, "=", (), ("hush", "note_part_back", "read_on")),
    Row("ears_back", tuple(s for s in OPEN if s not in WAITING), "=", (), ("note_part_back",)),
    Row("reopened", tuple(s for s in OPEN if s != "opening"), "asking", (), ("note_gap", "note_worn", "ask_on")),
    *_leads("reopened_airless", tuple(s for s in OPEN if s != "opening"), ("note_gap", "note_worn")),
)
