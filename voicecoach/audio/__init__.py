"""The duplex line and its kinds."""
