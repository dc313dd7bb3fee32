"""Counts as published, source and tag beside each."""

from __future__ import annotations

from pathlib import Path

from voicecoach.checker.explore import modes
from voicecoach.protocol.model import Protocol
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]


def library(name: str) -> Protocol:
    file = HERE / "protocols" / f"{name}.yaml"
    return load_protocol(str(file))[0]


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


def test_taking_off_in_the_who_order_has_eight_hand_hygienes_with_a_coverall_and_nine_with_a_gown() -> None:
    # WHO poster, coverall: at every even number, 8 [5 of 8 read, the rest from memory]; WHO poster, gown: 9, one more
    # because the outer gloves are a step of their own [from memory]
    assert len(hygiene_steps(library("who-coverall"))) == 8
    assert len(hygiene_steps(library("who-gown"))) == 9


def test_with_a_papr_three_people_are_there_when_it_comes_off() -> None:
    # CDC trained observer 18, PAPR and gown doffing 02 [read]: wearer, observer, assistant
    for name in ("papr-gown", "papr-coverall"):
        steps = library(name).steps("undress")
        roles = {step.role for step in steps} | {"observer" for step in steps if step.observer}
        assert roles == {"wearer", "observer", "assistant"}
        assert modes(library(name)) == ("assistant",)


def test_putting_on_n95_and_gown_keeps_the_fourteen_published_steps_but_for_the_apron() -> None:
    # CDC, 20 October 2014, donning N95: 14 steps [count second-hand; order from memory]
    fourteen = [
        "verify partner", "verify belongings", "verify set", "hygiene hands", "don inner-gloves", "don boot-covers",
        "don gown", "don respirator", "don hood", "don apron", "don outer-gloves", "don shield", "verify exposed-skin",
        "disinfect outer-gloves",
    ]  # fmt: skip
    protocol = library("n95-gown")
    done = [f"{act.kind} {act.target}" for s in ("prepare", "dress") for step in protocol.steps(s) for act in step.acts]
    assert len(fourteen) == 14
    of_fourteen = [act for act in done if act in fourteen]
    assert of_fourteen == [act for act in fourteen if act != "don apron"]


def test_a_rub_is_never_asked_for_less_than_the_twenty_seconds_of_the_published_range() -> None:
    # WHO hand rub, whole procedure 20-30 s [second-hand]; Hong Kong CHP, at least 20 s [read]
    for file in sorted((HERE / "protocols").glob("*.yaml")):
        protocol = load_protocol(str(file))[0]
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
