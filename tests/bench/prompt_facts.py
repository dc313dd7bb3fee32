"""Hear every prompt of the shipped protocols, and write down what each is mistaken for.

    python tests/bench/prompt_facts.py [--check] [PROTOCOL...]

Writes `voicecoach/runtime/prompts-heard.txt`, from which a session starts at once. With --check nothing is written:
what the file lacks, or no longer needs, is counted. Run it whenever a sentence, a word, a floor or a recogniser has
changed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.worker import Spec
from voicecoach.runtime import library, options, prompt_check
from voicecoach.session.prompts import over_prompt
from voicecoach.speak.voice import Voice

FILE = Path(prompt_check.__file__).with_name(prompt_check.SHIPPED)
HEAD = """\
# Prompts of the shipped protocols as the shipped recogniser hears them: a digest each, of the sound, of the recogniser
# and of what is live, and the command that it is taken for, if any. Written by tests/bench/prompt_facts.py.
"""


def open_recogniser(spec: Spec) -> RecogniserProcess:
    return RecogniserProcess(spec, lockstep=True)


def shown(name: str) -> Callable[[int, int], None]:
    """Progress, where somebody looks."""

    def on_progress(done: int, total: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{name}: {done} of {total} ", end="", file=sys.stderr, flush=True)

    return on_progress


def main() -> int:
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--check", action="store_true", help="write nothing; count what has changed")
    arguments.add_argument("protocols", nargs="*", default=[path.stem for path in library.names("protocols")])
    wanted = arguments.parse_args()
    voice = Voice()
    engine = registry.choose("auto").name
    known: dict[str, str] = {}
    taken = 0
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as cache:
        for name in wanted.protocols:
            setup, texts = options.load_setup(name, "en")
            spec = registry.spec(engine, texts.grammar, "en.yaml")
            failed = voice.prepare([text for text, _ in over_prompt(setup)])
            if failed:
                print(f"{len(failed)} prompts cannot be rendered: {voice.why}")
                return 1
            facts = prompt_check.Facts(voice, spec, cache=Path(cache), shipped=known)
            found = prompt_check.find_mistaken(
                setup, voice, spec, open_recogniser, on_progress=shown(name), facts=facts
            )
            for one in found:
                print(f"{name}: {one.prompt!r} is taken for {one.command}")
            taken += len(found)
            known |= {facts.key(text, live): facts.get(text, live) or "" for text, live in over_prompt(setup)}
            print(f"{name}: heard")
    print(
        f"{len(known)} facts by {engine} in {time.monotonic() - began_s:.0f} s; {taken} prompts are taken for a command"
    )
    if wanted.check:
        shipped = prompt_check.shipped_facts()
        lacking = {key for key in known if shipped.get(key) != known[key]}
        print(f"{len(lacking)} are missing from the file, {len(shipped.keys() - known.keys())} are no longer needed")
        return int(bool(lacking))
    FILE.write_text(HEAD + "".join(f"{key} {known[key]}".rstrip() + "\n" for key in sorted(known)), encoding="ascii")
    return 0


if __name__ == "__main__":
    sys.exit(main())
