#include "control.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "chip.h"
#include "control_devices.h"
#include "events.h"
#include "hex.h"
#include "line.h"
#include "memory.h"
#include "pins.h"

#define WORDS 12

static void run_to(uint64_t cycle, FILE *reply)
{
    static uint8_t piece[4096];
    line_exchange();
    chip_run_to(cycle);
    line_exchange();
    fprintf(reply, "ok %llu %s ", (unsigned long long)chip->cycle, chip_state());
    size_t count = line_from_pod(piece, sizeof piece);
    if (!count) {
        fputc('-', reply);
    }
    for (; count; count = line_from_pod(piece, sizeof piece)) {
        hex_write(reply, piece, count);
    }
}

static bool run(int words, char **word, FILE *reply)
{
    if (words != 2) {
        return false;
    }
    run_to(chip->cycle + strtoull(word[1], NULL, 10) * CYCLES_PER_US, reply);
    return true;
}

static bool run_to_cycle(int words, char **word, FILE *reply)
{
    if (words != 2) {
        return false;
    }
    run_to(strtoull(word[1], NULL, 10), reply);
    return true;
}

static bool rx(int words, char **word, FILE *reply)
{
    static uint8_t data[65536];
    size_t length;
    if (words != 2 || !hex_read(word[1], data, sizeof data, &length)) {
        return false;
    }
    line_to_pod(data, length);
    fprintf(reply, "ok %zu", line_waiting());
    return true;
}

static bool baud(int words, char **word, FILE *reply)
{
    if (words != 2) {
        return false;
    }
    line_set_baud((uint32_t)strtoul(word[1], NULL, 10));
    fputs("ok", reply);
    return true;
}

static bool eeprom(int words, char **word, FILE *reply)
{
    static uint8_t data[MEMORY_SIZE];
    if (words != 4) {
        return false;
    }
    uint16_t at = (uint16_t)strtoul(word[2], NULL, 10);
    if (strcmp(word[1], "get") == 0) {
        uint16_t length = (uint16_t)strtoul(word[3], NULL, 10);
        if (length > sizeof data || !memory_get(at, data, length)) {
            return false;
        }
        fputs("ok ", reply);
        hex_write(reply, data, length);
        return true;
    }
    size_t length;
    if (strcmp(word[1], "set") != 0 || !hex_read(word[3], data, sizeof data, &length) ||
        !memory_set(at, data, (uint16_t)length)) {
        return false;
    }
    fputs("ok", reply);
    return true;
}

static bool reset(int words, char **word, FILE *reply)
{
    static const char *const causes[] = {"power", "external", "brownout", "watchdog"};
    for (unsigned why = 0; words == 2 && why < 4; why++) {
        if (strcmp(word[1], causes[why]) == 0) {
            chip_reset((cause)why);
            fputs("ok", reply);
            return true;
        }
    }
    return false;
}

static bool power(int words, char **word, FILE *reply)
{
    if (words != 2) {
        return false;
    }
    if (strcmp(word[1], "off") == 0) {
        chip_power_off();
    } else if (strcmp(word[1], "on") == 0) {
        chip_power_on();
    } else {
        return false;
    }
    fputs("ok", reply);
    return true;
}

static bool hang(int words, char **word, FILE *reply)
{
    bool deaf = words == 2 && strcmp(word[1], "deaf") == 0;
    if (words != 2 || (!deaf && strcmp(word[1], "main") != 0)) {
        return false;
    }
    chip_hang(deaf);
    fputs("ok", reply);
    return true;
}

static bool log_events(int words, char **word, FILE *reply)
{
    event_select(words == 2 ? word[1] : "");
    fputs("ok", reply);
    return true;
}

static bool events(int words, char **word, FILE *reply)
{
    (void)words, (void)word;
    fputs("ok", reply);
    event_drain(reply);
    return true;
}

