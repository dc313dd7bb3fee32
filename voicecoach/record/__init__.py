"""The journal of a session and what is read out of it."""
