"""What an event means in a state: events to intents. Pure."""
