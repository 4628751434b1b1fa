"""links."""
