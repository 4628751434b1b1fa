"""knuckle: camber, caster and steering-axis inclination from a pod on the wheel."""

__version__ = "0.1.0"
