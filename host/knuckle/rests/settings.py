"""What the detector of rests is told; every figure can be changed, none needs to be."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RestSettings:
    """Tolerances of the detector of rests.

    Noise is never among them: it is measured on the pod while it stands, in this run or before
    (`noise_floor.KnownFloor`). The figures here
    are what a person means by "still", and ceilings above which no pod is.

    Attributes
    ----------
    cell_s : float
        Length of the fixed groups of samples in which everything is judged, in s; at least
        two samples, whatever the rate: `cell_size`.
    ready_s : float
        Still time needed before a rest is announced, once the gyro's bias is known.
    ready_unknown_bias_s : float
        The same while it is not known.
    ready_no_gyro_s : float
        The same for a pod without gyro, which sees a turn only through gravity.
    rate_tolerance_dps : float
        Turning faster than this is no rest. Lies between the 0.01 deg/s that must pass and
        the 0.1 deg/s that must not.
    level_tolerance_g : float
        A lasting change of the accelerometer below this is never taken for a move.
    slope_tolerance_g_s : float
        A steady change of the accelerometer below this is never taken for a drift. 0.1 deg/s
        of steer makes 0.39 mg/s at a steering axis 13 deg off the vertical.
    longest_knock_s : float
        A disturbance that is over within this time does not end a rest.
    loudness : float
        Power over the noise floor from which a cell is disturbed.
    ceiling_gyro_dps, ceiling_accel_g : float
        Root-mean-square within a cell (all axes) above which nothing counts as still.
    ceiling_gyro_wander_dps, ceiling_accel_wander_g : float
        The same for the scatter of cell means.
    tremor_gyro_dps, tremor_accel_g : float
        Swing between the halves of a cell (5 to 15 Hz, where hands tremble) above which the
        pod is taken to be handled, if the swing also stands out from its white noise.
    shortest_s, shortest_no_gyro_s : float
        A shorter stretch is not a rest once disturbed cells are left out; with and without
        gyro.
    departed_s, departed_no_gyro_s : float
        The same for a whole stand that was announced and that a move has ended: who goes on at
        the cue, with a wheel that was still settling at first, leaves less.
    """

    cell_s: float = 0.1
    ready_s: float = 0.7
    ready_unknown_bias_s: float = 0.9
    ready_no_gyro_s: float = 1.2
    rate_tolerance_dps: float = 0.055
    level_tolerance_g: float = 1.0e-3
    slope_tolerance_g_s: float = 0.13e-3
    longest_knock_s: float = 0.8
    loudness: float = 4.0
    ceiling_gyro_dps: float = 1.5
    ceiling_accel_g: float = 0.08
    ceiling_gyro_wander_dps: float = 0.3
    ceiling_accel_wander_g: float = 0.012
    tremor_gyro_dps: float = 0.15
    tremor_accel_g: float = 0.01
    shortest_s: float = 1.0
    shortest_no_gyro_s: float = 1.5
    departed_s: float = 0.7
    departed_no_gyro_s: float = 1.3

    def least_s(self, *, has_gyro: bool, departed: bool) -> float:
        """Return how long a stretch must have been still to be a rest, in s."""
        if departed:
            return self.departed_s if has_gyro else self.departed_no_gyro_s
        return self.shortest_s if has_gyro else self.shortest_no_gyro_s

    def cell_size(self, rate_hz: float) -> int:
        """Return the samples in a cell."""
        return max(2, round(rate_hz * self.cell_s))
