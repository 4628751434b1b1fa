#include "chip.h"

#include "errors.h"

static int refused(const sim_chip *chip, int byte)
{
    return chip->transfers == chip->nack_transfer && byte == chip->nack_byte;
}

double sim_chip_noise(sim_chip *chip)
{
    double sum = -6.0;
    for (int i = 0; i < 12; i++) {
        /* Knuth's 64-bit linear congruential generator (MMIX). */
        chip->random = chip->random * 6364136223846793005u + 1442695040888963407u;
        sum += (double)(chip->random >> 33) / 2147483648.0;
    }
    return sum;
}

int sim_chip_transfer(sim_chip *chip, kn_transfer *t)
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
        if (!chip->frozen) {
            chip->on_read(chip);
        }
        for (uint8_t i = 0; t->status == KN_OK && i < t->in_length; i++) {
            t->in[i] = chip->registers[at];
            at = (uint8_t)((at + 1u) & 0x7Fu);
        }
    }
    chip->transfers++;
    return byte;
}
