"""Where somebody stands in a protocol: a stage, a step, and the branches entered from there. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Detour:
    """A branch that is being read. then: where it leads when done; cause: why it was taken; due: as in Place."""

    branch: str
    step: int
    then: str
    cause: str
    due: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """A position in a protocol: stage, index of the step on the main way, and the branches entered from there.

    Step -1 of 'prepare' stands for the questions before the first step. due: the step's own role has answered and the
    observer has not yet; whatever comes in between leads back to the observer, never to the act again.
    """

    stage: str
    step: int
    detours: tuple[Detour, ...] = ()
    due: bool = False

    @property
    def observer_due(self) -> bool:
        """Whether the innermost step, in the last detour or on the main way, waits for the observer alone."""
        return self.detours[-1].due if self.detours else self.due

    def with_due(self, due: bool) -> Place:
        """This place with that set for the innermost step."""
        if not self.detours:
            return replace(self, due=due)
        return replace(self, detours=(*self.detours[:-1], replace(self.detours[-1], due=due)))
