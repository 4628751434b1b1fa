"""Noise of a still pod: Allan deviation and what it tells. Arrays in, figures out."""
