"""What the package says of its prompts is so (rule 2): a sample here, a larger one of all protocols in the long run."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest

from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.runtime import options
from voicecoach.runtime.prompt_check import Facts, commands_in, shipped_facts
from voicecoach.session.prompts import over_prompt
from voicecoach.speak.voice import Voice

BENCH = Path(__file__).parent / "bench" / "prompt_facts.py"
SAMPLE = 6

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the facts are about eSpeak NG's voice, on Linux")


@pytest.mark.parametrize("protocol", ["short-practice", "n95-gown"])
def test_prompts_drawn_at_random_are_heard_as_the_package_says(protocol: str, tmp_path: Path) -> None:
    setup, texts = options.load_setup(protocol, "en")
    prompts = random.Random(7).sample(over_prompt(setup), SAMPLE)  # noqa: S311 the same sample each time
    voice = Voice()
    spec = registry.spec("auto", texts.grammar, "en.yaml")
    facts = Facts(voice, spec, cache=tmp_path)
    lacking = [text for text, live in prompts if facts.get(text, live) is None]
    assert lacking == [], f"run: python {BENCH.relative_to(BENCH.parents[2])}"
    with_ear = RecogniserProcess(spec, lockstep=True)
    try:
        heard = {text: command for text, _, command in commands_in(prompts, voice, [with_ear])}
    finally:
        with_ear.close()
    assert heard == {text: facts.get(text, live) for text, live in prompts}
    assert len(heard) == SAMPLE


def test_hardly_any_prompt_is_mistaken_for_a_command() -> None:
    facts = shipped_facts()
    assert len(facts) > 500
    taken = [command for command in facts.values() if command]
    assert len(taken) < len(facts) / 25
    keys = list(facts)
    assert all(len(key) == 16 and int(key, 16) >= 0 for key in keys)


@pytest.mark.long
def test_the_package_knows_every_prompt_of_every_shipped_protocol_and_some_of_each_are_heard_as_it_says() -> None:
    command = [sys.executable, str(BENCH), "--check", "--one-in", "15"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:]
