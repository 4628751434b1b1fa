/* Every pin that the pod uses on an ATmega328P board. hardware/ is tested against this file:
 * each line is KN_PIN(name, port letter, bit, board label, direction, purpose). */
#ifndef KN_PINS_H
#define KN_PINS_H

#define KN_PINS(KN_PIN) \
    KN_PIN(RXD, D, 0, "D0", in, "serial line from the computer or the Bluetooth module") \
    KN_PIN(TXD, D, 1, "D1", out, "serial line to the computer or the Bluetooth module") \
    KN_PIN(CALIPER_CLOCK, D, 2, "D2", in, "clock of the digital caliper, through its level shifter") \
    KN_PIN(CALIPER_DATA, D, 3, "D3", in, "data of the digital caliper, through its level shifter") \
    KN_PIN(BUTTON, D, 4, "D4", in, "push button to ground, internal pull-up") \
    KN_PIN(BUZZER, D, 6, "D6", out, "passive piezo buzzer, tone by timer 0") \
    KN_PIN(LIGHT, B, 5, "D13", out, "light on the board") \
    KN_PIN(POTENTIOMETER, C, 0, "A0", analog, "wiper of the linear potentiometer or draw-wire") \
    KN_PIN(SDA, C, 4, "A4", both, "data of the sensor bus, through the level shifter") \
    KN_PIN(SCL, C, 5, "A5", both, "clock of the sensor bus, through the level shifter")

/* Both lines of the caliper come upside down, from one transistor each (hardware/wiring.csv). */
#define KN_CALIPER_INVERTED 1

#endif
