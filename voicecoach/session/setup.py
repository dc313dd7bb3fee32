"""What does not change during a session. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from voicecoach.grammar import Grammar
from voicecoach.protocol.model import Protocol, Step
from voicecoach.protocol.site import NO_SITE, Site


@dataclass(frozen=True, slots=True)
class Setup:
    """The protocol, as far as the site follows it, its grammar, and the site's figures."""

    protocol: Protocol
    grammar: Grammar
    site: Site = NO_SITE

    def __post_init__(self) -> None:
        """Leave out what the site leaves out."""
        object.__setattr__(self, "protocol", self.site.fitted(self.protocol))

    def contact_s(self, step: Step) -> float:
        """How long the timed step lasts at this site (s); 0 for a step that is not timed."""
        return self.site.contact_s(step.timing.agent, step.timing.seconds) if step.timing else 0.0
