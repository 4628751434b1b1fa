#include "events.h"

#include <stdlib.h>
#include <string.h>

#include "chip.h"

static const char letters[EVENT_KINDS + 1] = "rsbacztlmx";
static uint32_t selected;
static uint64_t counts[EVENT_KINDS];
static struct {
    uint64_t cycle;
    uint32_t value;
    uint8_t kind;
} *noted;
static size_t used, room;

void event_at(enum event_kind kind, uint64_t cycle, uint32_t value)
{
    counts[kind]++;
    if (!(selected >> kind & 1u)) {
        return;
    }
    if (used == room) {
        room = room ? 2 * room : 1024;
        noted = realloc(noted, room * sizeof *noted);
        if (!noted) {
            fprintf(stderr, "bench: out of memory for events\n");
            exit(1);
        }
    }
    noted[used].cycle = cycle;
    noted[used].value = value;
    noted[used].kind = (uint8_t)kind;
    used++;
}

void event(enum event_kind kind, uint32_t value)
{
    event_at(kind, chip->cycle, value);
}

uint64_t event_count(enum event_kind kind)
{
    return counts[kind];
}

void event_select(const char *kinds)
{
    selected = 0;
    for (unsigned kind = 0; kind < EVENT_KINDS; kind++) {
        if (strchr(kinds, letters[kind])) {
            selected |= 1u << kind;
        }
    }
}

void event_drain(FILE *to)
{
    for (size_t i = 0; i < used; i++) {
        fprintf(to, " %c:%llu:%u", letters[noted[i].kind], (unsigned long long)noted[i].cycle,
                noted[i].value);
    }
    used = 0;
}
