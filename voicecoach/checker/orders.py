"""Published orders as data, and whether a protocol satisfies them. Pure.

use: 'hard' if all known high-level sources agree, 'family' if one family of sources has it, 'data' if sources differ.
Hard orders are checked for every protocol of scope ebola-level, the others where a protocol names them in `orders`.
D: orders of donning, X: of doffing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from voicecoach.checker.explore import as_written, modes
from voicecoach.protocol.model import Act, Item, Protocol

Use = Literal["hard", "family", "data"]


@dataclass(frozen=True, slots=True)
class Order:
    """One published order.

    first and then: what must come before what, each as 'kind what'. check: how, of `_CHECKS`. scope: a trait that an
    item of the protocol must have, or ''. sources: who says it ('m' behind one: from memory); basis: as in model.BASES.
    """

    name: str
    says: str
    use: Use
    first: str
    then: str
    sources: str
    basis: str
    scope: str = ""
    check: str = "before"


TABLE: tuple[Order, ...] = (
    Order("D1", "A second person is there before the first step", "hard", "verify partner", "*",
          "CDC 2014m, CDC modules, WHO poster", "read"),
    Order("D2", "Personal things away before hand hygiene", "hard", "verify belongings", "hygiene hands",
          "CDC 2014m, CDC PAPR and gown module", "read"),
    Order("D3", "The set is inspected before the first item", "hard", "verify set", "don *",
          "CDC 2014, CDC PAPR and coverall module", "read"),
    Order("D4", "Hand hygiene before inner gloves", "hard", "hygiene hands", "don inner-gloves",
          "CDC 2014m, WHO posterm", "from memory"),
    Order("D5", "Inner gloves before the garment", "family", "don inner-gloves", "don garment",
          "CDC 2014m, N95 and gown module, WHOm", "read"),
    Order("D5b", "The inner cuff ends under the sleeve", "hard", "", "", "CDC 2014m, N95 and gown module", "read",
          check="inner-cuff"),
    Order("D6", "Boot covers before inner gloves", "data", "don boots", "don inner-gloves",
          "CDC N95 and coverall module; CDC 2014m has them after", "read"),
    Order("D7", "Garment before respirator or mask", "family", "don garment", "don respirator",
          "CDC 2014m, CDC modules, WHOm", "read"),
    Order("D8", "Respirator or mask before eye protection", "hard", "don respirator", "don eyes",
          "CDC 2014m, CDC modules, WHOm", "read"),
    Order("D9", "Respirator before hood", "hard", "don respirator", "don hood",
          "CDC 2014m, N95 and coverall module, WHOm", "read"),
    Order("D10", "Seal check right after the respirator", "hard", "don respirator", "verify seal",
          "CDC 2014m, N95 and coverall module", "read", scope="tight-fit", check="right-after"),
    Order("D11", "Hood before face shield", "data", "don hood", "don eyes",
          "CDC 2014m, N95 and gown module; WHOm has eyes first", "read"),
    Order("D12", "Inner gloves before outer gloves", "hard", "don inner-gloves", "don outer-gloves",
          "CDC 2014m, WHOm", "from memory"),
    Order("D12b", "The outer cuff lies over the sleeve", "hard", "", "", "CDC 2014m, WHOm", "from memory",
          check="outer-cuff"),
    Order("D13", "Outer gloves after the hood", "data", "don hood", "don outer-gloves",
          "CDC 2014 N95m, WHOm; CDC 2014 PAPRm has gloves first", "from memory"),
    Order("D14", "Apron before outer gloves", "data", "don apron", "don outer-gloves", "CDC 2014 N95m, WHOm",
          "from memory"),
    Order("D15", "Garment before a belt PAPR", "hard", "don garment", "don belt", "CDC PAPR and gown module", "read",
          scope="belt-papr"),
    Order("D16", "A look for skin and hair after the last item, before entry", "hard", "don *", "verify exposed-skin",
          "CDC 2014m, CDC modules, WHOm", "read", check="after"),
    Order("D16b", "Air and view are tried after a PAPR is joined up", "family", "don hose", "verify seal",
          "CDC PAPR and gown module, donning 13", "read", check="after"),
    Order("D16c", "Movements are tried after the last item", "family", "don *", "verify fit", "CDC 2014m",
          "from memory", check="after"),
    Order("D17", "Outer gloves disinfected after that look", "family", "verify exposed-skin",
          "disinfect outer-gloves", "CDC 2014m", "from memory", check="after"),
    Order("D18", "Toilet and drink before the start", "family", "verify needs", "don *",
          "CDC N95 and coverall module", "read"),
    Order("X1", "All-clear before anything but an apron comes off", "hard", "verify area", "doff *",
          "CDC N95 and gown module, WHO poster; Gurses 2019 for a tear-away apron before the area", "read",
          check="before-but-apron"),
    Order("X2", "Inspection before the first removal but that of a tear-away apron", "family", "inspect *", "doff *",
          "CDC 2014, N95 and gown module; Gurses 2019 for the apron", "read", check="before-but-tear-away"),
    Order("X3", "Gloved hands disinfected before the first removal", "hard", "disinfect *", "doff *",
          "CDC 2014, CDC modules, WHO poster", "read"),
    Order("X4", "Apron before garment", "hard", "doff apron", "doff garment",
          "CDC 2014, N95 and coverall module, WHO poster", "read", check="joinable"),
    Order("X5", "Apron before outer gloves", "data", "doff apron", "doff outer-gloves",
          "CDC 2014, CDC modules, WHO poster; MSF differs", "read", check="joinable"),
    Order("X6", "Hygiene between every two removals, but for joined ones", "hard", "", "",
          "CDC 2014, CDC modules, WHO poster", "read", check="hygiene-between"),
    Order("X7", "Outer gloves off before eye protection", "hard", "doff outer-gloves", "doff eyes",
          "CDC 2014, CDC modules, WHO poster, MSF", "read", check="joinable"),
    Order("X8", "Outer gloves off before respirator, mask or PAPR hood", "hard", "doff outer-gloves",
          "doff respirator", "CDC 2014, CDC modules, WHO poster, MSF", "read"),
    Order("X9", "Outer gloves off before the hood", "data", "doff outer-gloves", "doff hood",
          "CDC 2014, CDC modules, MSF; WHO coverall has the hood first", "read", check="joinable"),
    Order("X10", "Outer gloves apart from the garment", "data", "doff outer-gloves", "doff garment",
          "CDC 2014, CDC modules, MSF; WHO coverall joins them", "read", check="apart"),
    Order("X11", "Eye protection before respirator or mask", "hard", "doff eyes", "doff respirator",
          "CDC 2014m, CDC modules, WHO poster, MSF", "read", check="joinable"),
    Order("X12", "Eye protection before the garment", "data", "doff eyes", "doff garment",
          "CDC 2014m, CDC modules, MSF; WHO differs", "read", check="joinable"),
    Order("X13", "Eye protection before the hood", "data", "doff eyes", "doff hood",
          "CDC 2014m, CDC modules, MSF; WHO differs", "read", check="joinable"),
    Order("X14", "Hood before the garment", "family", "doff hood", "doff garment",
          "CDC 2014m, PAPR and coverall module, WHO poster, MSF", "read", check="joinable"),
    Order("X15", "Garment before respirator or mask", "hard", "doff garment", "doff mask",
          "CDC 2014m, N95 and gown module, WHO poster, MSF", "read", check="joinable"),
    Order("X16", "Belt PAPR and its hood before the garment", "hard", "doff papr", "doff garment",
          "CDC PAPR modules", "read", scope="belt-papr", check="all-before"),
    Order("X17", "Hose, belt, hood in that order", "family", "doff hose", "doff belt", "CDC PAPR modules", "read",
          check="papr-order"),
    Order("X17b", "A helper loosens the hose or takes it away, never the wearer alone", "hard", "doff hose", "",
          "CDC PAPR modules, doffing 09 and 10", "read", check="by-helper"),
    Order("X18", "Boot covers before outer gloves", "data", "doff boots", "doff outer-gloves",
          "CDC 2014; PAPR and coverall module after the garment", "read", check="joinable"),
    Order("X19", "Boot covers after the coverall, seated", "data", "doff garment", "doff boots",
          "CDC PAPR and coverall module", "read", check="joinable"),
    Order("X19b", "Boot covers come off seated", "family", "sit *", "doff boots", "CDC 2014, PAPR and coverall module",
          "read"),
    Order("X20", "Gloves disinfected between opening and pulling off the suit", "family", "touch garment",
          "disinfect inner-gloves", "CDC PAPR and coverall module; MSF", "read", check="opened-rubbed"),
    Order("X21", "Inner gloves changed after the garment, before the N95", "family", "doff garment",
          "doff respirator", "CDC 2014m, N95 and gown module", "read", check="changed-between"),
    Order("X22", "Inner gloves after eyes and respirator", "hard", "doff respirator", "last inner-gloves",
          "CDC 2014m, CDC modules, WHO poster, MSF", "read"),
    Order("X23", "Inner gloves are the last item", "family", "doff *", "last inner-gloves",
          "CDC 2014m, WHO posters", "read", check="last"),
    Order("X24", "Shoes disinfected before the last gloves come off", "family", "wipe feet", "last inner-gloves",
          "CDC 2014m, N95 and coverall module", "read"),
    Order("X24b", "Shoes are disinfected seated in the clean chair", "family", "sit clean-chair", "wipe feet",
          "CDC 2014m, N95 and gown module", "read"),
    Order("X25", "Bare-hand hygiene after the last gloves", "hard", "last inner-gloves", "hygiene hands",
          "CDC 2014m, WHO poster, MSF", "read", check="after"),
    Order("X27", "The body is looked over after the last item, before the way out", "family", "last inner-gloves",
          "inspect uniform", "CDC 2014m, PAPR and gown module", "read", check="after"),
    Order("X30", "The inner gloves are looked at once the outer ones are off", "family", "doff outer-gloves",
          "inspect inner-gloves", "CDC 2014 (second-hand), PAPR and gown module", "read", check="looked-after"),
    Order("X31", "Shower and talk after the way out, not before the look", "family", "inspect uniform",
          "verify way-out", "CDC PAPR and coverall module, CDC 2014m", "read"),
)  # fmt: skip
# X26 (no surface agent on skin) and X29 (a helper disinfects) are rules of the model; X28
# (lower strap first) is a matter of a step's wording.

_KINDS = {"gown": "garment", "coverall": "garment", "shield": "eyes", "goggles": "eyes", "helmet": "hood"}
_STAGES = {"D": {"prepare", "dress"}, "X": {"undress", "close"}}
_WORN = {"don", "doff", "touch", "last"}


@dataclass(frozen=True, slots=True)
class ActAt:
    """One act of a stage: its place, the number of its step, and the names of its target."""

    at: int
    step: int
    act: Act
    names: frozenset[str]
    role: str = "wearer"

    def meets(self, wanted: str) -> bool:
        """Whether 'kind what' means this act."""
        kind, _, what = wanted.partition(" ")
        return wanted == "*" or (self.act.kind == kind and (what == "*" or what in self.names))


@dataclass
class Case:
    """One order and one protocol: the acts of the protocol's stages, and those that match `first` and `then`."""

    order: Order
    protocol: Protocol
    acts: list[ActAt]
    firsts: list[ActAt] = field(init=False)
    thens: list[ActAt] = field(init=False)

    def __post_init__(self) -> None:
        self.firsts, self.thens = self.find(self.order.first), self.find(self.order.then)

    def find(self, wanted: str) -> list[ActAt]:
        """The acts that 'kind what' means; 'last what' is the last time that it comes off."""
        if wanted.startswith("last "):
            return self.find("doff " + wanted[5:])[-1:]
        return [act_at for act_at in self.acts if act_at.meets(wanted)]

    def absent(self, wanted: str) -> bool:
        """Whether the order speaks of something that this ensemble does not have."""
        return wanted.partition(" ")[0] in _WORN


