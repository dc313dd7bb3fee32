"""What an event means here: from events to intents. Pure."""
