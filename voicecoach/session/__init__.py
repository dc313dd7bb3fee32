"""The session as a pure machine: events in, effects out."""
