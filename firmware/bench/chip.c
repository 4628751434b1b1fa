#include "chip.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analog.h"
#include "bus.h"
#include "caliper.h"
#include "events.h"
#include "line.h"
#include "memory.h"
#include "pins.h"
#include "timers.h"

#define MCUSR 0x54
#define SMCR 0x53
#define LAST_VECTOR 25
#define LONGEST_RUN 1000 /* cycles between looks at timers; results do not depend on it */
#define HANG_OPCODE 0xCFFF /* rjmp to itself */

avr_t *chip;
bool chip_powered = true;
uint32_t chip_supply_mv = 5000;

static elf_firmware_t program;
static avr_run_t plain_run;
static uint32_t random_state;
static uint8_t ram_at_power[RAM_END + 1];
static bool was_running, hang_wanted, hang_deaf, hanging;
static uint32_t hang_pc;
static uint8_t hang_code[2];

uint32_t chip_random(void)
{
    random_state ^= random_state << 13; /* xorshift32: Marsaglia 2003 */
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return random_state;
}

void *chip_peripheral(const char *kind)
{
    for (avr_io_t *io = chip->io_port; io; io = io->next) {
        if (strcmp(io->kind, kind) == 0) {
            return io;
        }
    }
    fprintf(stderr, "bench: the emulator has no %s\n", kind);
    exit(1);
}

static void on_raised(avr_irq_t *irq, uint32_t value, void *vector)
{
    (void)irq;
    if (value) {
        event(EVENT_RAISED, (uint32_t)(uintptr_t)vector);
    }
}

static void on_served(avr_irq_t *irq, uint32_t value, void *vector)
{
    (void)irq;
    if (value) {
        event(EVENT_SERVED, (uint32_t)(uintptr_t)vector);
    }
}

static void on_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)how_long; /* the emulator's own would wait that long */
    if (was_running) {
        event(EVENT_SLEEP, avr->data[SMCR] >> 1 & 7u);
        was_running = false;
    }
}

static void fill_ram(void)
{
    for (unsigned i = 0; i < 32; i++) {
        chip->data[i] = (uint8_t)chip_random();
    }
    for (unsigned i = RAM_START; i <= RAM_END; i++) {
        ram_at_power[i] = (uint8_t)chip_random();
    }
    memcpy(chip->data + RAM_START, ram_at_power + RAM_START, RAM_END + 1 - RAM_START);
}

static void silent(avr_t *avr, const int level, const char *format, va_list rest)
{
    (void)avr;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, rest);
    }
}

bool chip_open(const char *elf, uint32_t seed)
{
    int saved = dup(STDOUT_FILENO), nowhere = open("/dev/null", O_WRONLY);
    dup2(nowhere, STDOUT_FILENO); /* the emulator talks on stdout while it loads */
    avr_global_logger_set(silent);
    int failed = elf_read_firmware(elf, &program);
    fflush(stdout);
    dup2(saved, STDOUT_FILENO);
    close(saved);
    close(nowhere);
    if (failed || program.flashsize == 0) {
        fprintf(stderr, "bench: %s cannot be loaded\n", elf);
        return false;
    }
    program.eesize = 0; /* an .eeprom section is not what flashing writes */
    random_state = seed * 2654435761u + 1u;
    random_state = random_state ? random_state : 1u;
    chip = avr_make_mcu_by_name("atmega328p");
    if (!chip || avr_init(chip) != 0) {
        fprintf(stderr, "bench: the emulator has no ATmega328P\n");
        return false;
    }
    program.frequency = CLOCK_HZ;
    program.vcc = program.avcc = program.aref = chip_supply_mv;
    avr_load_firmware(chip, &program);
    chip->log = LOG_ERROR;
    chip->sleep = on_sleep;
    plain_run = chip->run;
    for (uintptr_t vector = 1; vector <= LAST_VECTOR; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(chip, (uint8_t)vector);
        if (irq) {
            avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_raised, (void *)vector);
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_served, (void *)vector);
        }
    }
    pins_open();
    bus_open();
    line_open();
    memory_open();
    analog_open();
    timers_open();
    chip_power_on();
    return true;
}

