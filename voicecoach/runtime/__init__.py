"""Puts the parts together and keeps them up: the loop, faults, restarts, prompts checked ahead."""
