"""The bench, as the tests of the firmware have it."""

from bench.conftest import bench_folder, own_places, start

__all__ = ["bench_folder", "own_places", "start"]
