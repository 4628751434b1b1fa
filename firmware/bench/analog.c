#include "analog.h"

#include <math.h>

#include "chip.h"
#include "events.h"
#include "pins.h"

#define ADCL 0x78
#define ADCH 0x79
#define ADCSRA 0x7A
#define ADMUX 0x7C
#define BAND_GAP_MV 1100.0
#define PULL_UP_OHM 35000.0 /* data sheet: 20 to 50 k */
#define DRIVER_OHM 25.0     /* an output that is on */
#define FILTER_F 10e-9      /* from the input to ground, see hardware/ */
#define CODES 1024.0
#define MUX_BAND_GAP 14u

static avr_adc_t *adc;
static struct {
    bool connected;
    double mv, ohm, noise_mv;
    double node_mv; /* what the filter's capacitor is charged to */
    uint64_t at;
} source[ANALOG_INPUTS];
static uint16_t code;

static double gaussian(void)
{
    double u = (chip_random() + 1.0) / 4294967297.0, v = chip_random() / 4294967296.0;
    return sqrt(-2.0 * log(u)) * cos(6.283185307179586 * v); /* Box and Muller 1958 */
}

/* Let the capacitor follow what pulls at it since the last look. */
static void settle(uint8_t input)
{
    double supply = chip_supply_mv, siemens = 0.0, ma_k = 0.0;
    bool high = input < 6 && pin_port_bit('C', input);
    double passed_s = (double)(chip->cycle - source[input].at) / CLOCK_HZ;
    if (input < 6 && pin_is_output('C', input)) {
        siemens += 1.0 / DRIVER_OHM;
        ma_k += high ? supply / DRIVER_OHM : 0.0;
    } else if (high) {
        siemens += 1.0 / PULL_UP_OHM;
        ma_k += supply / PULL_UP_OHM;
    }
    if (source[input].connected) {
        siemens += 1.0 / source[input].ohm;
        ma_k += source[input].mv / source[input].ohm;
    }
    source[input].at = chip->cycle;
    if (siemens > 0.0) {
        double end_mv = ma_k / siemens;
        source[input].node_mv =
            end_mv + (source[input].node_mv - end_mv) * exp(-passed_s * siemens / FILTER_F);
    }
}

void analog_pins_change(void)
{
    for (uint8_t input = 0; input < ANALOG_INPUTS; input++) {
        settle(input);
    }
}

static void started(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    uint8_t mux = chip->data[ADMUX] & 0x0F;
    double mv = 0.0, reference = chip_supply_mv;
    event(EVENT_CONVERSION, chip->data[ADMUX]);
    if (mux < ANALOG_INPUTS) {
        settle(mux);
        mv = source[mux].node_mv + source[mux].noise_mv * gaussian();
    } else if (mux == MUX_BAND_GAP) {
        mv = BAND_GAP_MV;
    }
    if ((chip->data[ADMUX] & 0xC0) == 0xC0) {
        reference = BAND_GAP_MV;
    }
    double exact = mv / reference * CODES;
    code = (uint16_t)(exact < 0.0 ? 0.0 : exact >= CODES ? CODES - 1.0 : exact);
}

static uint8_t low_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    if (!remedy_on(REMEDY_ADC_SCALE)) {
        return pass_read(address);
    }
    if (!adc->read_status) {
        uint16_t shown = (uint16_t)(avr->data[ADMUX] & 0x20 ? code << 6 : code);
        avr->data[ADCL] = (uint8_t)shown;
        avr->data[ADCH] = (uint8_t)(shown >> 8);
        adc->read_status = 1;
    }
    return avr->data[ADCL];
}

static uint8_t high_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    if (!remedy_on(REMEDY_ADC_SCALE)) {
        return pass_read(address);
    }
    low_read(avr, address, param);
    adc->read_status = 2;
    return avr->data[ADCH];
}

static void tell_emulator(uint8_t input)
{
    double mv = source[input].connected ? source[input].mv : 0.0;
    avr_raise_irq(adc->io.irq + ADC_IRQ_ADC0 + input, (uint32_t)(mv + 0.5));
}

void analog_open(void)
{
    adc = chip_peripheral("adc");
    avr_irq_register_notify(adc->io.irq + ADC_IRQ_OUT_TRIGGER, started, NULL);
    hook_read(ADCL, low_read);
    hook_read(ADCH, high_read);
}

void analog_after_reset(void)
{
    for (uint8_t input = 0; input < ANALOG_INPUTS; input++) {
        tell_emulator(input);
    }
}

void analog_source(uint8_t input, double mv, double ohm, double noise_mv)
{
    settle(input);
    source[input].connected = true;
    source[input].mv = mv;
    source[input].ohm = ohm;
    source[input].noise_mv = noise_mv;
    tell_emulator(input);
}

void analog_disconnect(uint8_t input)
{
    settle(input);
    source[input].connected = false;
    tell_emulator(input);
}
