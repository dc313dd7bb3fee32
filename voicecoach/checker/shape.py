"""What every protocol must have: branches for what an inspection finds and for incidents, and a way out. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from voicecoach.checker.explore import modes
from voicecoach.checker.orders import high_level
from voicecoach.checker.route import Route, Stop
from voicecoach.protocol import zones
from voicecoach.protocol.agents import AGENTS
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import STAGES, Protocol, Step

BARRIERS = frozenset({"gloves", "gown", "coverall", "apron", "boots"})
"""Kinds of piece that keep contamination off the wearer, so that a tear or soil changes what comes next."""


@dataclass(frozen=True, slots=True)
class Lack:
    """Something that is missing or wrongly said.

    rule: a name in rules.BY_NAME. step: where it belongs, '' for the whole protocol. line: in the file, 0 if unknown.
    says: what is missing, and where.
    """

    rule: str
    step: str
    line: int
    says: str


def lacks(protocol: Protocol) -> tuple[Lack, ...]:
    """Everything that is missing, in the order of the file."""
    found = (_claims, _looks, _unseen, _fresh, _times, _ways_out, _back_in)
    return tuple(lack for find in found for lack in find(protocol))


COVERS: dict[str, frozenset[str]] = {
    "gloves": frozenset({"hands", "wrists"}),
    "gown": frozenset({"uniform", "trunk", "arms", "wrists", "legs", "neck"}),
    "coverall": frozenset({"uniform", "trunk", "arms", "wrists", "legs", "neck", "hair", "feet"}),
    "apron": frozenset({"uniform", "trunk", "legs"}),
    "mask": frozenset({"face"}),
    "shield": frozenset({"face", "eyes"}),
    "goggles": frozenset({"eyes"}),
    "hood": frozenset({"hair", "neck", "face", "eyes"}),
    "helmet": frozenset({"hair", "neck", "face", "eyes"}),
    "boots": frozenset({"feet", "legs"}),
}
"""Parts of the body that each kind of piece can cover; other kinds cover none. Logic of the pieces, no source."""
_TRAITS = {"gown": "garment", "coverall": "garment", "belt": "belt-papr"}


def _claims(protocol: Protocol) -> Iterator[Lack]:
    """Claims about pieces or the wearer that cannot be true."""
    for item in protocol.items:
        first = zones.zones_of(item)[0]
        if first in item.spared:
            yield Lack("claim", "", item.line, f"the {first} of the {item.label} is said to be clean after work")
        over = [zone for zone in (*item.covers, *item.tight, *item.overlap) if zone in zones.BODY]
        for zone in over:
            if zone not in COVERS.get(item.say, frozenset()):
                yield Lack("claim", "", item.line, f"the {item.label} is said to cover the {zone}")
        trait = _TRAITS.get(item.say)
        if trait and trait not in item.traits:
            yield Lack("claim", "", item.line, f"the {item.label} is a {item.say} but lacks the trait {trait!r}")
    if protocol.exposed and high_level(protocol):
        bare = ", ".join(protocol.exposed)
        yield Lack("claim", "", 0, f"{bare} left bare on purpose, although this is a high-level ensemble")


def _looks(protocol: Protocol) -> Iterator[Lack]:
    """An inspection needs a branch for each thing it may find."""
    for stage in STAGES:
        for step in protocol.steps(stage):
            ways = {answer for answer, _ in step.branches}
            for wanted, what in _needs(protocol, step):
                if not ways & wanted:
                    named = " or ".join(repr(word) for word in sorted(wanted - {"no"}))
                    yield Lack(
                        "no-way", step.name, step.line, f"{step.name} inspects {what} but has no branch for {named}"
                    )


def _needs(protocol: Protocol, step: Step) -> Iterator[tuple[set[str], str]]:
    labels = {item.name: f"the {item.label}" for item in protocol.items}
    worn = [act.target for act in step.acts if act.kind == "inspect" and act.target in labels]
    if worn:
        what = " and ".join(labels[name] for name in worn)
        yield {"torn", "no"}, what
        yield {"soiled", "no"}, what
    for act in step.acts:
        if act.kind == "inspect" and act.target not in labels:
            yield {"soiled", "no"}, f"the {act.target}"
        elif act.kind == "verify" and act.target in _VERIFIED:
            yield _VERIFIED[act.target], f"the {act.target}"


_VERIFIED = {
    "set": {"torn", "soiled", "no"},
    "seal": {"loose", "open", "no"},
    "fit": {"loose", "torn", "no"},
    "exposed-skin": {"skin-showing", "loose", "no"},
}


def _unseen(protocol: Protocol) -> Iterator[Lack]:
    """In a protocol that inspects, each barrier is inspected after work, before it comes off."""
    if not {"X2", "X30"} & set(protocol.orders):
        return
    steps = protocol.steps("undress")
    for item in protocol.items:
        if item.say not in BARRIERS or "tear-away" in item.traits:  # torn off before the removal area (Gurses 2019)
            continue
        seen = False
        for step in steps:
            seen |= any(act.kind == "inspect" and act.target == item.name for act in step.acts)
            if any(act.kind == "doff" and act.target == item.name for act in step.acts):
                if not seen:
                    says = f"nobody inspects the {item.label} after work before {step.name} takes it off"
                    yield Lack("unseen", step.name, step.line, says)
                break


def _fresh(protocol: Protocol) -> Iterator[Lack]:
    """What is put on after a touch or a pause is a fresh piece."""
    for branch in protocol.branches:
        if branch.name not in {protocol.touched, protocol.rejoin}:
            continue
        for step in branch.steps:
            for act in step.acts:
                if act.kind == "don" and not act.fresh:
                    says = f"{step.name} puts on the {act.target.replace('-', ' ')} without 'fresh'"
                    yield Lack("worn-again", step.name, step.line, says)


def _times(protocol: Protocol) -> Iterator[Lack]:
    """Every rub has an agent that suits the surface, for long enough; also in steps that no path comes to."""
    sites = {item.name: item.site for item in protocol.items}
    for _, step in all_steps(protocol):
        for act in step.acts:
            if act.kind not in {"disinfect", "hygiene", "wipe"} or step.timing is None:
                continue
            glove = act.target.endswith(".gloves") or sites.get(act.target) == "hands"
            surface = "skin" if act.kind == "hygiene" else "glove" if glove else "item"
            named, agent = step.timing.agent, AGENTS.get(step.timing.agent)
            if agent is None or surface not in agent.on:
                says = f"{step.name} uses {named}, which is not for the {act.target.replace('-', ' ')}"
                yield Lack("wrong-agent", step.name, step.line, says)
            elif step.timing.seconds < agent.least_s and not protocol.practice:
                says = f"{step.name} gives {named} {step.timing.seconds:g} s; it needs at least {agent.least_s:g} s"
                yield Lack("no-time", step.name, step.line, says)


def _ways_out(protocol: Protocol) -> Iterator[Lack]:
    """Branches for a pause, a touch and a wearer who is down."""
    for name, what in (
        (protocol.rejoin, "what comes first after a pause (rejoin)"),
        (protocol.touched, "what follows a touch with dirty hands (touched)"),
        (protocol.wearer_down, "what is done when the wearer is down (wearer-down)"),
    ):
        if not name and not protocol.practice:
            yield Lack("no-way", "", 0, f"the protocol does not say {what}")


def _back_in(protocol: Protocol) -> Iterator[Lack]:
    """A breach beside the patient leads out, never back to work."""
    route = Route(protocol, modes(protocol)[-1])
    at_work = next((stop for stop in _nominal(route) if stop.spot.kind == "work"), None)
    for kind in route.breaches("work") if at_work is not None else ():
        assert at_work is not None
        stop = route.go(f"breach: {kind}", at_work)
        for _ in range(1000):
            if stop.spot.place.stage != "work" or stop.spot.kind == "work":
                break
            stop = route.go("", route.done(stop))
        if stop.spot.kind == "work":
            yield Lack("back-to-patient", "", 0, f"{kind!r} beside the patient leads back to work")


def _nominal(route: Route) -> Iterator[Stop]:
    """The stops of the list as written, as far as work."""
    stop = route.start()
    for _ in range(10_000):
        yield stop
        if stop.spot.kind in {"work", "question"}:
            return
        stop = route.go("", route.done(stop))