def names_of(item: Item, protocol: Protocol) -> frozenset[str]:
    """The names by which orders know an item."""
    kinds = {item.name, item.say, _KINDS.get(item.say, item.say)} | {"tear-away"} & set(item.traits)
    if item.say == "gloves":
        most = max(other.layer for other in protocol.items if other.say == "gloves")
        kinds.add("outer-gloves" if item.layer == most > 1 else "inner-gloves")
    papr = any("belt-papr" in other.traits for other in protocol.items)
    if item.say == "mask" or (papr and item.say in {"hood", "helmet"}):
        kinds.add("respirator")
    if papr and item.say in {"hose", "belt", "hood", "helmet"}:
        kinds.add("papr")
    return frozenset(kinds)


def applies(order: Order, protocol: Protocol) -> bool:
    """Whether the order is checked for this protocol."""
    if order.name in protocol.orders:
        return True
    if order.use != "hard":
        return False
    traits = {trait for item in protocol.items for trait in item.traits}
    return high_level(protocol) and (not order.scope or order.scope in traits)


def high_level(protocol: Protocol) -> bool:
    """Whether the hard orders apply: by the scope, or by the pieces (two pairs of gloves, a covered head)."""
    pieces = [item.say for item in protocol.items]
    looks_so = pieces.count("gloves") > 1 and bool({"hood", "helmet"} & set(pieces))
    return "ebola-level" in protocol.scope or (looks_so and not protocol.practice)


