"""Whether a step says what it does: it names the piece of its act, with a verb that fits, no part of the face that the
act does not touch, and as the only place to hold none but the act's own grip. Each language has a small lexicon; in a
language without one nothing is checked. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from voicecoach.checker.shape import Lack
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import ANYONE, Act, Protocol, Step


@dataclass(frozen=True, slots=True)
class Lexicon:
    """The words of a language, as regular expressions of whole words.

    pieces: names, by kind of piece (as in Item.say), 'feet' or 'hands'. verbs: by kind of act; a sentence needs one of
    them. foreign: by kind of act; words that only a step with such an act may use. beside: words before a piece or part
    of the face which show that nothing is done to it. never: words that make a clause a warning. generic: words that
    stand for any piece. face: parts of the head, neck and skin. inner, outer: the two pairs of gloves. addressed: by
    role, how a sentence to that person begins. only: that nothing but what it stands beside is held. grips: words for a
    zone of a piece, by the names of such zones.
    """

    pieces: Mapping[str, str]
    verbs: Mapping[str, str]
    foreign: Mapping[str, str]
    beside: str
    never: str
    generic: str
    face: str
    inner: str
    outer: str
    addressed: Mapping[str, str]
    only: str
    grips: Mapping[str, str]


_RUB = r"gel|rub|disinfect|spray|soap|wash"
_OFF = (
    r"peel|roll|lift|lower|drop|fall|undo|untie|unfasten|tear|free|draw|take|remove|step out|pull off|off|away|aside"
    r"|bin"
)
_ON = r"put|pull|set|fit|tie|fasten|wear|place|join|close|zip|sleeves|slip|on"
_LOOK = r"look|any|check|inspect|whole|clean"
LEXICONS: dict[str, Lexicon] = {
    "en": Lexicon(
        pieces={
            "gloves": r"gloves?|pair",
            "gown": "gown",
            "coverall": "coverall|suit",
            "apron": "apron",
            "hood": "hood|head cover",
            "shield": "shield",
            "goggles": "goggles",
            "mask": "mask|respirator",
            "boots": r"boots?|boot covers?",
            "hose": "hose",
            "belt": "belt|blower",
            "helmet": "helmet",
            "feet": "shoes?",
            "hands": "hands?",
        },
        verbs={
            "disinfect": _RUB + "|wipe|cloth",
            "hygiene": _RUB,
            "wipe": r"wipe|cloth|clean|spray",
            "doff": _OFF,
            "don": _ON,
            "change": "change|fresh|new",
            "inspect": _LOOK,
        },
        foreign={
            "disinfect hygiene": r"gel|soap",
            "wipe": r"wipe|cloth",
            "doff": r"peel|remove|drop|fall",
            "don change": r"put on|pull on",
        },
        beside=r"over|under|of|from|with|without|before|after|into|for|near|clear|past|behind|around|at|to|in|inside",
        never=r"without|not|never|no|keep|leave|nothing|only|clear",
        generic=r"it|them|that place|that piece|both",
        face=r"face(?! shield)|eyes?|nose|mouth|brow|forehead|hair|ears?|head|skin|cheeks?|chin|sweat",
        inner="inner",
        outer="outer",
        addressed={"wearer": "wearer", "observer": "observer|partner", "assistant": "assistant"},
        only="only",
        grips={
            "strap straps": "straps?",
            "edge": "edge",
            "ties": "ties",
            "buckle": "buckle",
            "zip": "zip",
            "cuff": "cuffs?",
            "front": "front",
            "inside": "inside(?! out)",
            "outside": "outside",
        },
    )
}
_HEAD = frozenset({"face", "eyes", "hair", "neck", "head"})


def misspoken(protocol: Protocol, language: str) -> tuple[Lack, ...]:
    """Every sentence that says something other than what its step does; none if the language has no lexicon."""
    lexicon = LEXICONS.get(language)
    if lexicon is None:
        return ()
    found = []
    for _, step in all_steps(protocol):
        if step.acts and not all(act.kind in {"verify", "sit", "touch"} for act in step.acts):
            found += [
                Lack("says-else", step.name, step.line, f"{step.name} says {step.say!r}, {what}")
                for what in _wrong(protocol, lexicon, step)
            ]
        found += [
            Lack("says-else", step.name, step.line, f"{step.name} says {said!r}, {what}")
            for said, what in _held_elsewhere(lexicon, step)
        ]
    return tuple(found)


def _wrong(protocol: Protocol, lexicon: Lexicon, step: Step) -> Iterator[str]:
    say = step.say.lower()
    for role, words in lexicon.addressed.items():
        if re.match(rf"(?:{words}),", say) and role not in {step.role, *step.also} and step.role != ANYONE:
            yield f"but the step is for the {step.role}"
            return
    for act in step.acts:
        verbs = lexicon.verbs.get(act.kind)
        if verbs and not _has(verbs, say):
            yield f"but no word in it means {act.kind!r}"
            return
        named = _piece(protocol, act)
        joined = f"|{lexicon.pieces['hood']}" if named == "hose" else ""  # they come off together
        if named and not _has(f"{lexicon.pieces[named]}|{lexicon.generic}{joined}", say):
            yield f"but does not name its piece ({_label(protocol, act.target)})"
        if named == "gloves" and (pair := _wrong_pair(protocol, lexicon, step, say)):
            yield pair
            return
    kinds = {act.kind for act in step.acts}
    for of, words in lexicon.foreign.items():
        clause = _clause(words, say)
        if clause and not kinds & set(of.split()) and not _has(lexicon.never, clause):
            yield f"but its act is another ({', '.join(sorted(kinds))})"
    yield from _others(protocol, lexicon, step, say)
    yield from _faces(protocol, lexicon, step, say)


def _piece(protocol: Protocol, act: Act) -> str:
    """The lexicon's name for what an act is done to; '' if the sentence need not name it."""
    whole = act.target.partition(".")[0]
    says = {item.name: item.say for item in protocol.items}
    if act.kind in {"verify", "sit", "touch"}:
        return ""
    if act.target in {"hands", "feet"}:
        return act.target
    return "gloves" if act.target.endswith(".gloves") else says.get(whole, "")


