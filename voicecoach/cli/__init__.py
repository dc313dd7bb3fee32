"""Arguments in, exit codes out."""
