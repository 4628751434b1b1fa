#include "pins.h"

#include "analog.h"
#include "avr_extint.h"
#include "bus.h"
#include "chip.h"
#include "events.h"

#define PIN_OF(port) ((uint16_t)(0x23 + 3 * ((port) - 'B')))
#define DDR_OF(port) ((uint16_t)(PIN_OF(port) + 1))
#define PORT_OF(port) ((uint16_t)(PIN_OF(port) + 2))
#define TCCR0A 0x44
#define TCCR0B 0x45
#define OCR0A 0x47
#define SDA 4
#define SCL 5
#define LIGHT 5
#define BUZZER 6

static struct {
    uint8_t driven, level;
} world[3];
static bool scl_was, light_was;
static uint32_t tone_was;

static uint8_t *seen(char port)
{
    return &chip->data[PIN_OF(port)];
}

bool pin_is_output(char port, uint8_t bit)
{
    return chip->data[DDR_OF(port)] >> bit & 1;
}

bool pin_port_bit(char port, uint8_t bit)
{
    return chip->data[PORT_OF(port)] >> bit & 1;
}

/* Tell the emulator what an input reads now; it raises pin interrupts by itself. */
static void show(char port, uint8_t bit)
{
    unsigned i = (unsigned)(port - 'B');
    bool driven = world[i].driven >> bit & 1;
    uint8_t level = driven ? world[i].level >> bit & 1u : pin_port_bit(port, bit);
    avr_ioport_external_t outside = {
        .name = (unsigned char)port & 0x7Fu, .mask = world[i].driven, .value = world[i].level};
    avr_ioctl(chip, AVR_IOCTL_IOPORT_SET_EXTERNAL((uint32_t)port), &outside);
    if (!pin_is_output(port, bit)) {
        avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ((uint32_t)port), bit), level);
    }
}

void pin_drive(char port, uint8_t bit, int level)
{
    unsigned i = (unsigned)(port - 'B');
    uint8_t mask = (uint8_t)(1u << bit);
    world[i].driven &= (uint8_t)~mask;
    world[i].level &= (uint8_t)~mask;
    if (level != PIN_FLOATING) {
        world[i].driven |= mask;
        world[i].level |= level ? mask : 0;
    }
    show(port, bit);
}

/* Both lines are open drain with a pull-up: low if anyone pulls. */
void pins_bus_changed(void)
{
    bool scl = !bus_scl_held() && !(pin_is_output('C', SCL) && !pin_port_bit('C', SCL));
    if (scl && !scl_was) {
        bus_scl_rose();
    }
    scl_was = scl;
    pin_drive('C', SCL, !bus_scl_held());
    pin_drive('C', SDA, !bus_sda_held());
}

uint32_t pins_tone_hz(void)
{
    static const uint16_t divider[] = {0, 1, 8, 64, 256, 1024, 0, 0};
    uint16_t by = divider[chip->data[TCCR0B] & 7];
    bool toggles = (chip->data[TCCR0A] & 0xC0) == 0x40;
    if (!by || !toggles || !pin_is_output('D', BUZZER)) {
        return 0;
    }
    return CLOCK_HZ / (2u * by * (1u + chip->data[OCR0A]));
}

bool pins_light(void)
{
    return pin_is_output('B', LIGHT) && pin_port_bit('B', LIGHT);
}

static void look(void)
{
    if (pins_light() != light_was) {
        light_was = !light_was;
        event(EVENT_LIGHT, light_was);
    }
    if (pins_tone_hz() != tone_was) {
        tone_was = pins_tone_hz();
        event(EVENT_TONE, tone_was);
    }
}

static void written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr, (void)param;
    analog_pins_change();
    pass_write(address, value);
    if (address == PORT_OF('C') || address == DDR_OF('C')) {
        pins_bus_changed();
    }
    look();
}

void pins_open(void)
{
    for (char port = 'B'; port <= 'D'; port++) {
        hook_write(DDR_OF(port), written);
        hook_write(PORT_OF(port), written);
        hook_write(PIN_OF(port), written);
    }
    hook_write(TCCR0A, written);
    hook_write(TCCR0B, written);
    hook_write(OCR0A, written);
}

void pins_after_reset(void)
{
    light_was = false;
    tone_was = 0;
    scl_was = true;
    /* Else a pin that is low at reset (level-triggered then) interrupts for ever after. */
    avr_extint_set_strict_lvl_trig(chip, 0, 0);
    avr_extint_set_strict_lvl_trig(chip, 1, 0);
    for (char port = 'B'; port <= 'D'; port++) {
        unsigned i = (unsigned)(port - 'B');
        *seen(port) = world[i].driven & world[i].level; /* the reset has wiped what is read */
        for (uint8_t bit = 0; bit < 8; bit++) {
            avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ((uint32_t)port), bit)->value =
                world[i].driven & world[i].level & (1u << bit) ? 1 : 0;
            show(port, bit);
        }
    }
    pins_bus_changed();
}
