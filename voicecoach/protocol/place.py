"""A place in a protocol: a stage, a step, and the branches entered there. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Detour:
    """A branch that has been entered. step: index of its current step. then: where it leads. cause: why it was entered.
    due: as in Place. about: the piece that was named when it was entered, '' for none.
    """

    branch: str
    step: int
    then: str
    cause: str
    due: bool = False
    about: str = ""

    def further(self) -> Detour:
        """This branch one step further on."""
        return Detour(self.branch, self.step + 1, self.then, self.cause, about=self.about)


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a protocol: the stage, the index of its step, and the branches entered from there, outermost first.

    Step -1 of 'prepare' stands for the questions before the first step. due: the step's own role has answered and the
    observer has not; whatever happens in between leads back to the observer, never to the act again.
    """

    stage: str
    step: int
    detours: tuple[Detour, ...] = ()
    due: bool = False

    @property
    def observer_due(self) -> bool:
        """Whether the innermost step waits only for the observer."""
        return self.detours[-1].due if self.detours else self.due

    def inside(self, detours: tuple[Detour, ...]) -> Place:
        """This place with other branches entered."""
        return Place(self.stage, self.step, detours, self.due)  # made very often: quicker than `replace`

    def with_due(self, due: bool) -> Place:
        """This place with `due` set for the innermost step."""
        if not self.detours:
            return replace(self, due=due)
        return self.inside((*self.detours[:-1], replace(self.detours[-1], due=due)))
