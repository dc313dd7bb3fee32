"""An offline, hands-free step assistant for putting on and taking off high-level protective equipment."""

__version__ = "0.1.0"
