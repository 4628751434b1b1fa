#include <stdlib.h>

#include "board.h"

int sim_ring_open(sim_ring *r, size_t size)
{
    r->bytes = malloc(size);
    r->size = size;
    r->first = 0;
    r->count = 0;
    return r->bytes != NULL;
}

void sim_ring_close(sim_ring *r)
{
    free(r->bytes);
    r->bytes = NULL;
}

size_t sim_ring_room(const sim_ring *r)
{
    return r->size - r->count;
}

void sim_ring_put(sim_ring *r, uint8_t byte)
{
    r->bytes[(r->first + r->count) % r->size] = byte;
    r->count++;
}

uint8_t sim_ring_take(sim_ring *r)
{
    uint8_t byte = r->bytes[r->first];
    r->first = (r->first + 1) % r->size;
    r->count--;
    return byte;
}
