"""Protocols as values: model, loader, checks. Pure."""
