"""The checker's rules, as a table that an infection-control nurse can dispute line by line. Pure.

RULES is the table's version. Severity: 'harm' ends with contamination on the wearer or with an open airway; 'risk'
removes a barrier or a chance to notice; 'form' concerns how a protocol is written. basis: as in model.BASES. judgement:
what is assumed where no source says it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

RULES = "2"
Severity = Literal["harm", "risk", "form"]
SEVERITIES: tuple[Severity, ...] = ("harm", "risk", "form")
CLEAN, TREATED, SUSPECT, DIRTY = 0, 1, 2, 3
LEVELS = ("clean", "treated", "suspect", "dirty")


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. scope: kinds of ensemble that it applies to ('' for all). source and basis: where it comes from."""

    name: str
    says: str
    severity: Severity
    source: str
    basis: str
    scope: str = ""
    judgement: str = ""


_CDC = "CDC guidance, October 2014"
_MODULES = "CDC PPE training modules, 2014"

TABLE: tuple[Rule, ...] = (
    Rule(
        "dirty-at-body",
        "Nothing dirty or suspect touches skin, face, hair or clothes.",
        "harm",
        "CDC training module, trained observer 16 and 19",
        "read",
        judgement="contact with a suspect surface counts as contact with a dirty one",
    ),
    Rule(
        "treated-at-face",
        "A disinfected glove touches no face, eye or hair.",
        "harm",
        "CDC training module, trained observer 19 and 21",
        "read",
        judgement="disinfecting lowers what is on a glove, it does not end it; straps and clean insides may be held",
    ),
    Rule("dirty-at-hand", "No bare hand touches a dirty or suspect surface.", "harm", _CDC, "from memory"),
    Rule(
        "hands-not-clean",
        "The hands are rubbed bare after the last gloves, and stay clean until the end.",
        "harm",
        "CDC 2014, WHO posters, MSF as printed in 2014",
        "from memory",
    ),
    Rule(
        "respirator-too-early",
        "A tight-fitting respirator stays on while a dirty garment is worn.",
        "harm",
        "CDC 2014 and modules, WHO posters, MSF",
        "read",
        scope="not for a belt PAPR, whose hood comes off first",
    ),
    Rule(
        "dirty-on-skin-agent",
        "Bare skin gets hand rub or soap and water, no surface agent.",
        "harm",
        "CDC training module, N95 and gown 16; MSF",
        "read",
    ),
    Rule(
        "bare-at-entry",
        "No skin, hair or clothing is uncovered when work begins, but for what the protocol leaves bare on purpose.",
        "harm",
        f"{_CDC}; {_MODULES}",
        "read",
        judgement="a cover leaks unless its item says 'tight': what lies under a leaking cover only counts as bare",
    ),
    Rule(
        "hygiene-missing",
        "Between two things taken off, and before the first, the outermost gloves or the bare hands are disinfected.",
        "harm",
        "CDC 2014, WHO posters",
        "read",
        judgement="things taken off in one step count as one",
    ),
    Rule(
        "gloves-on-unclean-hands",
        "Gloves go on clean bare hands.",
        "risk",
        f"{_CDC}, step 4; N95 and gown 16",
        "from memory",
    ),
    Rule(
        "front-held",
        "What is worn at the face is held by its strap or edge, never at the front or inside.",
        "harm",
        "WHO poster, coverall, steps 5, 9 and 11; CDC general sequence 2014; CDC module, N95 and coverall 08",
        "read",
        judgement="a front held before the face is as bad as a touch of the skin beside it",
    ),
    Rule("under-cover", "Nothing is taken off from under a thing that covers it.", "harm", "logic of layers", "read"),
    Rule(
        "cuff-order",
        "A garment comes off after gloves or boots that lie over its ends, or together with them.",
        "harm",
        "CDC 2014; WHO poster, coverall, step 7",
        "read",
    ),
    Rule("not-worn", "Only what is worn is touched, taken off or disinfected.", "risk", "logic of layers", "read"),
    Rule(
        "worn-again",
        "What came off after work is never put on again; only a fresh piece is.",
        "harm",
        "CDC modules, N95 and gown 16, PAPR and gown doffing 09; logic of contamination",
        "read",
        judgement="an act that puts on a new piece says so with 'fresh'",
    ),
    Rule(
        "torn-kept",
        "A torn glove over bare skin comes off, hands are rubbed and a fresh one goes on, before the next item.",
        "harm",
        "CDC 2014 (second-hand), PAPR and gown doffing 09",
        "read",
        judgement="a torn outer glove over a whole one may stay until its turn",
    ),
    Rule(
        "wrong-role",
        "Hands, gloves and seats are the business of whoever has them: nobody rubs another's by rubbing their own.",
        "harm",
        "CDC trained observer 11; PAPR and gown 10",
        "read",
        judgement="a helper may spray or wipe the wearer's outside, but a rub is one's own",
    ),
    Rule("worn-twice", "Nothing is put on that is on.", "risk", "logic of layers", "read"),
    Rule(
        "never-off",
        "Everything put on has come off at the end, but for what is said to stay on and is disinfected.",
        "harm",
        "logic of layers; WHO poster, coverall, step 13: boots may be kept on (from memory)",
        "read",
    ),
    Rule(
        "through-soil",
        "Visible soil is wiped away before the hands count as disinfected.",
        "harm",
        f"{_CDC}, steps 2 and 5",
        "second-hand",
        judgement="a rub over soil leaves the surface as dirty as it was",
    ),
    Rule(
        "wrong-agent",
        "Each surface gets an agent that is meant for it.",
        "risk",
        "product labels",
        "common practice, no source",
        judgement="hand rub for gloves and hands; surface wipes for items, gloves, shoes and furniture; an agent that "
        "is not in the table of agents does nothing",
    ),
    Rule(
        "no-time",
        "Each disinfection has a time, never shorter than the least that any source gives its agent.",
        "risk",
        "product labels; WHO hand rub, 20 to 30 s",
        "second-hand",
        judgement="less than the full time counts as nothing",
    ),
    Rule("covered", "Only the outermost surface can be disinfected.", "risk", "logic of layers", "read"),
    Rule(
        "hygiene-over-gloves", "Bare hands are rubbed bare.", "risk", "CDC training module, N95 and gown 16", "read"
    ),
    Rule(
        "dirty-seat",
        "Nobody sits in clean clothes on a seat that was used in dirty ones.",
        "harm",
        "CDC training module, PAPR and coverall 14",
        "read",
        judgement="one sitting makes a seat dirty for good",
    ),
    Rule(
        "shoes-untreated",
        "Shoes are disinfected before the end, where boot covers were worn.",
        "risk",
        f"{_CDC}, step 18; N95 and gown 18",
        "read",
        judgement="the floor is dirty until the marked side",
    ),
    Rule(
        "helper-not-rubbed",
        "A helper disinfects after every touch.",
        "harm",
        "CDC trained observer 11, PAPR and gown 10; Gurses 2019",
        "read",
    ),
    Rule(
        "order",
        "An order on which every source agrees is kept.",
        "harm",
        "the orders' own sources",
        "read",
    ),
    Rule(
        "claim",
        "A protocol claims nothing of its pieces that such a piece cannot keep.",
        "risk",
        "ECDC tutorials, no skin exposed; logic of the pieces",
        "read",
        judgement="the outside of a piece is never clean after work; a kind of piece covers its own parts of the body",
    ),
    Rule(
        "no-way",
        "A look that finds something leads somewhere, and so do a pause, a touch and a wearer who is down.",
        "risk",
        "CDC 2014, steps 2, 5 and 9; CDC PAPR and gown doffing 09",
        "read",
    ),
    Rule(
        "unseen",
        "After work each pair of gloves, garment, apron and boot cover is looked at before it comes off.",
        "risk",
        "CDC 2014, steps 2, 5 and 9 (second-hand); N95 and gown 01",
        "read",
        scope="protocols that declare X2 or X30",
    ),
    Rule(
        "back-to-patient",
        "Nobody stays with the patient after a breach.",
        "harm",
        "CDC module, PAPR and coverall donning 11; WHO 2014, first aid (from memory)",
        "read",
    ),
    Rule(
        "says-else",
        "What is said is what is done: the piece named is that of the act, and so are the verb and the only grip.",
        "risk",
        "CDC trained observer 12 and 19: the instruction is what is done and confirmed",
        "read",
        judgement="by a small lexicon of each language; generic words such as 'that place' are let through",
    ),
    Rule("too-many-named", "At most eight answers a stage must be named.", "form", "the coach's rule 3", "read"),
    Rule("asks-for-less", "Where a slip costs most, the coach asks harder.", "form", "single slips, computed", "read"),
)  # fmt: skip

BY_NAME = {rule.name: rule for rule in TABLE}

WAIVED = frozenset({"hygiene-missing", "through-soil", "torn-kept", "shoes-untreated", "helper-not-rubbed", "not-worn"})
"""Rules that are not held against what follows a branch that says why something else goes first (`emergency`)."""

# What is not in the model, said at the end of every check.
NOT_COVERED = (
    "what floats in the air",
    "how much passes in a contact (states only, but for the ranking's stated chances)",
    "liquids running down between layers",
    "left and right hand apart",
    "three slips or more at once",
    "what a person does between two steps",
    "what one who never went in meets on the way out",
    "a false alarm beside anything else that goes wrong",
)


def table_text() -> str:
    """The table as plain text, one rule to a paragraph."""
    lines = [f"Rules v{RULES}"]
    for rule in TABLE:
        lines.append(f"{rule.name} ({rule.severity}): {rule.says}")
        lines.append(f"    source: {rule.source} [{rule.basis}]" + (f"; scope: {rule.scope}" if rule.scope else ""))
        if rule.judgement:
            lines.append(f"    judgement: {rule.judgement}")
    return "\n".join(lines)
