"""The state diagram, generated from the table: `python -m voicecoach.session.diagram`. Pure, except when run."""

from __future__ import annotations

from collections import defaultdict

from voicecoach.session.table import OPEN, OVER, STATES, TABLE

EVERYWHERE = 10
"""A trigger that leads to the same state from at least this many states is drawn once, from the frame around them."""


def mermaid() -> str:
    """The table as a Mermaid state diagram; rows that leave the state as it is are left out."""
    sources: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in TABLE:
        if row.target != "=":
            sources[row.trigger, row.target] |= set(row.sources)
    arrows: dict[tuple[str, str], set[str]] = defaultdict(set)
    for (trigger, target), states in sources.items():
        for state in {"open"} if len(states) >= EVERYWHERE else states:
            if state != target:
                arrows[state, target].add(trigger)
    lines = ["stateDiagram-v2", "  [*] --> open", "  state open {", "    [*] --> opening"]
    order = {name: place for place, name in enumerate(("open", *STATES))}
    inside: list[str] = []
    outside: list[str] = []
    for (source, target), triggers in sorted(arrows.items(), key=lambda arrow: [order[name] for name in arrow[0]]):
        line = f"{source} --> {target}: {', '.join(sorted(triggers))}"
        (inside if source in OPEN and target in OPEN else outside).append(line)
    lines += [f"    {line}" for line in inside] + ["  }"] + [f"  {line}" for line in outside]
    lines += [f"  {state} --> [*]" for state in OVER]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(mermaid(), end="")  # noqa: T201  the program's output
