"""Writes what moonshine expects of the shipped phrases; run `python tests/bench/moonshine_expected.py` after a change.

A phrase that is not in the file costs 0.03 s more at each start.
"""

import json
from pathlib import Path

from voicecoach.grammar import parse
from voicecoach.listen.engines.moonshine import LANGUAGE, MoonshineScorer
from voicecoach.listen.engines.moonshine_network import VERSION

ROOT = Path(__file__).parents[2]
FILE = ROOT / "voicecoach" / "listen" / "engines" / "moonshine_expected.json"


def main() -> None:
    phrases: list[str] = []
    for file in sorted((ROOT / "grammars").glob("*.yaml")):
        grammar = parse(file.read_text(encoding="utf-8"), file.name)
        if grammar.language == LANGUAGE:
            phrases += [phrase for command in grammar.commands for phrase in command.phrases]
    found = MoonshineScorer().expect(phrases)
    about = f"Mean log-likelihood of each shipped phrase on six noises, by moonshine-voice {VERSION}, encoder taught."
    data = {"about": about, "expected": dict(sorted(zip(phrases, (round(score, 3) for score in found), strict=True)))}
    FILE.write_text(json.dumps(data, ensure_ascii=False, indent=0) + "\n", encoding="utf-8")
    print(f"{len(phrases)} phrases")


if __name__ == "__main__":
    main()