def satisfied(order: Order, protocol: Protocol) -> bool:
    """Whether the protocol satisfies the order, or has none of the things that it speaks of.

    Only steps that are read with everybody present and nothing going wrong count: a rub under a condition that never
    holds satisfies nothing.
    """
    return all(_CHECKS[order.check](Case(order, protocol, acts)) for acts in _acts_read(protocol, order.name[0]))


def broken(protocol: Protocol) -> tuple[Order, ...]:
    """The orders that apply to the protocol and that it breaks."""
    return tuple(order for order in TABLE if applies(order, protocol) and not satisfied(order, protocol))


@lru_cache(maxsize=64)
def _acts_read(protocol: Protocol, kind: str) -> tuple[list[ActAt], ...]:
    """For each mode, the acts of the stages of such an order, as read when nothing goes wrong."""
    known = {item.name: names_of(item, protocol) for item in protocol.items}
    read = []
    for mode in modes(protocol):
        found: list[ActAt] = []
        for number, (stage, step) in enumerate(as_written(protocol, mode)):
            for act in step.acts if stage in _STAGES[kind] else ():
                whole = act.target.partition(".")[0]
                names = known.get(whole, frozenset()) | {act.target, whole}
                found.append(ActAt(len(found), number, act, names, step.role))
        read.append(found)
    return tuple(read)


