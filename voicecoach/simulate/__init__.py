"""A simulated room with people, made of sound, so that a whole session can be played."""
