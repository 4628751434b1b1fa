/* The analog inputs against the supply (AVcc), 125 kHz, so 104 us a conversion. */
#include "board.h"
#include "pin_access.h"

#include <util/delay.h>

enum {
    SUPPLY_REFERENCE = 1 << REFS0,
    MUX_BANDGAP = 0x0E,
    MUX_GROUND = 0x0F,
    ADC_ON = (1 << ADEN) | (1 << ADPS2) | (1 << ADPS1) | (1 << ADPS0),
    /* The 1.1 V source needs 70 us after it is selected and is too weak to charge the sampling
     * capacitor at once: the first conversions are thrown away. */
    SUPPLY_SETTLING = 4,
    SUPPLY_CONVERSIONS = 4,
    INPUTS = 1,
    /* analog_connected() */
    PULL_UP_US = 500,
    NEARLY_FULL = 900,
    RECOVERY_US = 100,
    FALLEN = 64,
    EMPTYING_US = 20,
    CONVERSION_POLLS = 1000
};
enum { FULL = 1023 };
#define BANDGAP_MV 1100ul

enum activity { IDLE, READING, SUPPLY, PROBING };

static volatile uint8_t activity;
static uint8_t input_read;
static uint8_t conversions_left;
static uint16_t sum;
static uint8_t supply_waits;
static uint8_t connected;
static volatile uint16_t supply_sum; /* 0: none to hand on */

void kn_analog_open(void)
{
    DIDR0 = 1 << ADC0D;
    ADMUX = SUPPLY_REFERENCE;
    ADCSRA = ADC_ON;
}

static void begin_locked(uint8_t new_activity, uint8_t mux, uint8_t conversions)
{
    activity = new_activity;
    sum = 0;
    conversions_left = conversions;
    ADMUX = (uint8_t)(SUPPLY_REFERENCE | mux);
    ADCSRA = ADC_ON | (1 << ADIE) | (1 << ADIF) | (1 << ADSC);
}

static void begin_supply_locked(void)
{
    supply_waits = 0;
    begin_locked(SUPPLY, MUX_BANDGAP, SUPPLY_SETTLING + SUPPLY_CONVERSIONS);
}

int8_t kn_analog_start(void *self, uint8_t input, uint8_t conversions)
{
    (void)self;
    int8_t result = KN_E_BUSY;
    if (input >= INPUTS || conversions < 1 || conversions > 16) {
        return KN_E_VALUE;
    }
    const uint8_t before = kn_irq_off();
    if (activity == SUPPLY) {
        ADCSRA = 0; /* a conversion under way can only be ended by switching off */
        supply_waits = 1;
        activity = IDLE;
    }
    if (activity == IDLE) {
        input_read = input;
        begin_locked(READING, input, conversions);
        result = KN_OK;
    }
    kn_irq_restore(before);
    return result;
}

int8_t kn_analog_supply_start(void *self)
{
    (void)self;
    int8_t result = KN_E_BUSY;
    const uint8_t before = kn_irq_off();
    if (activity == IDLE) {
        begin_supply_locked();
        result = KN_OK;
    }
    kn_irq_restore(before);
    return result;
}

ISR(ADC_vect)
{
    const uint16_t reading = ADC;
    conversions_left--;
    if (activity == READING || conversions_left < SUPPLY_CONVERSIONS) {
        sum = (uint16_t)(sum + reading);
    }
    if (conversions_left != 0) {
        kn_set(&ADCSRA, 1 << ADSC);
        return;
    }
    const uint8_t was = activity;
    activity = IDLE;
    if (was == SUPPLY) {
        supply_sum = sum;
    } else {
        const uint16_t total = sum;
        if (supply_waits) {
            begin_supply_locked();
        }
        kn_pod_on_analog(&kn_board_pod, input_read, total);
    }
    kn_wake();
}

void kn_analog_step(void)
{
    const uint8_t before = kn_irq_off();
    const uint16_t taken = supply_sum;
    supply_sum = 0;
    kn_irq_restore(before);
    if (taken != 0) {
        const uint32_t mv = (BANDGAP_MV * 1024 * SUPPLY_CONVERSIONS + taken / 2) / taken;
        kn_pod_on_supply(&kn_board_pod, mv > UINT16_MAX ? UINT16_MAX : (uint16_t)mv);
    }
}

static uint16_t convert(uint8_t mux)
{
    ADMUX = (uint8_t)(SUPPLY_REFERENCE | mux);
    ADCSRA = ADC_ON | (1 << ADIF) | (1 << ADSC);
    for (uint16_t polls = 0; polls < CONVERSION_POLLS && (ADCSRA & (1 << ADSC)); polls++) {
    }
    return ADC;
}

static void drive_low(void)
{
    kn_set(kn_direction_POTENTIOMETER(), KN_BIT_POTENTIOMETER);
}

static void let_go(void)
{
    kn_clear(kn_direction_POTENTIOMETER(), KN_BIT_POTENTIOMETER);
}

/* Near the top the pull-up has no room to show anything. Driven low for two cycles, 125 ns, the
 * filter's 10 nF lose a third of their charge; what drives the input makes that good at once.
 * (Longer, a wiper at its upper end without the filter's resistor would burn.) */
static uint8_t recovers(uint8_t input, uint16_t level)
{
    const uint8_t before = kn_irq_off();
    drive_low();
    let_go();
    kn_irq_restore(before);
    _delay_us(RECOVERY_US);
    return convert(input) + FALLEN > level;
}

/* The pull-up (20 to 50 kOhm) charges an open input, that is 10 nF, through at least half of
 * what is missing to the top. A potentiometer of up to 20 kOhm behind 2.2 kOhm lets it come up
 * by no more than a quarter. */
static uint8_t holds(uint8_t input, uint16_t level)
{
    kn_set(kn_port_POTENTIOMETER(), KN_BIT_POTENTIOMETER);
    _delay_us(PULL_UP_US);
    const uint16_t pulled = convert(input);
    kn_clear(kn_port_POTENTIOMETER(), KN_BIT_POTENTIOMETER);
    return pulled < level + (FULL - level) / 2;
}

uint8_t kn_analog_connected(void *self, uint8_t input)
{
    (void)self;
    if (input >= INPUTS) {
        return 0;
    }
    const uint8_t before = kn_irq_off();
    const uint8_t unused = activity == IDLE;
    if (unused) {
        activity = PROBING;
    }
    kn_irq_restore(before);
    if (!unused) {
        return connected; /* being read just now: nothing new is known */
    }
    const uint16_t level = convert(input);
    connected = level < NEARLY_FULL ? holds(input, level) : recovers(input, level);
    if (!connected) {
        /* Nothing drives it, so this harms nothing, and the next look has room to see by. */
        drive_low();
        _delay_us(EMPTYING_US);
        let_go();
    }
    activity = IDLE;
    return connected;
}
