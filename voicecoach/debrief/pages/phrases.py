"""Phrases shared by several pages."""

from __future__ import annotations

CAUTIONS = (
    "This is an aid and not a medical device. A trained observer, the local protocol and licensed practice come first.",
    "The record shows what was said and what was heard. It cannot show that an act was done, or done well.",
    "Where a confirmation was not independent, nobody but the person who acted has vouched for it.",
)
TRAINING_ONLY = "Training only: it has not been shown that this recogniser hears this voice well enough for more."


def length(seconds: float) -> str:
    """A duration in words: '45 s', '12 min 5 s', '1 h 3 min'."""
    whole = round(max(0.0, seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
