"""From sound to commands: grammar, engines, the watched child."""
