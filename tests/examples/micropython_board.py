"""Run by MicroPython: the example on a board made of a file, in a time of its own.

`micropython micropython_board.py FOLDER ROWS`: FOLDER holds text_pod.py; ROWS one row for each
5 ms: 28 hexadecimal digits as the sensor's data registers hold them, `gone` while it does not
answer, `reset` when it has just lost power, `busy N` when the board was kept from its work for
N ms.
"""

import sys

sys.path.insert(0, sys.argv[1])
import text_pod  # found by the line above

STEP_US = 5000
READING_US = 700
WRAP_US = 1 << 30  # MicroPython's ticks wrap there


class Clock:
    def __init__(self):
        self.us = 0

    def ticks_us(self):
        self.us += 1
        return (WRAP_US - 3_000_000 + self.us) % WRAP_US

    def ticks_add(self, ticks, delta):
        return (ticks + delta) % WRAP_US

    def ticks_diff(self, a, b):
        return (a - b + WRAP_US // 2) % WRAP_US - WRAP_US // 2

    def sleep_us(self, us):
        assert us > 0
        self.us += us


class Bus:
    """The MPU-6050 as far as the example speaks to it; its registers from the data sheet."""

    def __init__(self, rows, clock):
        self.rows = rows
        self.clock = clock
        self.awake = False
        self.settings = {}

    def row(self):
        return self.rows[min(self.clock.us // STEP_US, len(self.rows) - 1)]

    def writeto_mem(self, address, place, data):
        self.answers(address)
        self.settings[place] = data[0]
        if place == 0x6B:
            self.awake = not data[0] & 0x40

    def readfrom_mem_into(self, address, place, buffer):
        self.answers(address)
        assert place == 0x3B and len(buffer) == 14
        row = self.row()
        self.clock.us += READING_US
        if row.startswith("busy"):
            self.clock.us += int(row.split()[1]) * 1000
        if row == "reset":
            self.awake = False
        for i in range(14):
            wakes = self.awake and not row.startswith(("busy", "reset"))
            buffer[i] = int(row[2 * i : 2 * i + 2], 16) if wakes else 0

    def answers(self, address):
        if address != 0x68 or self.row() == "gone":
            raise OSError(5)


clock = Clock()
with open(sys.argv[2]) as file:  # noqa: PTH123  # MicroPython has no pathlib
    bus = Bus([text.strip() for text in file], clock)
text_pod.run(text_pod.Mpu6050(bus), clock=clock, readings=len(bus.rows))
assert bus.settings == {0x6B: 1, 0x1A: 3, 0x1B: 0, 0x1C: 0}, bus.settings
