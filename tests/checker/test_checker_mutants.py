from __future__ import annotations

from pathlib import Path

import pytest
from checker_mutants import Mutant, mutants, noticed, reason

from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
N95 = load_protocol("n95-gown")[0]
MUTANTS = {(mutant.kind, mutant.where): mutant for mutant in mutants(N95)}

# Without these nothing is lost, and the reasons are the model's own (the bench lists them all, for every protocol).
HARMLESS_RUBS = {
    "rub-outer-1", "rub-outer-2",  # one of two rubs before the first thing comes off
    "rub-inner-5",  # the straps are clean, and rub-inner-6 comes before the gloves
    "rub-after-soil", "rub-for-damage", "leave-rub",
}  # fmt: skip


@pytest.mark.parametrize("where", sorted(where for kind, where in MUTANTS if kind == "no rub"))
def test_every_rub_that_is_left_out_is_noticed_unless_another_rub_stands_in_for_it(where: str) -> None:
    mutant = MUTANTS["no rub", where]
    assert bool(noticed(mutant)) == (where not in HARMLESS_RUBS)
    if where in HARMLESS_RUBS:
        assert reason(mutant, N95).startswith("harmless: ")


@pytest.mark.parametrize("where", ["shield-away at front", "hood-away at front", "respirator-away at front"])
def test_a_face_piece_held_at_its_front_is_noticed(where: str) -> None:
    # WHO poster, coverall, steps 5, 9 and 11 [read]; CDC general sequence 2014
    assert noticed(MUTANTS["grip", where]) == "as written"


@pytest.mark.parametrize(
    "where",
    [
        "respirator-on, seal-check",
        "outer-gloves-away, look-at-inner-gloves",
        "rub-outer-3, outer-gloves-away",
        "inner-gloves-away, rub-hands-1",
        "last-gloves-away, rub-hands-2",
    ],
)
def test_two_neighbours_that_must_not_change_places_are_noticed(where: str) -> None:
    assert noticed(MUTANTS["swap", where])


def test_every_kind_of_wrong_version_is_made() -> None:
    kinds = [kind for kind, _ in MUTANTS]
    assert {kind: kinds.count(kind) >= 10 for kind in set(kinds)} == dict.fromkeys(
        ("no rub", "no look", "swap", "grip"), True
    )
    assert noticed(Mutant("none", "nothing", N95)) == ""
