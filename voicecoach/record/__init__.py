"""The record of a session: the journal's format, its one writer, readers, and checks."""
