"""From prompts to sound: voice and tones."""
