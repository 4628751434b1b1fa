"""rests."""