def _label(protocol: Protocol, target: str) -> str:
    return next((item.label for item in protocol.items if item.name == target), target)


def _wrong_pair(protocol: Protocol, lexicon: Lexicon, step: Step, say: str) -> str:
    """Whether the sentence says 'outer' for inner gloves or the reverse: what to report, '' if not."""
    layers = {item.name: item.layer for item in protocol.items if item.say == "gloves"}
    acted = {layers[act.target] for act in step.acts if act.target in layers and act.kind not in {"verify", "touch"}}
    if len(layers) < 2 or len(acted) != 1:
        return ""
    top = max(layers.values())
    wrong, right = (lexicon.inner, lexicon.outer) if acted == {top} else (lexicon.outer, lexicon.inner)
    if re.search(rf"\b{wrong}\b", say) and not re.search(rf"\b{right}\b", say):
        return f"but acts on the {right} gloves"
    return ""


def _others(protocol: Protocol, lexicon: Lexicon, step: Step, say: str) -> Iterator[str]:
    """Other pieces of the ensemble that are named as if the step did something to them."""
    acted = {_piece(protocol, act) for act in step.acts} | {
        item.say for item in protocol.items for act in step.acts if act.target.partition(".")[0] == item.name
    }
    acted |= {"belt", "hood"} if "hose" in acted else set()  # joined by it
    for kind in dict.fromkeys(item.say for item in protocol.items):
        if kind in acted:
            continue
        for match in re.finditer(rf"\b(?:{lexicon.pieces[kind]})\b('s)?", say):
            before = re.split(r"[.;:?!]", say[: match.start()])[-1]
            if not match[1] and not _has(f"{lexicon.beside}|{lexicon.never}", before):
                yield f"but nothing is done to the {match[0]}"
                return


def _faces(protocol: Protocol, lexicon: Lexicon, step: Step, say: str) -> Iterator[str]:
    """Parts of the face that are named although nothing is done there."""
    sites = {item.name: item.site for item in protocol.items}
    targets = {act.target.partition(".")[0] for act in step.acts}
    if any(sites.get(target, target) in _HEAD for target in targets) or all(a.kind == "inspect" for a in step.acts):
        return
    clause = _clause(lexicon.face, say)
    if clause and not _has(lexicon.never, clause):
        yield "but nothing is done there"


def _held_elsewhere(lexicon: Lexicon, step: Step) -> Iterator[tuple[str, str]]:
    """Its sentences and warnings that have a piece held only where its acts do not hold one, and what those hold."""
    held = {zone for act in step.acts for zone in (act.grip, act.target.partition(".")[2]) if zone}
    if not held:
        return
    for said in dict.fromkeys((step.say, step.say_alone, step.warn, step.warn_alone)):
        for clause in re.split(r"[.,;:?!]", said.lower()):
            named = {
                zone
                for zones, words in lexicon.grips.items()
                if re.search(rf"\b{lexicon.only}\b(?: \S+){{0,4}}? (?:{words})\b|\b(?:{words}) {lexicon.only}$", clause)
                for zone in zones.split()
            }
            if named and not named & held:
                yield said, f"but its act holds {', '.join(sorted(held))}"


def _clause(words: str, say: str) -> str:
    """The first part of the sentence, between punctuation marks, with one of these words; '' if there is none."""
    return next((part for part in re.split(r"[.,;:?!]", say) if _has(words, part)), "")


def _has(words: str, say: str) -> bool:
    return re.search(rf"\b(?:{words})\b", say) is not None
