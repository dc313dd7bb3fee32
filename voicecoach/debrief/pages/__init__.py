"""HTML pages that need nothing else."""
