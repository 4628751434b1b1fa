"""calibrate."""