static void after_reset(cause why)
{
    if (hanging) {
        memcpy(chip->flash + hang_pc, hang_code, 2);
    }
    hanging = hang_wanted = false;
    was_running = true;
    chip->run_cycle_limit = LONGEST_RUN;
    memory_after_reset();
    pins_after_reset();
    line_after_reset();
    bus_after_reset();
    analog_after_reset();
    caliper_after_reset();
    event(EVENT_RESET, why);
}

void chip_reset(cause why)
{
    static const uint8_t flag[] = {1, 2, 4, 8};
    avr_reset(chip);
    chip->data[MCUSR] = flag[why];
    after_reset(why);
}

void chip_power_off(void)
{
    memory_power_lost();
    bus_power_lost();
    line_power_lost();
    chip_powered = false;
}

void chip_power_on(void)
{
    chip_powered = true;
    fill_ram();
    chip_reset(CAUSE_POWER);
}

void chip_hang(bool deaf)
{
    hang_wanted = true;
    hang_deaf = deaf;
}

bool chip_hangs(void)
{
    return hanging;
}

static void try_to_hang(void)
{
    if (chip->interrupts.running_ptr) {
        return;
    }
    hang_pc = chip->pc;
    memcpy(hang_code, chip->flash + hang_pc, 2);
    chip->flash[hang_pc] = HANG_OPCODE & 0xFF;
    chip->flash[hang_pc + 1] = HANG_OPCODE >> 8;
    if (hang_deaf) {
        chip->sreg[S_I] = 0;
        chip->state = cpu_Running;
    }
    hang_wanted = false;
    hanging = true;
}

static avr_cycle_count_t stop(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr, (void)when, (void)param;
    return 0;
}

static bool lives(void)
{
    return chip->state == cpu_Running || chip->state == cpu_Sleeping || chip->state == cpu_Done;
}

void chip_run_to(avr_cycle_count_t cycle)
{
    while (chip_powered && lives() && chip->cycle < cycle) {
        if (chip->run != plain_run) { /* the watchdog has fired: this call is the reset */
            chip->run(chip);
            after_reset(CAUSE_WATCHDOG);
            continue;
        }
        if (avr_cycle_timer_status(chip, stop, NULL) == 0) {
            avr_cycle_timer_register(chip, cycle - chip->cycle, stop, NULL);
        }
        if (hang_wanted) {
            try_to_hang();
        }
        if (chip->state == cpu_Running) {
            was_running = true;
        }
        if (chip->state == cpu_Done) { /* asleep and deaf: only the watchdog can end it */
            avr_cycle_count_t idle = avr_cycle_timer_process(chip);
            chip->cycle += idle ? idle : 1;
            continue;
        }
        chip->run(chip);
    }
    if (chip->cycle < cycle) { /* off or crashed: time goes on all the same */
        chip->cycle = cycle;
    }
    avr_cycle_timer_cancel(chip, stop, NULL);
}

const char *chip_state(void)
{
    if (!chip_powered) {
        return "off";
    }
    switch (chip->state) {
    case cpu_Running:
        return "running";
    case cpu_Sleeping:
        return "sleeping";
    case cpu_Done:
        return "stopped";
    default:
        return "crashed";
    }
}

int32_t chip_symbol(const char *name)
{
    for (uint32_t i = 0; i < program.symbolcount; i++) {
        if (strcmp(program.symbol[i]->symbol, name) == 0) {
            return (int32_t)program.symbol[i]->addr;
        }
    }
    return -1;
}

uint16_t chip_static_end(void)
{
    int32_t end = chip_symbol("_end");
    if (end < 0) {
        return (uint16_t)(RAM_START + program.datasize + program.bsssize);
    }
    return (uint16_t)(end & 0xFFFF);
}

uint16_t chip_stack_reached(void)
{
    uint16_t at = chip_static_end();
    while (at <= RAM_END && chip->data[at] == ram_at_power[at]) {
        at++;
    }
    return at;
}
