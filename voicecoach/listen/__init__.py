"""From sound to events: the watched process, segments, decisions, engines."""
