"""The nouns of the project as plain data: wheel, block, rest, result. Numpy only."""