def _before(case: Case) -> bool:
    if not case.thens:
        return case.absent(case.order.then)
    if not case.firsts:
        return case.absent(case.order.first)
    return case.firsts[0].step <= case.thens[0].step and case.firsts[0].at <= case.thens[0].at


def _before_but_apron(case: Case) -> bool:
    case.thens = [act_at for act_at in case.thens if "apron" not in act_at.names]
    return _before(case)


def _before_but_tear_away(case: Case) -> bool:
    case.thens = [act_at for act_at in case.thens if "tear-away" not in act_at.names]
    return _before(case)


def _joinable(case: Case) -> bool:
    """As `_before`, but things that come off in one step count as together."""
    if not case.thens or not case.firsts:
        return _before(case)
    return case.firsts[0].step <= case.thens[0].step


def _after(case: Case) -> bool:
    if not case.firsts:
        return case.absent(case.order.first)
    return bool(case.thens) and case.thens[-1].at > case.firsts[-1].at


def _last(case: Case) -> bool:
    return bool(case.thens) and case.thens[-1].step >= case.firsts[-1].step


def _right_after(case: Case) -> bool:
    at = {act_at.at for act_at in case.thens}
    return all(act_at.at + 1 in at for act_at in case.firsts)


def _all_before(case: Case) -> bool:
    return not case.thens or not case.firsts or case.firsts[-1].at < case.thens[0].at


