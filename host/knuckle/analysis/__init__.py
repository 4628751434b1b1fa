"""From a block and its rests to an outcome: camber, or a whole steering sweep."""
