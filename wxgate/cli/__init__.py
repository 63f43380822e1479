"""The command line: the only place that prints, reads the clock, or picks a path."""
