"""What a MicroPython board runs when it gets power. The pins are those of your board."""

from machine import I2C, Pin
from text_pod import Mpu6050, run

sensor = Mpu6050(I2C(0, scl=Pin(5), sda=Pin(4), freq=400000))
run(sensor)  # to a Bluetooth module: run(sensor, lambda text: uart.write(text + "\n"))
