#include "control_devices.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "adxl355.h"
#include "analog.h"
#include "bus.h"
#include "caliper.h"
#include "chip.h"
#include "feed.h"
#include "hex.h"
#include "mpu6050.h"
#include "pins.h"

#define ROW_BYTES (4u * FEED_VALUES)
#define DEFAULT_OHM 4700.0 /* a 10 k potentiometer at its middle, and 2.2 k before the input */

static bool is(const char *word, const char *wanted)
{
    return word && strcmp(word, wanted) == 0;
}

static float f32(const uint8_t *b)
{
    uint32_t bits = (uint32_t)b[0] | (uint32_t)b[1] << 8 | (uint32_t)b[2] << 16 | (uint32_t)b[3] << 24;
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* feed CYCLE PERIOD HEX: rows of seven little-endian f32. feed hold AX AY AZ T GX GY GZ. */
bool device_feed(int words, char **word, FILE *reply)
{
    static uint8_t data[ROW_BYTES * 16384u];
    float row[FEED_VALUES];
    size_t length;
    if (words == 2 + FEED_VALUES && is(word[1], "hold")) {
        for (int i = 0; i < FEED_VALUES; i++) {
            row[i] = strtof(word[2 + i], NULL);
        }
        feed_add(chip->cycle, row);
    } else if (words == 4 && hex_read(word[3], data, sizeof data, &length) && length % ROW_BYTES == 0) {
        uint64_t cycle = strtoull(word[1], NULL, 10), period = strtoull(word[2], NULL, 10);
        for (size_t at = 0; at < length; at += ROW_BYTES, cycle += period) {
            for (unsigned i = 0; i < FEED_VALUES; i++) {
                row[i] = f32(data + at + 4 * i);
            }
            feed_add(cycle, row);
        }
    } else {
        return false;
    }
    fprintf(reply, "ok %llu", (unsigned long long)feed_ahead(chip->cycle));
    return true;
}

/* sensor NAME gone|back|identity N|nack N|self_test SCALE|register N */
bool device_sensor(int words, char **word, FILE *reply)
{
    bool mpu = words >= 3 && is(word[1], "mpu6050"), adxl = words >= 3 && is(word[1], "adxl355");
    if (!mpu && !adxl) {
        return false;
    }
    bus_device *device = mpu ? &mpu6050_device : &adxl355_device;
    const char *number = words == 4 ? word[3] : "";
    uint8_t byte = (uint8_t)strtoul(number, NULL, 0);
    if (is(word[2], "gone") && words == 3) {
        device->present = false;
    } else if (is(word[2], "back") && words == 3) {
        if (!device->present) {
            device->power();
        }
        device->present = true;
    } else if (words != 4) {
        return false;
    } else if (is(word[2], "identity")) {
        (mpu ? mpu6050_identity : adxl355_identity)(byte);
    } else if (is(word[2], "nack")) {
        device->nacks = (uint32_t)strtoul(number, NULL, 0);
    } else if (is(word[2], "self_test")) {
        (mpu ? mpu6050_self_test : adxl355_self_test)(strtod(number, NULL));
    } else if (is(word[2], "register")) {
        fprintf(reply, "ok %u", (mpu ? mpu6050_register : adxl355_register)(byte));
        return true;
    } else {
        return false;
    }
    fputs("ok", reply);
    return true;
}

/* bus free|sda PULSES|sda ever|scl */
bool device_bus(int words, char **word, FILE *reply)
{
    if (words == 2 && is(word[1], "free")) {
        bus_hold_sda(0);
        bus_hold_scl(false);
    } else if (words == 2 && is(word[1], "scl")) {
        bus_hold_scl(true);
    } else if (words == 3 && is(word[1], "sda")) {
        bus_hold_sda(is(word[2], "ever") ? BUS_FOR_GOOD : (int32_t)strtol(word[2], NULL, 10));
    } else {
        return false;
    }
    fputs("ok", reply);
    return true;
}

/* analog INPUT open | analog INPUT MV [OHM [NOISE_MV]] */
bool device_analog(int words, char **word, FILE *reply)
{
    unsigned long input = words >= 3 ? strtoul(word[1], NULL, 10) : ANALOG_INPUTS;
    if (input >= ANALOG_INPUTS || words > 5) {
        return false;
    }
    if (is(word[2], "open")) {
        analog_disconnect((uint8_t)input);
    } else {
        analog_source((uint8_t)input, strtod(word[2], NULL),
                      words > 3 ? strtod(word[3], NULL) : DEFAULT_OHM,
                      words > 4 ? strtod(word[4], NULL) : 0.0);
    }
    fputs("ok", reply);
    return true;
}

bool device_supply(int words, char **word, FILE *reply)
{
    unsigned long mv = words == 2 ? strtoul(word[1], NULL, 10) : 0;
    if (mv < 1500 || mv > 6000) {
        return false;
    }
    chip_supply_mv = chip->vcc = chip->avcc = chip->aref = (uint32_t)mv;
    fputs("ok", reply);
    return true;
}

/* caliper mm N|inch N|off|timing BIT_US PACKET_US|bits N|chatter HZ */
bool device_caliper(int words, char **word, FILE *reply)
{
    if (words == 2 && is(word[1], "off")) {
        caliper_remove();
    } else if (words == 3 && (is(word[1], "mm") || is(word[1], "inch"))) {
        caliper_show((int32_t)strtol(word[2], NULL, 10), is(word[1], "inch"));
    } else if (words == 3 && is(word[1], "bits")) {
        caliper_bits((uint8_t)strtoul(word[2], NULL, 10));
    } else if (words == 3 && is(word[1], "chatter")) {
        caliper_chatter((uint32_t)strtoul(word[2], NULL, 10));
    } else if (words == 4 && is(word[1], "timing")) {
        caliper_timing((uint32_t)strtoul(word[2], NULL, 10), (uint32_t)strtoul(word[3], NULL, 10));
    } else {
        return false;
    }
    fprintf(reply, "ok %llu %llu", (unsigned long long)caliper_packets, (unsigned long long)caliper_edges);
    return true;
}

/* pin D4 0|1|z */
bool device_pin(int words, char **word, FILE *reply)
{
    if (words != 3 || word[1][0] < 'B' || word[1][0] > 'D' || word[1][1] < '0' || word[1][1] > '7' ||
        word[1][2] || !strchr("01z", word[2][0]) || word[2][1]) {
        return false;
    }
    pin_drive(word[1][0], (uint8_t)(word[1][1] - '0'), word[2][0] == 'z' ? PIN_FLOATING : word[2][0] - '0');
    fputs("ok", reply);
    return true;
}
