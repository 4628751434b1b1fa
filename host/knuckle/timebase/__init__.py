"""timebase."""
