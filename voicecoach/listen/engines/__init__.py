"""Engines that score the phrases of an utterance, one to a file."""
