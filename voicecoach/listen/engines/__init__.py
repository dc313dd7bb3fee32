"""What scores the phrases of an utterance, one file an engine."""