static bool stats(int words, char **word, FILE *reply)
{
    (void)words, (void)word;
    fprintf(reply, "ok cycle=%llu state=%s hangs=%d", (unsigned long long)chip->cycle, chip_state(),
            chip_hangs());
    fprintf(reply, " sent=%llu received=%llu overruns=%llu garbled=%llu byte_cycles=%u",
            (unsigned long long)line_sent, (unsigned long long)line_received,
            (unsigned long long)line_overruns, (unsigned long long)line_garbled, line_byte_cycles());
    fprintf(reply, " starts=%llu conversions=%llu sleeps=%llu resets=%llu memory_writes=%llu",
            (unsigned long long)event_count(EVENT_START), (unsigned long long)event_count(EVENT_CONVERSION),
            (unsigned long long)event_count(EVENT_SLEEP), (unsigned long long)event_count(EVENT_RESET),
            (unsigned long long)memory_writes);
    fprintf(reply, " memory_busy=%d light=%d tone_hz=%u", memory_busy(), pins_light(), pins_tone_hz());
    fprintf(reply, " static_end=%u stack_reached=%u ram_end=%u", chip_static_end(),
            chip_stack_reached(), RAM_END);
    return true;
}

static bool peek(int words, char **word, FILE *reply)
{
    unsigned long at = words == 3 ? strtoul(word[1], NULL, 0) : RAM_END + 1ul;
    unsigned long length = words == 3 ? strtoul(word[2], NULL, 0) : 0;
    if (at > RAM_END || length > RAM_END + 1ul - at) {
        return false;
    }
    fputs("ok ", reply);
    hex_write(reply, chip->data + at, length);
    return true;
}

static bool poke(int words, char **word, FILE *reply)
{
    uint8_t data[256];
    size_t length;
    if (words != 3 || !hex_read(word[2], data, sizeof data, &length)) {
        return false;
    }
    unsigned long at = strtoul(word[1], NULL, 0);
    if (at < RAM_START || at + length > RAM_END + 1ul) {
        return false;
    }
    memcpy(chip->data + at, data, length);
    fputs("ok", reply);
    return true;
}

static bool symbol(int words, char **word, FILE *reply)
{
    int32_t at = words == 2 ? chip_symbol(word[1]) : -1;
    if (at < 0) {
        return false;
    }
    fprintf(reply, "ok %d", at);
    return true;
}

static bool remedies(int words, char **word, FILE *reply)
{
    (void)words, (void)word;
    fputs("ok", reply);
    for (unsigned which = 0; which < REMEDY_COUNT; which++) {
        fprintf(reply, " %s", remedy_name(which));
    }
    return true;
}

static const struct command {
    const char *name;
    bool (*act)(int words, char **word, FILE *reply);
} commands[] = {
    {"run", run},         {"run_to", run_to_cycle}, {"rx", rx},           {"baud", baud},
    {"eeprom", eeprom},   {"reset", reset},         {"power", power},     {"hang", hang},
    {"log", log_events},  {"events", events},       {"stats", stats},     {"peek", peek},
    {"poke", poke},       {"symbol", symbol},       {"remedies", remedies},
    {"feed", device_feed}, {"sensor", device_sensor}, {"bus", device_bus}, {"analog", device_analog},
    {"supply", device_supply}, {"caliper", device_caliper}, {"pin", device_pin},
};

bool control_line(char *text, FILE *reply)
{
    char *word[WORDS + 1] = {NULL};
    int words = 0;
    for (char *w = strtok(text, " \r\n"); w && words < WORDS; w = strtok(NULL, " \r\n")) {
        word[words++] = w;
    }
    if (words && strcmp(word[0], "quit") == 0) {
        fputs("ok\n", reply);
        return false;
    }
    for (size_t i = 0; words && i < sizeof commands / sizeof *commands; i++) {
        if (strcmp(commands[i].name, word[0]) == 0) {
            if (!commands[i].act(words, word, reply)) {
                fprintf(reply, "error '%s' was given what it does not take", word[0]);
            }
            fputc('\n', reply);
            return true;
        }
    }
    fprintf(reply, "error there is no command '%.40s'\n", words ? word[0] : "");
    return true;
}
