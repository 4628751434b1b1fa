#include "bus.h"

#include "adxl355.h"
#include "chip.h"
#include "events.h"
#include "mpu6050.h"
#include "pins.h"

#define TWBR 0xB8
#define TWCR 0xBC
#define TWINT 0x80
#define TWSTA 0x20
#define TWSTO 0x10
#define TWEN 0x04
#define STATUS_START 0x08
#define STATUS_AGAIN 0x10
#define STATUS_LOST 0x38
#define BITS_A_BYTE 9 /* eight and the acknowledge */

static avr_twi_t *twi;
static bus_device *const devices[] = {&mpu6050_device, &adxl355_device};
static bus_device *talking;
static int32_t sda_pulses;
static bool scl_held;
static bool stop_waits;
static avr_cycle_count_t stopped_at;

static avr_cycle_count_t scl_period(void)
{
    unsigned prescaler = chip->data[twi->r_twsr] & 3u;
    return 16u + 2u * (avr_cycle_count_t)chip->data[TWBR] * (1u << (2u * prescaler));
}

/* The emulator's timer that will set the next status, if one runs. */
static avr_cycle_timer_slot_t *state_timer(void)
{
    for (avr_cycle_timer_slot_t *t = chip->cycle_timers.timer; t; t = t->next) {
        if (t->param == twi) {
            return t;
        }
    }
    return NULL;
}

static void cancel_state(void)
{
    avr_cycle_timer_slot_t *t = state_timer();
    if (t) {
        avr_cycle_timer_cancel(chip, t->timer, twi);
    }
}

static void delay_state(void)
{
    avr_cycle_timer_slot_t *t = state_timer();
    if (!t) {
        return;
    }
    avr_cycle_count_t period = scl_period(), wait = BITS_A_BYTE * period;
    if (twi->next_twstate == STATUS_START || twi->next_twstate == STATUS_AGAIN) {
        /* A START waits for the bus to have been free, after a STOP that takes a period. */
        avr_cycle_count_t free_at = stopped_at + period;
        wait = period + (free_at > chip->cycle ? free_at - chip->cycle : 0);
    }
    avr_cycle_timer_register(chip, wait, t->timer, twi);
}

/* A STOP is over when SDA has risen while SCL is high: until then TWSTO stays set. */
static void show_stop(void)
{
    if (stop_waits) {
        chip->data[TWCR] |= TWSTO;
    }
}

static void end_stop(void)
{
    if (stop_waits && !sda_pulses && !scl_held) {
        stop_waits = false;
        chip->data[TWCR] &= (uint8_t)~TWSTO;
    }
}

static void control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr_cycle_count_t now = avr->cycle;
    bool started = (value & TWSTA) && (value & TWEN) && !(avr->data[TWCR] & TWSTA);
    bool again = twi->state & TWI_COND_START;
    if (!(value & TWEN)) {
        cancel_state(); /* the emulator lets it run on */
    }
    if ((value & TWSTO) && (value & TWEN)) {
        stopped_at = now;
    }
    pass_write(address, value);
    if ((value & TWINT) && remedy_on(REMEDY_TWI_TWINT)) {
        avr->data[TWCR] &= (uint8_t)~TWINT;
    }
    stop_waits = (value & TWEN) && (stop_waits || ((value & TWSTO) && (sda_pulses || scl_held)));
    show_stop();
    if (!(value & TWEN) || !(value & (TWINT | TWSTA))) {
        return;
    }
    if (scl_held || (sda_pulses && started)) {
        cancel_state(); /* the hardware waits for a free bus, for ever if need be */
        return;
    }
    if (started) {
        event_at(EVENT_START, now, again);
    }
    if (sda_pulses && state_timer() && !(twi->peer_addr & 1)) {
        twi->next_twstate = STATUS_LOST; /* a 1 was sent and a 0 was seen */
    }
    if (remedy_on(REMEDY_TWI_TIME)) {
        delay_state();
    }
}

static void acknowledge(uint8_t address)
{
    avr_raise_irq(twi->io.irq + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_ACK, address, 1));
}

static void addressed(uint8_t address)
{
    if (remedy_on(REMEDY_TWI_WRITE_STATUS)) {
        twi->state &= (uint8_t)~TWI_COND_WRITE;
    }
    event(EVENT_ADDRESS, address);
    talking = NULL;
    for (unsigned i = 0; i < sizeof devices / sizeof *devices; i++) {
        if (devices[i]->present && devices[i]->address == address >> 1) {
            talking = devices[i];
            talking->begin(address & 1);
            acknowledge(address);
        }
    }
}

static void message(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_twi_msg_irq_t m = {.u.v = value};
    uint8_t address = m.u.twi.addr;
    if (m.u.twi.msg & TWI_COND_STOP) {
        talking = NULL;
    }
    if (m.u.twi.msg & TWI_COND_START) {
        addressed(address);
        return;
    }
    if (m.u.twi.msg & TWI_COND_WRITE) {
        if (!talking || !talking->present) {
            return;
        }
        if (talking->nacks) {
            talking->nacks--;
            return;
        }
        if (talking->write(m.u.twi.data)) {
            acknowledge(address);
        }
    }
    if (m.u.twi.msg & TWI_COND_READ) {
        uint8_t byte = talking && talking->present ? talking->read() : 0xFF;
        avr_raise_irq(twi->io.irq + TWI_IRQ_INPUT,
                      avr_twi_irq_msg(TWI_COND_READ, address, sda_pulses ? 0 : byte));
    }
}

void bus_open(void)
{
    twi = chip_peripheral("twi");
    hook_write(TWCR, control_written);
    avr_irq_register_notify(twi->io.irq + TWI_IRQ_OUTPUT, message, NULL);
    bus_power_lost();
}

void bus_after_reset(void)
{
    talking = NULL;
    stop_waits = false;
}

void bus_power_lost(void)
{
    for (unsigned i = 0; i < sizeof devices / sizeof *devices; i++) {
        devices[i]->power();
    }
}

void bus_hold_sda(int32_t pulses)
{
    sda_pulses = pulses;
    if (pulses && state_timer() && !(twi->peer_addr & 1)) {
        twi->next_twstate = STATUS_LOST;
    }
    end_stop();
    pins_bus_changed();
}

void bus_hold_scl(bool held)
{
    scl_held = held;
    if (held) {
        cancel_state();
    }
    end_stop();
    pins_bus_changed();
}

bool bus_sda_held(void)
{
    return sda_pulses != 0;
}

bool bus_scl_held(void)
{
    return scl_held;
}

void bus_scl_rose(void)
{
    if (sda_pulses > 0) {
        sda_pulses--;
    }
    end_stop();
}
