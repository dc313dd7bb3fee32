"""What studies of contamination found, against what the checker ranks; nothing in the checker is tuned to them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from voicecoach.checker.rank import by_kind, rank
from voicecoach.checker.slips import single
from voicecoach.protocol.model import Protocol
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]


def library(name: str) -> Protocol:
    file = HERE / "protocols" / f"{name}.yaml"
    return load_protocol(str(file))[0]


@pytest.mark.parametrize("name", ["papr-gown", "papr-coverall"])
def test_with_a_papr_hand_hygiene_comes_before_the_hood_and_both_before_the_rest(name: str) -> None:
    # Mumma 2018, CID 66:950-958 [read]: risk index hand hygiene 111, PAPR hood 70, the two named as highest
    order = [kind for kind, _ in by_kind(rank(library(name)))]
    assert order[:2] == ["hand hygiene", "hood"]


def test_hand_hygiene_is_above_the_average_of_all_kinds_of_step_in_every_high_level_protocol() -> None:
    # Mumma 2019, CID 69(S3):S214-S220 [read]: above average at all four sites. The same study has the outermost garment
    # and the boot covers above average too; here they are not (the bench prints it): a limit of the chances assumed.
    for file in sorted((HERE / "protocols").glob("*.yaml")):
        protocol = load_protocol(str(file))[0]
        if "ebola-level" in protocol.scope:
            sums = dict(by_kind(rank(protocol, draws=1)))
            assert sums["hand hygiene"] > sum(sums.values()) / len(sums), protocol.name


def test_with_one_pair_of_gloves_more_single_slips_end_at_the_hands_than_with_two() -> None:
    # Casanova 2012, AJIC 40:369-374 [read]: virus on hands significantly more often after single than double gloving
    double, one_pair = library("n95-gown"), library("everyday-precautions")

    def share(protocol: Protocol) -> float:
        undress = {step.name for step in protocol.steps("undress")}
        outcomes = [outcome for outcome in single(protocol) if outcome.events[0].step in undress]
        return sum("hands" in outcome.sites for outcome in outcomes) / len(outcomes)

    assert share(one_pair) > share(double)


def test_a_helper_who_skips_the_rub_after_a_touch_is_found() -> None:
    # Gurses 2019, ICHE 40(2) [read]: the assistant skipping hand hygiene after untying is the worked example of a risk;
    # Kwon 2017 [read]: 15 deviations were the assistant's or observer's
    protocol = library("ambulance-bay")
    outcomes = {outcome.events[0].name: outcome for outcome in single(protocol)}
    for skipped in ("partner-rub-1: omitted", "partner-rub-2: omitted"):
        assert "helper-not-rubbed" in {found.rule for found in outcomes[skipped].found}


def test_a_glove_disinfection_less_is_never_ranked_safer() -> None:
    # Cochrane CD011621 [direction read]: glove disinfection before removal reduces contamination
    protocol = library("n95-gown")
    plans = tuple(
        replace(plan, steps=tuple(step for step in plan.steps if step.name != "rub-inner-4"))
        for plan in protocol.stages
    )
    assert rank(replace(protocol, stages=plans), draws=1).top >= rank(protocol, draws=1).top
