"""Counts as published, source and tag beside each."""

from __future__ import annotations

from pathlib import Path

from voicecoach.protocol.load import load
from voicecoach.protocol.model import Protocol

HERE = Path(__file__).parents[2]


def library(name: str) -> Protocol:
    file = HERE / "protocols" / f"{name}.yaml"
    return load(file.read_text(encoding="utf-8"), file.name)


def hygiene_steps(protocol: Protocol) -> list[str]:
    return [
        step.name
        for step in protocol.steps("undress")
        if any(act.kind in {"disinfect", "hygiene"} for act in step.acts)
    ]


def test_taking_off_n95_and_gown_has_eleven_glove_and_hand_disinfections() -> None:
    # CDC, 20 October 2014, N95: outer gloves 3, inner gloves 6, bare hands 2 [from memory]
    protocol = library("n95-gown")
    found = hygiene_steps(protocol)
    assert len(found) == 11
    counted = {"outer-gloves": 0, "inner-gloves": 0, "hands": 0}
    for step in protocol.steps("undress"):
        for act in step.acts:
            if act.kind in {"disinfect", "hygiene"}:
                counted[act.target] += 1
    assert counted == {"outer-gloves": 3, "inner-gloves": 6, "hands": 2}


def test_a_rub_is_never_asked_for_less_than_the_twenty_seconds_of_the_published_range() -> None:
    # WHO hand rub, whole procedure 20-30 s [second-hand]; Hong Kong CHP, at least 20 s [read]
    for file in sorted((HERE / "protocols").glob("*.yaml")):
        protocol = load(file.read_text(encoding="utf-8"), file.name)
        if protocol.practice:
            continue
        steps = [s for plan in protocol.stages for s in plan.steps] + [s for b in protocol.branches for s in b.steps]
        rubs = [step for step in steps if step.timing and step.timing.agent == "hand-rub"]
        assert rubs
        assert all(step.timing and step.timing.seconds >= 20 for step in rubs)


def test_a_step_of_the_pair_that_matters_has_its_three_utterances() -> None:
    # CDC training module, trained observer 19 [read]: instruct, acknowledge, (act,) confirm: 3 utterances a step
    protocol = library("n95-gown")
    watched = [step for step in protocol.steps("undress") if step.observer]
    assert len(watched) >= 3
    assert {1 + len(step.answers) + step.observer for step in watched} == {3}
