"""An author's check by sound: whether any sentence of a protocol is taken for a command."""

from __future__ import annotations

from rich.console import Console

from voicecoach.listen import registry
from voicecoach.runtime import prompt_check
from voicecoach.runtime.edges import lockstep, prepare_voice
from voicecoach.runtime.options import load_setup
from voicecoach.session.prompts import over_prompt
from voicecoach.system.progress import progress


def check_aloud(protocol: str, grammar: str, site: str, console: Console, engine: str = "auto") -> int:
    """Rule 2 for authors: render every sentence and run it through the recogniser; returns how many there are.

    Args:
        protocol, grammar, site: names or files, as for a session. console: where progress is shown. engine: the
        recogniser, by default the one that a session would use.

    Raises:
        InputError: a sentence is taken for a command; it names the first. VoicecoachError: a file or the recogniser
        cannot be used.
    """
    setup, texts = load_setup(protocol, grammar, site)
    voice = prepare_voice(setup, console)
    spec = registry.spec(registry.choose(engine).name, texts.grammar, setup.grammar.file)
    with progress(console, "checking that no prompt sounds like a command") as on_progress:
        taken = prompt_check.find_mistaken(setup, voice, spec, lockstep, on_progress=on_progress)
    prompt_check.refuse(taken, setup)
    return len(over_prompt(setup))
