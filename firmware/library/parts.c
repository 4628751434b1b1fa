#include "parts.h"

#include <stdlib.h>
#include <string.h>

#include "budget.h"
#include "crc.h"
#include "errors.h"
#include "receiver.h"
#include "writer.h"

typedef struct memory_line {
    uint8_t *into;
    size_t room;
    size_t written;
} memory_line;

struct part_receiver {
    kn_receiver receiver;
};

uint16_t part_crc(const uint8_t *data, size_t length)
{
    return kn_crc_bytes(KN_CRC_START, data, length);
}

static size_t transmit_room(void *self)
{
    const memory_line *line = self;
    return line->room - line->written;
}

static void transmit(void *self, const uint8_t *data, size_t length)
{
    memory_line *line = self;
    /* More than there is room for would be the core's fault: abort() shows it. */
    if (length > transmit_room(line)) {
        abort();
    }
    memcpy(line->into + line->written, data, length);
    line->written += length;
}

size_t part_write_frame(uint8_t type, const uint8_t *payload, size_t length, uint8_t *into,
                        size_t room)
{
    memory_line line = {.into = into, .room = room};
    kn_port port = {.self = &line, .transmit_room = transmit_room, .transmit = transmit};
    kn_writer w;
    if (length > KN_PAYLOAD_LONGEST) {
        return 0;
    }
    for (kn_writer_begin(&w, &port, type); kn_writer_pass(&w);) {
        kn_put_bytes(&w, payload, (uint8_t)length);
    }
    return line.written;
}

part_receiver *part_receiver_new(void)
{
    part_receiver *r = malloc(sizeof *r);
    if (r != NULL) {
        kn_receiver_reset(&r->receiver);
    }
    return r;
}

void part_receiver_free(part_receiver *r)
{
    free(r);
}

int part_receiver_take(part_receiver *r, uint8_t byte, uint8_t *into)
{
    const int8_t result = kn_receiver_take(&r->receiver, byte);
    if (result == KN_PENDING) {
        return 0;
    }
    if (result < 0) {
        return -1;
    }
    const uint8_t length = r->receiver.length;
    memcpy(into, r->receiver.frame, length);
    kn_receiver_done(&r->receiver);
    return length;
}

uint8_t part_sample_width(uint8_t bits, uint16_t averaging)
{
    return kn_sample_width(bits, averaging);
}

uint16_t part_least_averaging(uint8_t rows, const uint8_t *axes, const uint8_t *bits, uint32_t baud,
                              uint32_t raw_period, uint32_t tick_hz)
{
    kn_shape shape = {.rows = rows};
    memcpy(shape.axes, axes, rows);
    memcpy(shape.bits, bits, rows);
    return kn_least_averaging(&shape, baud, raw_period, tick_hz);
}
