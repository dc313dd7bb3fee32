"""How often a danger word inside a sentence is noticed: `python tests/bench/hearing_in_sentences.py [--inside N ...]`.

The whole pipeline, in a session's live set in which the word can be meant, four of the voices that the chances are
fitted with. `--inside` compares values of `mixed.INSIDE`. The sentences are invented.
"""

from __future__ import annotations

import argparse
from collections import Counter

from hearing_accuracy import through
from hearing_sounds import LEAD_S, NATURAL_TUNING, english, in_room, spoken, table, to_hand
from hearing_states import can_mean, states

from voicecoach.listen.engines import mixed

CONDITIONS = ("quiet", "mask, 10 dB", "three voices, 10 dB")
VOICES = ("hibari heart", "flite rms", "kokoro sarah", "kokoro fenrir")
SAID = {
    "breach": ("wait a moment there is a breach in my glove", "i think we have a breach over here",
               "hang on breach on the left side"),
    "stop": ("please stop what you are doing", "we have to stop right now i think", "can you stop for a second"),
    "torn": ("look my glove is torn at the finger", "the gown has torn near the elbow", "it is torn i can see it"),
    "splash": ("there was a splash on my face shield", "i got a splash in the eye just now",
               "careful a splash went over the table"),
    "needle": ("i have stuck myself with a needle just now", "the needle went through my glove",
               "ouch a needle in my thumb"),
    "unwell": ("sorry but i feel unwell at the moment", "i am unwell i need to sit down",
               "she looks unwell and very hot"),
    "no-air": ("hey there is no air in my hood", "i get no air from the blower"),
    "collapse": ("he has collapsed on the floor",),
}  # fmt: skip
"""Sentences by the danger word in them."""


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--inside", type=float, nargs="*", default=[mixed.INSIDE])
    wanted = arguments.parse_args()
    grammar = english()
    urgent = {command.name for command in grammar.urgent}
    together, rows = states(grammar), []
    voices = to_hand({name: NATURAL_TUNING[name] for name in VOICES})
    for condition in CONDITIONS:
        counts = {inside: Counter[str]() for inside in wanted.inside}
        for voice, spec in voices.items():
            for word, text in ((word, text) for word, texts in SAID.items() for text in texts):
                sound = in_room(spoken(spec, text), f"{voice}|{text}", condition, ("es", "fr"), LEAD_S)
                live = can_mean(together, word, f"{voice}{text}") or []
                for inside, count in counts.items() if sound is not None else ():
                    mixed.INSIDE = inside
                    taken = through(sound, "mixed", live)
                    heard, asked = {command for command, *_ in taken}, {near for _, near, *_ in taken}
                    count["of"] += 1
                    count["heard"] += word in heard
                    count["asked"] += word in asked - heard
                    count["another"] += bool(heard & urgent - {word})
        for inside, count in counts.items():
            rows.append((condition, inside, *(count[key] for key in ("of", "heard", "asked", "another"))))
            print(rows[-1], flush=True)
    table(("condition", "INSIDE", "of", "heard", "asked", "another danger word"), rows)


if __name__ == "__main__":
    main()
