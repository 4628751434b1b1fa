/* Functions put before the emulator's register handlers. avr_register_io_write() allows four
 * shared registers in all and calls the newcomer last; this has neither limit. */
#include "chip.h"

static struct {
    avr_io_write_t write;
    void *write_param;
    avr_io_read_t read;
    void *read_param;
} original[MAX_IOs];

void hook_write(uint16_t address, avr_io_write_t hook)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    original[io].write = chip->io[io].w.c;
    original[io].write_param = chip->io[io].w.param;
    chip->io[io].w.c = hook;
    chip->io[io].w.param = NULL;
}

void hook_read(uint16_t address, avr_io_read_t hook)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    original[io].read = chip->io[io].r.c;
    original[io].read_param = chip->io[io].r.param;
    chip->io[io].r.c = hook;
    chip->io[io].r.param = NULL;
}

void pass_write(uint16_t address, uint8_t value)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    if (original[io].write) {
        original[io].write(chip, address, value, original[io].write_param);
    } else {
        avr_core_watch_write(chip, address, value);
    }
}

uint8_t pass_read(uint16_t address)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    if (original[io].read) {
        return original[io].read(chip, address, original[io].read_param);
    }
    return avr_core_watch_read(chip, address);
}
