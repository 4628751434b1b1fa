"""Exact geometry of rotations and of the steering axis. Numpy only."""
