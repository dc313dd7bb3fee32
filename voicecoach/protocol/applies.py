"""Whether a step applies now, given what is worn, who is there, and whether the wearer went in. Pure."""

from __future__ import annotations

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.model import Step


def not_for_now(step: Step, ledger: Ledger, *, alone: bool, cancelled: bool) -> str:
    """Why the step is skipped; '' if it is to be read.

    alone: nobody else is there. cancelled: the wearer never went in, so that removal only undoes dressing.
    """
    reason = _conditions(step, ledger)
    if not reason and alone and step.role == "observer" and not step.alone:
        reason = "there is no observer"
    if not reason and alone and step.role == "assistant" and not _for_somebody_alone(step):
        reason = "there is no assistant"
    return reason or _already(step, ledger) or (_never_put_on(step, ledger) if cancelled else "")


def _for_somebody_alone(step: Step) -> bool:
    """Whether somebody alone does an assistant's step: it has words for them, or changes what is worn."""
    return bool(step.say_alone) or any(act.kind in {"don", "doff", "change"} for act in step.acts)


def _conditions(step: Step, ledger: Ledger) -> str:
    """Which of the step's own conditions fails; '' for none."""
    missing = next((item for item in step.when_on if ledger.worn(item) != "on"), "")
    if missing:
        return f"{missing} is not worn"
    worn = next((item for item in step.when_off if ledger.worn(item) == "on"), "")
    if worn:
        return f"{worn} is worn"
    if step.between and ledger.hands in {"rubbed", "clean"}:
        return "the hands are rubbed already"
    if step.when_any_on and all(ledger.worn(item) != "on" for item in step.when_any_on):
        return "nothing that it is for is worn"
    return ""


def _already(step: Step, ledger: Ledger) -> str:
    """Why there is nothing to put on or take off; '' if there is."""
    doffs = [act.target for act in step.acts if act.kind == "doff"]
    if doffs and all(ledger.worn(item) != "on" for item in doffs):
        return "nothing already off is asked off again"
    dons = [act for act in step.acts if act.kind == "don"]
    if not dons or not all(act.kind in {"don", "sit"} for act in step.acts):
        return ""
    if all(ledger.worn(act.target) == "on" for act in dons):
        return "already on"
    if all(act.fresh and ledger.worn(act.target) == "never" for act in dons):
        return "nothing that it would replace was on"
    return ""


def _never_put_on(step: Step, ledger: Ledger) -> str:
    """Why the step is pointless after dressing was broken off; '' if it is not."""
    known = {item for item, _ in ledger.items}
    targets = [act.target.partition(".")[0] for act in step.acts if act.kind in {"inspect", "disinfect"}]
    waits = (act.kind in {"verify", "sit"} or (act.kind, act.target) == ("wipe", "feet") for act in step.acts)
    if not step.asks_for and all(waits):
        return "nobody went in"
    if targets and len(targets) == len(step.acts) and all(t in known and ledger.worn(t) == "never" for t in targets):
        return "never put on"
    return ""
