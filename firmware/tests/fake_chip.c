#include "fake_chip.h"

#include "errors.h"

static int refused(const fake_chip *chip, int byte)
{
    return chip->transfers == chip->nack_transfer && byte == chip->nack_byte;
}

int fake_chip_transfer(fake_chip *chip, kn_transfer *t)
{
    int byte = 0;
    uint8_t at = 0;
    t->status = KN_OK;
    if (t->address != chip->address || chip->gone || chip->now_ms < chip->ready_ms ||
        refused(chip, byte)) {
        t->status = KN_E_NO_ANSWER;
    }
    byte++;
    for (uint8_t i = 0; t->status == KN_OK && i < t->out_length; i++, byte++) {
        if (refused(chip, byte)) {
            t->status = KN_E_NACK;
        } else if (i == 0) {
            at = t->out[0] & 0x7Fu;
        } else {
            chip->on_write(chip, at, t->out[i]);
            chip->written++;
            at = (uint8_t)((at + 1u) & 0x7Fu);
        }
    }
    if (t->status == KN_OK && t->in_length != 0) {
        if (refused(chip, byte)) {
            t->status = KN_E_NO_ANSWER;
        }
        byte++;
        chip->on_read(chip);
        for (uint8_t i = 0; t->status == KN_OK && i < t->in_length; i++) {
            t->in[i] = chip->registers[at];
            at = (uint8_t)((at + 1u) & 0x7Fu);
        }
    }
    chip->transfers++;
    return byte;
}
