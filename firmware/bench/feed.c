#include "feed.h"

#include <string.h>

#include "chip.h"

#define ROWS 65536u /* a power of two */

static struct {
    uint64_t cycle;
    float value[FEED_VALUES];
} rows[ROWS];
static uint64_t count;

void feed_add(uint64_t cycle, const float row[FEED_VALUES])
{
    rows[count % ROWS].cycle = cycle;
    memcpy(rows[count % ROWS].value, row, sizeof rows[0].value);
    count++;
}

double feed_take(feed_reader *reader, uint64_t cycle)
{
    if (count > ROWS && reader->next < count - ROWS) {
        reader->next = count - ROWS;
    }
    if (reader->next >= count || rows[reader->next % ROWS].cycle > cycle) {
        return -1.0;
    }
    uint64_t at = rows[reader->next % ROWS].cycle;
    memcpy(reader->now, rows[reader->next % ROWS].value, sizeof reader->now);
    double passed_s = (double)(at - reader->last_cycle) / CLOCK_HZ;
    reader->last_cycle = at;
    reader->next++;
    return passed_s;
}

uint64_t feed_ahead(uint64_t cycle)
{
    uint64_t ahead = 0;
    while (ahead < count && ahead < ROWS && rows[(count - 1 - ahead) % ROWS].cycle > cycle) {
        ahead++;
    }
    return ahead;
}
