/* The sensor bus: the two-wire interface, one interrupt a byte. */
#include "board.h"
#include "pin_access.h"

#include <util/delay.h>
#include <util/twi.h>

enum {
    BUS_KHZ = 400,
    RATE = (F_CPU / 1000 / BUS_KHZ - 16) / 2, /* SCL = F_CPU / (16 + 2 RATE), prescaler 1 */
    STOP_POLLS = 24,                  /* a STOP takes about one clock, 40 cycles */
    PULSES = 9,                       /* a reader cut off can hold SDA for eight bits and an answer */
    HALF_PULSE_US = 5,
    STRETCH_POLLS = 20                /* how many half pulses SCL may be held low */
};

static kn_transfer *running;
static uint8_t position;
static uint8_t recovering;

/* Also lets a transfer go on, as it takes the interrupt flag back. */
KN_INLINE void control(uint8_t bits)
{
    TWCR = (uint8_t)((1 << TWINT) | (1 << TWEN) | bits);
}

void kn_bus_open(void)
{
    TWSR = 0;
    TWBR = RATE;
    /* So that an empty socket reads as silence; the shifter's own resistors are far stronger. */
    kn_set(kn_port_SDA(), KN_BIT_SDA);
    kn_set(kn_port_SCL(), KN_BIT_SCL);
    TWCR = 1 << TWEN;
}

KN_INLINE uint8_t stop_under_way(void)
{
    return TWCR & (1 << TWSTO);
}

int8_t kn_bus_start(void *self, kn_transfer *transfer)
{
    (void)self;
    int8_t result = KN_E_BUSY;
    const uint8_t before = kn_irq_off();
    if (running == NULL && !recovering) {
        result = KN_E_BUS;
        if (!stop_under_way()) {
            running = transfer;
            position = 0;
            transfer->status = KN_PENDING;
            control((1 << TWSTA) | (1 << TWIE));
            result = KN_OK;
        }
    }
    kn_irq_restore(before);
    return result;
}

ISR(TWI_vect)
{
    kn_transfer *const transfer = running;
    uint8_t next = 1 << TWIE;
    int8_t result = KN_PENDING;
    uint8_t receiving = 0;
    if (transfer == NULL) {
        control(1 << TWSTO);
        return;
    }
    const uint8_t address = (uint8_t)(transfer->address << 1);
    switch (TW_STATUS) {
    case TW_START:
        TWDR = transfer->out_length == 0 && transfer->in_length != 0 ? address | TW_READ : address;
        break;
    case TW_REP_START:
        TWDR = address | TW_READ;
        break;
    case TW_MT_SLA_ACK:
    case TW_MT_DATA_ACK:
        if (position < transfer->out_length) {
            TWDR = transfer->out[position++];
        } else if (transfer->in_length != 0) {
            position = 0;
            next = (1 << TWSTA) | (1 << TWIE);
        } else {
            result = KN_OK;
        }
        break;
    case TW_MR_DATA_ACK:
        transfer->in[position++] = TWDR;
        receiving = 1;
        break;
    case TW_MR_SLA_ACK:
        receiving = 1;
        break;
    case TW_MR_DATA_NACK:
        transfer->in[position] = TWDR;
        result = KN_OK;
        break;
    case TW_MT_SLA_NACK:
    case TW_MR_SLA_NACK:
        result = KN_E_NO_ANSWER;
        break;
    case TW_MT_DATA_NACK:
        result = KN_E_NACK;
        break;
    default: /* arbitration lost or an illegal state, in both of which the STOP is harmless */
        result = KN_E_BUS;
        break;
    }
    /* A byte is acknowledged unless it is the last one wanted. */
    if (receiving && (uint8_t)(position + 1) < transfer->in_length) {
        next = (1 << TWIE) | (1 << TWEA);
    }
    if (result != KN_PENDING) {
        next = 1 << TWSTO;
    }
    control(next);
    if (result != KN_PENDING) {
        /* A STOP does not end while another holds SDA low: what was read meanwhile is nothing, and
         * the bus must be freed first. */
        for (uint8_t polls = STOP_POLLS; polls && stop_under_way(); polls--) {
        }
        if (stop_under_way()) {
            result = KN_E_BUS;
        }
        running = NULL;
        transfer->status = result;
        kn_wake();
        kn_pod_on_transfer(&kn_board_pod);
    }
}

/* The lines as open drains: low by driving, high by letting the resistors pull. */
static void sda_low(void)
{
    kn_clear(kn_port_SDA(), KN_BIT_SDA);
    kn_set(kn_direction_SDA(), KN_BIT_SDA);
}

static void sda_free(void)
{
    kn_clear(kn_direction_SDA(), KN_BIT_SDA);
    kn_set(kn_port_SDA(), KN_BIT_SDA);
}

static void scl_low(void)
{
    kn_clear(kn_port_SCL(), KN_BIT_SCL);
    kn_set(kn_direction_SCL(), KN_BIT_SCL);
    _delay_us(HALF_PULSE_US);
}

static void scl_free(void)
{
    kn_clear(kn_direction_SCL(), KN_BIT_SCL);
    kn_set(kn_port_SCL(), KN_BIT_SCL);
    for (uint8_t polls = 0; polls < STRETCH_POLLS && !kn_input_SCL(); polls++) {
        _delay_us(HALF_PULSE_US);
    }
    _delay_us(HALF_PULSE_US);
}

int8_t kn_bus_recover(void *self)
{
    (void)self;
    const uint8_t before = kn_irq_off();
    recovering = 1;
    TWCR = 0;
    if (running != NULL) {
        running->status = KN_E_TIMEOUT;
        running = NULL;
    }
    kn_irq_restore(before);

    sda_free();
    scl_free();
    if (kn_input_SCL()) {
        for (uint8_t pulses = 0; pulses < PULSES && !kn_input_SDA(); pulses++) {
            scl_low();
            scl_free();
        }
        scl_low();
        sda_low();
        scl_free();
        sda_free();
        _delay_us(HALF_PULSE_US);
    }
    const int8_t result = kn_input_SDA() && kn_input_SCL() ? KN_OK : KN_E_BUS;
    TWCR = 1 << TWEN;
    recovering = 0;
    return result;
}