def _papr_order(case: Case) -> bool:
    places = [case.find(f"doff {what}") for what in ("hose", "belt", "respirator")]
    steps = [found[0].step for found in places if found]
    return steps == sorted(steps)


def _by_helper(case: Case) -> bool:
    """Each time by a helper, or after one has loosened it."""
    loosened = [touch for touch in case.find("touch hose") if touch.role != "wearer"]
    return all(off.role != "wearer" or any(one.at < off.at for one in loosened) for off in case.firsts)


def _apart(case: Case) -> bool:
    return not {act_at.step for act_at in case.firsts} & {act_at.step for act_at in case.thens}


def _hygiene_between(case: Case) -> bool:
    doffs = case.find("doff *")
    rubs = [act_at.at for act_at in case.acts if act_at.act.rubs]
    return all(one.step == other.step or any(one.at < at < other.at for at in rubs) for one, other in pairwise(doffs))


def _looked_after(case: Case) -> bool:
    """Between the one coming off and whatever comes off next."""
    doffs = case.find("doff *")
    for act_at in case.firsts:
        following = next((other.at for other in doffs if other.step > act_at.step), len(case.acts))
        if not any(act_at.at < look.at < following for look in case.thens):
            return False
    return True


def _changed_between(case: Case) -> bool:
    if not case.firsts or not case.thens:
        return True
    between = [act_at for act_at in case.acts if case.firsts[-1].at < act_at.at < case.thens[0].at]
    wanted = ["doff inner-gloves", "hygiene hands", "don inner-gloves"]
    for act_at in between:
        if wanted and act_at.meets(wanted[0]):
            wanted.pop(0)
    return not wanted


def _opened_rubbed(case: Case) -> bool:
    off = case.find("doff garment")
    return any(touch.at < rub.at < end.at for touch in case.firsts for rub in case.find("disinfect *") for end in off)


def _cuff(case: Case, cover: str, covered: str) -> bool:
    """True when `cover` was put on after `covered` and its hem lies over it, or was tucked."""
    over, under = case.find(f"don {cover}"), case.find(f"don {covered}")
    if not over or not under:
        return True
    if any(act_at.act.manner == "tuck" for act_at in (*over, *under)):
        return True
    lying = case.protocol.item(over[0].act.target)
    zone = f"{under[0].act.target}.cuff"
    return over[0].at > under[0].at and zone in (*lying.overlap, *lying.tight, *lying.covers)


_CHECKS: dict[str, Callable[[Case], bool]] = {
    "before": _before,
    "before-but-apron": _before_but_apron,
    "before-but-tear-away": _before_but_tear_away,
    "joinable": _joinable,
    "after": _after,
    "last": _last,
    "right-after": _right_after,
    "all-before": _all_before,
    "papr-order": _papr_order,
    "apart": _apart,
    "by-helper": _by_helper,
    "hygiene-between": _hygiene_between,
    "looked-after": _looked_after,
    "changed-between": _changed_between,
    "opened-rubbed": _opened_rubbed,
    "inner-cuff": lambda case: _cuff(case, "garment", "inner-gloves"),
    "outer-cuff": lambda case: _cuff(case, "outer-gloves", "garment"),
}
