"""A tiny pod in MicroPython: an MPU-6050 whose readings leave as text lines that knuckle reads.

docs/own-pod.md explains it. The sensor, the way out and the clock are passed in; main.py beside
this file does so on a board.
"""

import time

FACTS = (
    "# id=my-second-pod",
    "# accelerometer=mpu6050",
    "# gyro=mpu6050",
    "# accelerometer_range_g=2",
    "# calibration=none",
    "t_ms,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c",
)
READING_MS = 5  # 200 readings/s
AVERAGE = 4  # readings in a line: 4 make 50 lines/s; at 9600 baud take 25


class Mpu6050:
    """The sensor on an I2C bus."""

    def __init__(self, i2c, address=0x68):
        self.i2c = i2c
        self.address = address
        self.raw = bytearray(14)
        self.awake = False

    def wake(self):
        """Wake it and set it up, by its data sheet."""
        # Clocked by its gyro; low-pass filters of about 44 Hz; +-250 deg/s; +-2 g.
        for place, value in ((0x6B, 1), (0x1A, 3), (0x1B, 0), (0x1C, 0)):
            self.i2c.writeto_mem(self.address, place, bytes((value,)))
        self.awake = True

    def read(self):
        """Return x, y, z, temperature and rates of turn as whole numbers, or None."""
        try:
            if not self.awake:
                self.wake()
                return None
            self.i2c.readfrom_mem_into(self.address, 0x3B, self.raw)
            self.awake = any(self.raw)  # zeros alone: it has lost power for a moment, and sleeps
        except OSError:  # a wire is off
            self.awake = False
        if not self.awake:
            return None  # nothing may stand in for a reading that is missing
        counts = [self.raw[i] << 8 | self.raw[i + 1] for i in range(0, 14, 2)]
        return [c - 65536 if c > 32767 else c for c in counts]


def line(t_ms, sums, count):
    """Return one sample: time, g, deg/s, degrees Celsius, by the scales of the data sheet."""
    cells = [str(t_ms)]
    cells += ["%.5f" % (total / count / 16384) for total in sums[:3]]
    cells += ["%.3f" % (total / count / 131) for total in sums[4:]]
    cells.append("%.2f" % (sums[3] / count / 340 + 36.53))
    return ",".join(cells)


def run(sensor, write=print, clock=time, readings=None):
    """Read and write for ever, or for a number of readings.

    `write` takes a line without its end; `clock` is the module time, or what has its ticks_us,
    ticks_add, ticks_diff and sleep_us.
    """
    for fact in FACTS:
        write(fact)
    due_us = clock.ticks_us()
    number = lines = summed = 0  # the count of readings, missed ones too, is the clock of the lines
    sums = [0] * 7
    while readings is None or number < readings:
        wait_us = clock.ticks_diff(due_us, clock.ticks_us())
        if wait_us > 0:
            clock.sleep_us(wait_us)
        missed = wait_us < -READING_MS * 1000
        counts = None if missed else sensor.read()
        due_us = clock.ticks_add(due_us, READING_MS * 1000)
        number += 1
        if counts is None:
            sums, summed = [0] * 7, 0
            continue
        for i in range(7):
            sums[i] += counts[i]
        summed += 1
        if summed < AVERAGE:
            continue
        write(line((number - AVERAGE) * READING_MS, sums, AVERAGE))
        sums, summed = [0] * 7, 0
        lines += 1
        if lines % (100 // AVERAGE) == 0:  # again and again: the program may join at any time
            write(FACTS[lines // (100 // AVERAGE) % len(FACTS)])
