"""Exports of a record for other programs."""
