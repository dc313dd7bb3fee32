"""Where a step leads: the one navigation, which the session and the checker both call."""
