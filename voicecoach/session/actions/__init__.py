"""What is done: each action changes a turn. Pure."""
