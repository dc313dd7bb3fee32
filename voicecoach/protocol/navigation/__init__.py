"""Where a step leads: the navigation that both the session and the checker call."""
