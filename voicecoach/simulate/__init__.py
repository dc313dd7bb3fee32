"""A room and people for it, made of sound, so that a whole session can be played."""
