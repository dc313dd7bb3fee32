"""Files and signals of the operating system."""
