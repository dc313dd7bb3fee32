"""People and rooms are known by codes; the record holds no names."""

import pytest

from voicecoach.errors import InputError
from voicecoach.record.codes import people, room


def test_codes_go_with_their_roles() -> None:
    assert people(["wearer=W07", "observer=T-2"]) == (("wearer", "W07"), ("observer", "T-2"))
    assert people([]) == ()
    assert (room("3"), room("")) == ("3", "")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["wearer=Anna"], "'Anna' is not a code"),
        (["wearer=Anna Berg 1"], "is not a code"),
        (["nurse=W07"], "'nurse' is not a role"),
        (["W07"], "'W07' is not a role"),
        (["wearer=W1", "wearer=W2"], "wearer is given twice"),
        (["wearer=<b>1"], "is not a code"),
    ],
)
def test_what_is_not_a_code_is_refused(given: list[str], said: str) -> None:
    with pytest.raises(InputError, match=said):
        people(given)


def test_a_room_is_a_code_too() -> None:
    with pytest.raises(InputError, match="--room"):
        room("isolation")
