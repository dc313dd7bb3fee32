"""Hear every prompt of the shipped protocols, and write down what each is mistaken for.

    python tests/bench/prompt_facts.py [--check] [--one-in N] [PROTOCOL...]

Writes `voicecoach/runtime/prompts-heard.txt`, from which a session starts at once. With --check nothing is written:
what the file lacks, or no longer needs, is counted. With --one-in as well, one prompt in N is heard, those that the
file says are taken for a command, and those that it lacks; another file draws other ones. Run it whenever a sentence,
a word, a floor or a recogniser has changed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import zlib
from pathlib import Path

from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.worker import Spec
from voicecoach.runtime import library, options, prompt_check
from voicecoach.runtime.prompt_check import PromptText
from voicecoach.session.prompts import over_prompt
from voicecoach.speak.voice import Voice

FILE = Path(prompt_check.__file__).with_name(prompt_check.SHIPPED)
EARS = 4
"""Recognisers that run at a time at most; each takes about 100 MB."""
HEAD = """\
# Prompts of the shipped protocols as the shipped recogniser hears them: a digest each, of the sound, of the recogniser
# and of what is live, and the command that it is taken for, if any. Written by tests/bench/prompt_facts.py.
"""


def believed(shipped: dict[str, str], one_in: int) -> dict[str, str]:
    """The facts that are not heard again; the keys are digests, and so is what is drawn of them."""
    drawn = zlib.crc32("".join(shipped).encode()) % one_in
    return {key: command for key, command in shipped.items() if not command and int(key, 16) % one_in != drawn}


def hear(prompts: list[PromptText], voice: Voice, spec: Spec, facts: prompt_check.Facts) -> int:
    """Hear them all, and keep what they are taken for; returns how many they are."""
    ears = [RecogniserProcess(spec, lockstep=True) for _ in range(min(os.cpu_count() or 1, EARS))]
    try:
        for done, (text, live, command) in enumerate(prompt_check.commands_in(prompts, voice, ears), start=1):
            facts.put(text, live, command)
            if sys.stderr.isatty():
                print(f"\r{done} of {len(prompts)} ", end="", file=sys.stderr, flush=True)
    finally:
        for ear in ears:
            ear.close()
    return len(prompts)


def main() -> int:
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--check", action="store_true", help="write nothing; count what has changed")
    arguments.add_argument("--one-in", type=int, default=1, help="of so many prompts hear one; only with --check")
    arguments.add_argument("protocols", nargs="*", default=[path.stem for path in library.names("protocols")])
    wanted = arguments.parse_args()
    if wanted.one_in != 1 and not wanted.check:
        arguments.error("--one-in is for --check: the file is written of all that is heard")
    began_s = time.monotonic()
    shipped = prompt_check.shipped_facts()
    told = believed(shipped, wanted.one_in) if wanted.check else {}
    voice = Voice()
    prompts: list[tuple[str, PromptText]] = []
    for name in wanted.protocols:
        setup, texts = options.load_setup(name, "en")
        prompts += [(name, prompt) for prompt in over_prompt(setup)]
    failed = voice.prepare([text for _, (text, _) in prompts])
    if failed:
        print(f"{len(failed)} prompts cannot be rendered: {voice.why}")
        return 1
    spec = registry.spec(registry.choose("auto").name, texts.grammar, "en.yaml")  # all speak one language
    with tempfile.TemporaryDirectory() as cache:
        facts = prompt_check.Facts(voice, spec, cache=Path(cache), shipped=told)
        keys = {facts.key(*prompt): prompt for _, prompt in prompts}
        heard_now = hear([prompt for prompt in keys.values() if facts.get(*prompt) is None], voice, spec, facts)
        known = {key: facts.get(*prompt) or "" for key, prompt in keys.items()}
        taken = [(name, text, command) for name, (text, live) in prompts if (command := facts.get(text, live))]
    for name, text, command in taken:
        print(f"{name}: {text!r} is taken for {command}")
    print(
        f"{len(known)} facts by {spec.engine}, {heard_now} of them heard now, in {time.monotonic() - began_s:.0f} s; "
        f"{len(taken)} prompts are taken for a command"
    )
    if wanted.check:
        lacking = {key for key in known if shipped.get(key) != known[key]}
        print(f"{len(lacking)} are missing from the file, {len(shipped.keys() - known.keys())} are no longer needed")
        return int(bool(lacking))
    FILE.write_text(HEAD + "".join(f"{key} {known[key]}".rstrip() + "\n" for key in sorted(known)), encoding="ascii")
    return 0


if __name__ == "__main__":
    sys.exit(main())
