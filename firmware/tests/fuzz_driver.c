/* Runs a fuzz target where libFuzzer is not at hand: random changes of known good inputs, the
 * same for the same seed. Usage: PROGRAM INPUTS SEED. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz.h"

enum { LONGEST = 400 };

static uint64_t state;

static uint32_t pick(uint32_t below)
{
    /* Steele, Lea & Flood 2014, SplitMix64. */
    uint64_t z = state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (uint32_t)(((z ^ (z >> 31)) >> 32) % below);
}

/* A command of docs/protocol.md, mostly of the right length. */
static size_t command(uint8_t *into)
{
    static const uint8_t payload[] = {0, 0, 0, 6, 3, 4, 0, 1, 0, 0};
    const uint8_t number = (uint8_t)pick(11);
    size_t length = number < 10 ? payload[number] : pick(20);
    if (number == 5) {
        length = 3 + pick(128);
    }
    into[0] = number < 10 ? (uint8_t)(0x41 + number) : (uint8_t)pick(256);
    into[1] = (uint8_t)pick(256);
    for (size_t i = 0; i < length; i++) {
        into[2 + i] = (uint8_t)(pick(3) ? pick(256) : 0);
    }
    if (number == 5 && pick(2)) { /* the last piece of a record */
        length = 130;
        into[2] = 128;
        into[3] = 0;
    }
    if (number == 3 && pick(2)) { /* a rate that is possible */
        const uint32_t period = 500 + pick(24501);
        into[2] = (uint8_t)(period & 255u);
        into[3] = (uint8_t)(period >> 8);
        into[4] = into[5] = 0;
        into[7] = 0;
    }
    return length + 2;
}

static size_t make(uint8_t *input)
{
    size_t size = 0;
    while (size < LONGEST - 150 && pick(6)) {
        const uint32_t kind = pick(8);
        uint8_t body[200];
        if (kind < 3) {
            const size_t length = command(body);
            input[size++] = (uint8_t)(pick(3));
            input[size++] = (uint8_t)length;
            memcpy(input + size, body, length);
            size += length;
        } else if (kind == 3) {
            const size_t length = fuzz_frame(body, command(body), input + size + 2);
            input[size] = 3;
            input[size + 1] = (uint8_t)(length < 255 ? length : 255);
            size += 2 + length;
        } else {
            input[size++] = (uint8_t)pick(256);
            input[size++] = (uint8_t)pick(256);
        }
    }
    return size;
}

static size_t change(uint8_t *input, size_t size)
{
    for (uint32_t times = pick(5); times > 0 && size > 1; times--) {
        const size_t at = pick((uint32_t)size);
        switch (pick(4)) {
        case 0:
            input[at] ^= (uint8_t)(1u << pick(8));
            break;
        case 1:
            input[at] = (uint8_t)(pick(2) ? 0 : pick(256));
            break;
        case 2:
            memmove(input + at, input + at + 1, size - at - 1);
            size--;
            break;
        default:
            if (size < LONGEST) {
                memmove(input + at + 1, input + at, size - at);
                input[at] = (uint8_t)pick(256);
                size++;
            }
            break;
        }
    }
    return size;
}

int main(int count, char **words)
{
    const unsigned long inputs = count > 1 ? strtoul(words[1], NULL, 10) : 1000;
    state = count > 2 ? strtoull(words[2], NULL, 10) : 1;
    for (unsigned long i = 0; i < inputs; i++) {
        uint8_t built[LONGEST + 300];
        const size_t size = change(built, make(built));
        /* Exactly as large as it is, so that the sanitizer sees a byte read behind it. */
        uint8_t *input = malloc(size + 1);
        if (input == NULL) {
            return 2;
        }
        memcpy(input, built, size);
        LLVMFuzzerTestOneInput(input, size);
        free(input);
    }
    printf("%lu inputs\n", inputs);
    return inputs != 0 ? 0 : 1;
}
