"""What can happen to a protocol's surfaces, each computed once for each state of them. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.world import Violation, World
from voicecoach.protocol.model import Protocol, Step

Result = tuple[World, tuple[Violation, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Consequence:
    """What happens to the surfaces: `of` computes it, and each result is kept."""

    of: Callable[[World], Result]
    known: dict[World, Result]

    def on(self, world: World) -> Result:
        """The world afterwards, and the rules that are broken."""
        result = self.known.get(world)
        if result is None:
            result = self.known[world] = self.of(world)
        return result


class Consequences:
    """Everything that can happen to a protocol's surfaces; walks of several modes can share it."""

    def __init__(self, protocol: Protocol) -> None:
        self.model = ContactModel(protocol)
        self._kinds: dict[tuple[str, ...], Consequence] = {}
        self._worlds: dict[World, World] = {}

    def one(self, world: World) -> World:
        """The one value that is used for worlds like this."""
        return self._worlds.setdefault(world, world)

    def done(self, step: Step) -> Consequence:
        """The acts of a step."""
        return self._kept(("do", step.name), lambda world: self.model.do(step, world))

    def gone_wrong(self, step: Step | None) -> Consequence:
        """The hands are dirty, after the acts of a step."""
        done, dirty = self.done(step) if step else None, self.happened("dirty")

        def both(world: World) -> Result:
            return dirty.on(done.on(world)[0] if done else world)

        return self._kept(("gone wrong", step.name if step else ""), both)

    def happened(self, what: str, about: Step | None = None, *, whole: bool = False) -> Consequence:
        """What is nobody's act: 'work begins', 'the end', as ContactModel.happen names it, or '' for nothing.

        about: the step whose items are found like that. whole: the list, which begins again, inspects each pair of
        gloves.
        """
        seen = ",".join(act.target for act in about.acts if act.kind == "inspect") if about else ""

        def of(world: World) -> Result:
            if what == "work begins":
                return self.model.enter(world)
            if what == "the end":
                return self.model.leave(world)
            world = world._replace(torn=0) if whole else world
            return (self.model.happen(what, about or Step("", ""), world) if what else world), ()

        return self._kept((what, seen, "whole" if whole else ""), of)

    def _kept(self, key: tuple[str, ...], of: Callable[[World], Result]) -> Consequence:
        consequence = self._kinds.get(key)
        if consequence is None:

            def kept(world: World) -> Result:
                after, found = of(world)
                return self.one(after), found

            consequence = self._kinds[key] = Consequence(kept, {})
        return consequence
