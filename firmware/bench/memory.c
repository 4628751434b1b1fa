#include "memory.h"

#include "chip.h"
#include "events.h"

#define EECR 0x3F
#define EEDR 0x40
#define EEARL 0x41
#define EEARH 0x42
#define EEPE 0x02
#define EEMPE 0x04
#define EERIE 0x08
#define WRITE_CYCLES (CYCLES_PER_US * 3400u) /* data sheet: 3.4 ms for erase and write */

uint64_t memory_writes;

static avr_eeprom_t *eeprom;
static bool busy;
static avr_cycle_count_t began;
static uint16_t at;
static uint8_t before;

static avr_cycle_count_t written(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when, (void)param;
    busy = false;
    avr->data[EECR] &= (uint8_t)~EEPE;
    return 0;
}

static void control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    bool starts = (value & EEPE) && (avr->data[EECR] & EEMPE);
    if (busy && remedy_on(REMEDY_EEPROM_TIME)) {
        value &= (uint8_t) ~(EEPE | EEMPE | 1u); /* neither read nor write meanwhile */
        starts = false;
    }
    uint16_t where = (uint16_t)((avr->data[EEARL] | avr->data[EEARH] << 8) & (MEMORY_SIZE - 1));
    uint8_t old = eeprom->eeprom[where];
    pass_write(address, value);
    if (starts) {
        memory_writes++;
        event(EVENT_MEMORY, where);
        busy = true;
        began = avr->cycle;
        at = where;
        before = old;
        avr_cycle_timer_register(avr, WRITE_CYCLES, written, NULL);
    }
    if (busy && remedy_on(REMEDY_EEPROM_TIME)) {
        avr->data[EECR] |= EEPE;
    } else if ((value & EERIE) && !starts) { /* "ready" is a level: an idle memory is ready now */
        avr_raise_interrupt(avr, &eeprom->ready);
    }
}

void memory_open(void)
{
    eeprom = chip_peripheral("eeprom");
    hook_write(EECR, control_written);
}

void memory_after_reset(void)
{
    busy = false; /* a reset does not end a write on the chip, but the byte is whole already */
}

void memory_power_lost(void)
{
    if (!busy) {
        return;
    }
    uint8_t noise = (uint8_t)chip_random();
    bool erasing = chip->cycle - began < WRITE_CYCLES / 2;
    uint8_t target = eeprom->eeprom[at];
    /* First all bits go to 1, then some to 0; cut off, some have not got there. */
    eeprom->eeprom[at] = (uint8_t)((erasing ? before : target) | noise);
    busy = false;
}

bool memory_get(uint16_t from, uint8_t *into, uint16_t length)
{
    avr_eeprom_desc_t want = {.ee = into, .offset = from, .size = length};
    return (uint32_t)from + length <= MEMORY_SIZE && avr_ioctl(chip, AVR_IOCTL_EEPROM_GET, &want) != -2;
}

bool memory_set(uint16_t to, const uint8_t *from, uint16_t length)
{
    avr_eeprom_desc_t want = {.ee = (uint8_t *)(uintptr_t)from, .offset = to, .size = length};
    return (uint32_t)to + length <= MEMORY_SIZE && avr_ioctl(chip, AVR_IOCTL_EEPROM_SET, &want) != -2;
}

bool memory_busy(void)
{
    return busy;
}
