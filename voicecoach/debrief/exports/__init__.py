"""A record in forms for other programs."""
