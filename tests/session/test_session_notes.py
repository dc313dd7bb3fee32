"""Notes: every kind has a label, and what older records hold is still known."""

from voicecoach.session.notes import KINDS, NoteKind, label_of

EARLIER = frozenset(
    {
        "acknowledged", "alarm", "answered", "babble", "back", "branch", "breach", "deviation", "early-answer", "end",
        "exposure", "false-alarm", "found-clear", "gap", "gap-over", "jump", "ledger", "no-audio", "not-clear",
        "not-confirmed", "not-independent", "opened", "paused", "reply", "status", "step", "step-confirmed",
        "step-refused", "stopped", "suspect", "time-started", "time-up", "touched", "wear-limit", "wear-time",
        "went-on", "work",
    }
)  # fmt: skip
"""What the first records hold: a list that only grows."""


def test_every_note_that_an_earlier_record_holds_is_still_known() -> None:
    assert EARLIER - set(KINDS) == set()


def test_every_kind_of_note_has_a_label_of_its_own() -> None:
    labels = [kind.label for kind in NoteKind]
    assert all(label and label == label.strip() and "_" not in label for label in labels)
    assert len(set(labels)) == len(labels)


def test_a_note_stands_in_the_journal_by_its_value() -> None:
    assert NoteKind.STEP_CONFIRMED == "step-confirmed"
    assert f"{NoteKind.STEP_CONFIRMED}" == "step-confirmed"


def test_an_unknown_kind_is_shown_by_its_own_name() -> None:
    assert label_of("something-new") == "something new"
    assert label_of("jump") == NoteKind.JUMP.label
