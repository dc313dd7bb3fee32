"""Pages for people, as HTML that needs nothing else."""
